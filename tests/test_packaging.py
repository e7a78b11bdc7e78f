"""The package as pip installs it: its version, its commands, what it ships, and what it needs."""

import ast
import re
import sys
import sysconfig
import xml.etree.ElementTree as ElementTree
from importlib.metadata import Distribution
from pathlib import Path

import pytest

import testbed
from testbed.cli.node import Node
from tests.building import CONFIGURATION, ROOT, copy_sources, pip, run


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A new environment with the built wheel in it, and with our dependencies but not our editable testbed."""
    folder = tmp_path_factory.mktemp("wheel")
    pip("wheel", "--quiet", "--no-deps", "--wheel-dir", folder, copy_sources(folder / "sources"))
    (wheel,) = folder.glob("*.whl")
    run(sys.executable, "-m", "venv", "--without-pip", folder / "venv")
    site = folder / f"venv/lib/python{sys.version_info.major}.{sys.version_info.minor}/site-packages"
    # A path line makes the folder's packages importable and leaves its own .pth files alone: no editable install.
    (site / "dependencies.pth").write_text(f"{sysconfig.get_path('purelib')}\n")
    pip("--python", folder / "venv/bin/python", "install", "--quiet", "--no-deps", "--no-index", wheel)
    return folder / "venv"


def test_version_and_description_are_the_same_in_package_xml_setup_and_package(installed):
    manifest = ElementTree.parse(ROOT / "package.xml").getroot()
    (metadata,) = (Distribution.at(path).metadata for path in installed.glob("lib/python*/site-packages/*.dist-info"))
    assert manifest.findtext("version") == metadata["Version"] == testbed.__version__
    assert manifest.findtext("description") == f"{metadata['Summary']}."


def test_package_xml_names_every_message_package_that_is_imported():
    declared = {element.text for element in ElementTree.parse(ROOT / "package.xml").getroot().iter("exec_depend")}
    text = "\n".join(path.read_text(encoding="utf-8") for path in (ROOT / "testbed").rglob("*.py"))
    imported = set(re.findall(r"^\s*(?:from|import) (\w+_msgs|\w+_interfaces|std_srvs|rclpy)\b", text, re.MULTILINE))
    assert imported - {"tf2_msgs"} <= declared  # tf2_msgs is used where it is installed


def test_every_node_is_an_executable_for_ros2_run():
    (nodes,) = [
        ast.literal_eval(statement.value)
        for statement in ast.parse((ROOT / "setup.py").read_text()).body
        if isinstance(statement, ast.Assign) and statement.targets[0].id == "NODES"
    ]
    assert set(nodes) == set(Node)


def test_every_folder_with_sources_is_a_package():
    folders = {path.parent for path in (ROOT / "testbed").rglob("*.py")}
    assert [folder for folder in folders if not (folder / "__init__.py").is_file()] == []


def test_testbed_is_the_only_command_that_the_wheel_puts_on_the_path(installed):
    commands = {path.name for path in (installed / "bin").iterdir()}
    assert {name for name in commands if not re.match(r"python|[Aa]ctivate", name)} == {"testbed"}


def test_the_installed_command_answers_with_its_version(installed):
    assert run(installed / "bin/testbed", "--version").split() == ["testbed", testbed.__version__]
    assert "Usage" in run(installed / "bin/testbed", "--help")


def test_the_wheel_brings_its_own_package_and_not_the_checkout(installed):
    where = run(installed / "bin/python", "-P", "-c", "import testbed; print(testbed.__file__)").strip()
    assert Path(where).is_relative_to(installed)


def test_every_file_of_the_package_is_in_the_wheel(installed):
    def files(folder: Path) -> set[str]:
        return {str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file() and path.suffix != ".pyc"}

    (package,) = installed.glob("lib/python*/site-packages/testbed")
    assert files(package) == files(installed.parent / "sources/testbed")


def test_every_configuration_file_is_found_from_the_wheel(installed):
    assert CONFIGURATION
    find = "import sys; from testbed.description.locate import locate; print(*map(locate, sys.argv[1:]), sep='\\n')"
    found = run(installed / "bin/python", "-P", "-c", find, *map(str, CONFIGURATION)).splitlines()
    assert found == [str(installed / "share/testbed/config" / name) for name in CONFIGURATION]


def test_ros_finds_the_installed_package_and_its_launch_files(installed):
    assert (installed / "share/ament_index/resource_index/packages/testbed").is_file()
    assert (installed / "share/testbed/package.xml").is_file()
    assert (installed / "share/testbed/launch/rehearsal.launch.py").is_file()


def test_an_editable_install_copies_no_configuration_that_could_hide_an_edited_one(tmp_path):
    sources = copy_sources(tmp_path / "sources")
    run(sys.executable, "-m", "venv", "--without-pip", tmp_path / "venv")
    python = tmp_path / "venv/bin/python"
    pip("--python", python, "install", "--quiet", "--no-deps", "--editable", sources)
    find = "from testbed.description.locate import locate; print(locate('plans'))"
    assert run(python, "-P", "-c", find).strip() == str(sources / "config/plans")
    assert not (tmp_path / "venv/share").exists()
