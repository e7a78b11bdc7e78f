#!/usr/bin/env bash
# Make a Python environment and install testbed into it, editable. Called by the Makefile; safe to call again.
#
#   .ci/environment.sh FOLDER EXTRAS [system]
#
# EXTRAS is a list such as ros,dev. `system` uses the ROS 2 that is sourced in this shell instead of rclpy's wheels.
set -euo pipefail

folder=$1 extras=$2 system=${3:-}
package=".${extras:+[$extras]}"

fail() { echo "$*" >&2; exit 1; }
recent() { "$@" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; }

if [ -n "$system" ]; then
  candidates=/usr/bin/python3 options=--system-site-packages
  [ -n "${ROS_DISTRO:-}" ] || fail "ROS=system needs an apt ROS 2: source /opt/ros/DISTRO/setup.bash first"
else
  candidates="python3.11 python3.12 python3.13 python3" options=
  [ "$(uname -sm)" = "Linux x86_64" ] ||
    fail "rclpy's wheels are for Linux on x86_64, this is $(uname -sm): install ROS 2 from apt, then make ROS=system"
fi

# A Python can be on the PATH and not run (a pyenv shim), or run and have no pip to put into an environment (Debian's).
if ! recent "$folder/bin/python"; then
  python=
  for candidate in $candidates; do
    if recent "$candidate"; then python=$candidate; break; fi
  done
  [ -n "$python" ] || fail "no Python of 3.11 or later that runs among: $candidates"
  echo "making $folder with $python"
  if "$python" -c 'import venv, ensurepip' 2>/dev/null; then
    "$python" -m venv --clear $options "$folder"
  elif "$python" -c 'import venv' 2>/dev/null && pip --version >/dev/null 2>&1; then
    "$python" -m venv --clear --without-pip $options "$folder"
  else
    fail "$python cannot make an environment: sudo apt install python3-venv"
  fi
fi
if "$folder/bin/python" -m pip --version >/dev/null 2>&1; then pip=("$folder/bin/python" -m pip)
else pip=(pip --python "$folder/bin/python"); fi

# A line of progress on a terminal, a few lines elsewhere; pip's own words go to a log that is shown where it fails.
echo "installing testbed${extras:+[$extras]} into $folder (log: $folder/pip.log)"
if [ -t 1 ]; then line='\r\033[K  package %d: %s' every=1; else line='  package %d: %s\n' every=30; fi
"${pip[@]}" install --disable-pip-version-check --progress-bar off --editable "$package" 2>&1 | tee "$folder/pip.log" |
  awk -v line="$line" -v every="$every" '
    /^ *Collecting/ && ++n % every == 0 {printf line, n, $2; fflush()}
    /^Installing collected/ {printf line, n, "all there, writing them to disk"; fflush()}
    END {if (n && every == 1) print ""}' ||
  { tail -n 15 "$folder/pip.log" >&2; fail "pip could not install testbed into $folder"; }
