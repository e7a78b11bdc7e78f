"""A real `colcon build`, and what a sourced workspace then offers to `ros2 run` and `ros2 launch`."""

import fcntl
import hashlib
import os
import subprocess
import sys
import sysconfig
from pathlib import Path

import pytest

import testbed
from testbed.cli.node import Node
from testbed.kernels import user_cache
from tests.building import CONFIGURATION, ROOT, copy_sources, pip, run

# colcon-core 0.21 calls `setup.py develop` and `install`, which setuptools 80 no longer has in that form.
REQUIREMENTS = ("colcon-common-extensions==0.3.0", "setuptools<80")


@pytest.fixture(scope="module")
def colcon() -> Path:
    """The Python of an environment with colcon, made once per user and kept."""
    key = hashlib.sha256(repr((sys.version, sys.prefix, REQUIREMENTS)).encode()).hexdigest()[:12]
    folder = user_cache() / f"colcon-{key}"
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (folder / "complete").exists():
            run(sys.executable, "-m", "venv", "--clear", "--without-pip", folder / "venv")
            pip("--python", folder / "venv/bin/python", "install", "--quiet", *REQUIREMENTS)
            (folder / "complete").touch()
    return folder / "venv/bin/python"


@pytest.fixture(scope="module", params=["copied", "symlinked"])
def prefix(request: pytest.FixtureRequest, colcon: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The install prefix of testbed in a workspace that was built just now."""
    workspace = tmp_path_factory.mktemp("workspace")
    copy_sources(workspace / "src/testbed")
    options = ["--symlink-install"] if request.param == "symlinked" else []
    run(colcon, "-m", "colcon", "--log-base", workspace / "log", "build", *options, cwd=workspace)
    return workspace / "install/testbed"


def sourced(prefix: Path, command: str) -> str:
    """Run a command in a shell that has sourced the workspace; our dependencies stand in for those from apt."""
    libraries = sysconfig.get_path("purelib")
    script = f'source {prefix.parent}/setup.bash; export PYTHONPATH="$PYTHONPATH:{libraries}"; cd /; {command}'
    return run("bash", "-ec", script)


def test_every_node_and_the_command_are_executables_in_lib(prefix):
    executables = {path.name for path in (prefix / "lib/testbed").iterdir() if os.access(path, os.X_OK)}
    assert executables == {"testbed", *Node}


def test_every_configuration_file_is_installed(prefix):
    installed = (prefix / "share/testbed/config").rglob("*.yaml")
    assert sorted(path.relative_to(prefix / "share/testbed/config") for path in installed) == CONFIGURATION


def test_ros_finds_the_package_and_its_launch_file(prefix):
    assert (prefix / "share/ament_index/resource_index/packages/testbed").is_file()
    assert (prefix / "share/testbed/package.xml").is_file()
    assert (prefix / "share/testbed/launch/rehearsal.launch.py").is_file()


def test_the_command_runs_from_the_workspace(prefix):
    assert sourced(prefix, f"{prefix}/lib/testbed/testbed --version").split() == ["testbed", testbed.__version__]


def test_configuration_is_found_in_the_workspace(prefix):
    find = "from testbed.description.locate import locate; print(locate('plans/demo.yaml'))"
    python = (prefix / "lib/testbed/testbed").read_text().splitlines()[0].removeprefix("#!")
    found = Path(sourced(prefix, f'{python} -P -c "{find}"').strip())
    assert found == prefix / "share/testbed/config/plans/demo.yaml"


def test_an_executable_starts_the_node_it_is_named_after(prefix, tmp_path):
    executable = prefix / "lib/testbed/plant"
    with_stand_in = tmp_path / "with_stand_in.py"
    with_stand_in.write_text(
        "import runpy, sys, types\n"
        "sys.modules['testbed.nodes.plant'] = types.SimpleNamespace(main=print)\n"
        "del sys.argv[0]\n"
        "runpy.run_path(sys.argv[0], run_name='__main__')\n"
    )
    python = executable.read_text().splitlines()[0].removeprefix("#!")
    called = sourced(prefix, f"{python} -P {with_stand_in} {executable} --ros-args -r __ns:=/wren")
    assert called.strip() == "['--ros-args', '-r', '__ns:=/wren']"


def test_building_leaves_nothing_in_the_checkout(prefix):
    status = subprocess.run(
        ["git", "status", "--short", "--ignored"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    left = {line.split()[-1] for line in status.stdout.splitlines()}
    assert left.isdisjoint({"build/", "install/", "log/"})
