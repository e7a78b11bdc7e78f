"""The launch file, where launch_ros is installed: it comes with an apt ROS 2 and has no wheel."""

import importlib.util
import json
import os
import sys
from pathlib import Path

import pytest

pytest.importorskip("launch_ros", reason="launch_ros comes with an apt ROS 2 only")

from launch import LaunchDescription, LaunchService
from launch.actions import IncludeLaunchDescription
from launch.launch_description_sources import PythonLaunchDescriptionSource

LAUNCH_FILE = Path(__file__).parents[2] / "launch" / "rehearsal.launch.py"


def launched_with(arguments: dict[str, str]) -> list[str]:
    """Launch the file against a stand-in for lib/testbed/testbed that writes down how it was called."""
    include = IncludeLaunchDescription(
        PythonLaunchDescriptionSource(str(LAUNCH_FILE)), launch_arguments=arguments.items()
    )
    service = LaunchService(noninteractive=True)
    service.include_launch_description(LaunchDescription([include]))
    assert service.run() == 0
    return json.loads(Path(os.environ["CALLED_WITH"]).read_text())


@pytest.fixture(autouse=True)
def stand_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    mark = tmp_path / "share/ament_index/resource_index/packages/testbed"
    command = tmp_path / "lib/testbed/testbed"
    for path in (mark, command):
        path.parent.mkdir(parents=True)
    mark.touch()
    write = "import json, os, sys\nopen(os.environ['CALLED_WITH'], 'w').write(json.dumps(sys.argv[1:]))\n"
    command.write_text(f"#!{sys.executable}\n{write}")
    command.chmod(0o755)
    monkeypatch.setenv("AMENT_PREFIX_PATH", str(tmp_path))
    monkeypatch.setenv("CALLED_WITH", str(tmp_path / "called_with"))


def test_without_arguments_the_command_uses_its_own_defaults():
    assert launched_with({}) == ["rehearse"]


def test_given_arguments_become_the_options_of_the_command():
    arguments = {"plan": "my plan.yaml", "speed": "4", "seed": "7"}
    assert launched_with(arguments) == ["rehearse", "my plan.yaml", "--speed", "4", "--seed", "7"]


def test_every_option_is_declared_and_described():
    spec = importlib.util.spec_from_file_location("rehearsal_launch", LAUNCH_FILE)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    declared = module.generate_launch_description().get_launch_arguments()
    assert {argument.name for argument in declared} == {"plan", *module.OPTIONS}
    assert all(argument.description for argument in declared)
