"""What the tests of pip's and colcon's builds share: sources to build from, and commands run in a clean environment."""

import importlib.util
import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
SOURCES = ("setup.py", "setup.cfg", "pyproject.toml", "package.xml", "resource", "launch", "config", "testbed")
CONFIGURATION = sorted(path.relative_to(ROOT / "config") for path in (ROOT / "config").rglob("*.yaml"))


def clean_environment(**more: str) -> dict[str, str]:
    """This process's environment without what ties a Python to this .venv (its rclpy wheels set two of these)."""
    ours = ("PYTHONPATH", "LD_LIBRARY_PATH", "_ROS_WHEELS_BOOTSTRAP_COMPLETE", "VIRTUAL_ENV", "TESTBED_CONFIG_PATH")
    return {name: value for name, value in os.environ.items() if name not in ours} | more


def run(*command: str | Path, cwd: Path | None = None, **environment: str) -> str:
    """Run a command to its end and return what it printed; on failure the test shows all that it said."""
    done = subprocess.run(
        command, cwd=cwd, env=clean_environment(**environment), capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"
    return done.stdout


def pip(*arguments: str | Path) -> None:
    """Run pip: our environment's own, or, where it was made without one, the one on the PATH."""
    own = (sys.executable, "-m", "pip") if importlib.util.find_spec("pip") else ("pip",)
    run(*own, "--disable-pip-version-check", *arguments)


def copy_sources(folder: Path) -> Path:
    """Copy what is built into `folder`, so that a build leaves nothing behind in the checkout."""
    folder.mkdir(parents=True)
    for name in SOURCES:
        if (ROOT / name).is_dir():
            shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(ROOT / name, folder / name)
    return folder
