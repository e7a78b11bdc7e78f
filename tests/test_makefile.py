"""How `make` finds a Python, makes the environment, and says in one line why it cannot."""

import shutil
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from tests.building import ROOT, clean_environment

TOOLS = ("bash", "env", "make", "tee", "awk", "tail", "touch", "mkdir")
BROKEN = "#!/bin/sh\nexit 127\n"  # a pyenv shim whose version is not installed
OLD = "#!/bin/sh\nexit 1\n"  # says no to every question, as an old Python does to the first
WHOLE = f'#!/bin/sh\nexec {sys.executable} "$@"\n'
WITHOUT_ENSUREPIP = f'#!/bin/sh\ncase "$*" in *ensurepip*|*"-m pip"*) exit 1;; esac\nexec {sys.executable} "$@"\n'
PIP = '#!/bin/sh\necho "$@" >> {log}\n'


class Machine:
    """A folder with the Makefile, and a PATH with just these commands: the tools a shell has and what a test adds."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "checkout"
        self.commands = folder / "bin"
        self.pip_log = folder / "pip.txt"
        self.commands.mkdir()
        for tool in TOOLS:
            (self.commands / tool).symlink_to(shutil.which(tool))
        self.add("uname", "#!/bin/sh\necho Linux x86_64\n")
        (self.folder / ".ci").mkdir(parents=True)
        for name in ("Makefile", "setup.py", "pyproject.toml", ".ci/environment.sh"):
            shutil.copy(ROOT / name, self.folder / name)

    def add(self, command: str, script: str) -> None:
        path = self.commands / command
        path.write_text(script)
        path.chmod(path.stat().st_mode | stat.S_IXUSR)

    def make(self, *arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            ["make", *arguments],
            cwd=self.folder,
            # not as a part of the make that may be running these tests
            env={key: value for key, value in clean_environment().items() if not key.startswith("MAKE")}
            | {"PATH": str(self.commands)}
            | environment,
            capture_output=True,
            text=True,
            check=False,
        )


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    return Machine(tmp_path)


def reason(done: subprocess.CompletedProcess[str]) -> str:
    """The one line that says why make failed, beside make's own."""
    assert done.returncode != 0
    (line,) = [line for line in done.stderr.splitlines() if not line.startswith("make:")]
    return line


def test_help_lists_every_target(machine):
    listed = {line.split()[1] for line in machine.make().stdout.splitlines()}
    assert listed == {"help", "rehearse", "warm", "test", "bench", "prove", "lint"}


def test_the_first_python_that_runs_is_taken(machine):
    machine.add("python3.11", BROKEN)
    machine.add("python3.12", WITHOUT_ENSUREPIP)
    machine.add("python3", WHOLE)
    machine.add("pip", PIP.format(log=machine.pip_log))
    done = machine.make(".venv/installed")
    assert done.returncode == 0, done.stderr
    assert "making .venv with python3.12" in done.stdout


def test_an_environment_without_pip_is_filled_by_another_pip(machine):
    machine.add("python3", WITHOUT_ENSUREPIP)
    machine.add("pip", PIP.format(log=machine.pip_log))
    assert machine.make(".venv/installed").returncode == 0
    assert "--python .venv/bin/python install" in machine.pip_log.read_text()
    assert "--editable .[ros]" in machine.pip_log.read_text()
    assert not list((machine.folder / ".venv/bin").glob("pip*"))


def test_without_ensurepip_and_pip_one_line_names_the_package_to_install(machine):
    machine.add("python3", WITHOUT_ENSUREPIP)
    assert "apt install python3-venv" in reason(machine.make(".venv/installed"))


@pytest.mark.parametrize("python", [BROKEN, OLD], ids=["broken", "old"])
def test_without_a_python_that_will_do_one_line_says_so(machine, python):
    machine.add("python3", python)
    assert "no Python of 3.11 or later" in reason(machine.make(".venv/installed"))


def test_another_processor_is_pointed_to_the_apt_way_in_one_line(machine):
    machine.add("uname", "#!/bin/sh\necho Linux aarch64\n")
    machine.add("python3", WHOLE)
    line = reason(machine.make(".venv/installed"))
    assert "Linux aarch64" in line
    assert "make ROS=system" in line


def test_ros_system_without_a_sourced_ros_is_one_line(machine):
    assert "source /opt/ros/DISTRO/setup.bash first" in reason(machine.make(".venv-system/installed", "ROS=system"))


def test_a_failed_installation_shows_pip_s_last_words_and_is_taken_up_again(machine):
    machine.add("python3", WITHOUT_ENSUREPIP)
    machine.add("pip", '#!/bin/sh\n[ "$1" = --version ] || { echo "ERROR: no such wheel"; exit 1; }\n')
    done = machine.make(".venv/installed")
    assert done.returncode != 0
    assert "ERROR: no such wheel" in done.stderr
    assert not (machine.folder / ".venv/installed").exists()
    machine.add("pip", PIP.format(log=machine.pip_log))
    assert machine.make(".venv/installed").returncode == 0
    assert (machine.folder / ".venv/installed").exists()


def test_a_finished_installation_is_not_done_again(machine):
    machine.add("python3", WITHOUT_ENSUREPIP)
    machine.add("pip", PIP.format(log=machine.pip_log))
    for _ in range(2):
        assert machine.make(".venv/installed").returncode == 0
    installs = [line for line in machine.pip_log.read_text().splitlines() if "install" in line]
    assert len(installs) == 1


SOURCED = {
    "ROS_DISTRO": "kilted",
    "ROS_VERSION": "2",
    "PYTHONPATH": "/opt/ros/kilted/lib/python3.12/site-packages",
    "LD_LIBRARY_PATH": "/opt/ros/kilted/lib",
    "AMENT_PREFIX_PATH": "/opt/ros/kilted",
    "RMW_IMPLEMENTATION": "rmw_cyclonedds_cpp",
}


@pytest.mark.parametrize("ros", ["wheels", "system"])
def test_a_sourced_ros_is_kept_from_the_wheels_and_given_to_the_system_s_python(machine, ros):
    environment = machine.folder.parent / "environment.txt"
    (machine.folder / ".ci/environment.sh").write_text(f"#!/usr/bin/env bash\nmkdir -p $1\nenv > {environment}\n")
    stamp = {"wheels": ".venv/installed", "system": ".venv-system/installed"}[ros]
    done = machine.make(stamp, f"ROS={ros}", ROS_DOMAIN_ID="7", **SOURCED)
    assert done.returncode == 0, done.stderr
    seen = dict(line.split("=", 1) for line in environment.read_text().splitlines() if "=" in line)
    assert seen["ROS_DOMAIN_ID"] == "7"
    assert {name for name in SOURCED if name in seen} == (set() if ros == "wheels" else set(SOURCED))
    assert ("left aside" in done.stdout) == (ros == "wheels")


def test_a_library_path_without_ros_is_the_user_s_own_and_stays(machine):
    environment = machine.folder.parent / "environment.txt"
    (machine.folder / ".ci/environment.sh").write_text(f"#!/usr/bin/env bash\nmkdir -p $1\nenv > {environment}\n")
    assert machine.make(".venv/installed", LD_LIBRARY_PATH="/usr/local/cuda/lib64").returncode == 0
    assert "LD_LIBRARY_PATH=/usr/local/cuda/lib64" in environment.read_text().splitlines()
