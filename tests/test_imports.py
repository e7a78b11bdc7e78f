"""Which part of the package may import which, read from the sources; what is imported inside a function counts too."""

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import testbed

PACKAGE = Path(testbed.__file__).parent
ROS = (
    "rclpy",
    "rcl_interfaces",
    "builtin_interfaces",
    "rosgraph_msgs",
    "std_srvs",
    "launch",
    "launch_ros",
    "ament_index_python",
)
VISION = {"cv2"}
SEEING = ("testbed/model/camera.py", "testbed/flight/sight/detection.py", "testbed/flight/sight/pose.py")
"""Nothing but these needs it: see tests/model/test_camera.py and tests/flight/sight/test_pictures.py."""
NUMERICAL = {"numpy", "scipy", "numba", "transforms3d"}

# The parts of testbed that each folder may import. record/ is pure in what rehearsal/ uses of it (files, no ROS).
MAY_IMPORT = {
    "description": {"description"},
    "model": {"description", "model"},
    "flight": {"description", "flight"},
    "plan": {"description", "flight", "plan"},
    "rehearsal": {"description", "model", "flight", "plan", "rehearsal", "record"},
}
LIBRARIES = {"model": NUMERICAL | VISION, "flight": NUMERICAL | VISION | {"clarabel"}}


def imports(folder: str) -> Iterator[tuple[str, str]]:
    """Every module imported in the folder's files, with the place of the import."""
    for path in sorted((PACKAGE / folder).rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            place = f"{path.relative_to(PACKAGE.parent)}:{getattr(node, 'lineno', 0)}"
            if isinstance(node, ast.Import):
                yield from ((alias.name, place) for alias in node.names)
            elif isinstance(node, ast.ImportFrom):
                assert node.level == 0, f"{place}: relative import"
                if node.module == "testbed":
                    yield from ((f"testbed.{alias.name}", place) for alias in node.names)
                else:
                    yield node.module, place


def is_ros(module: str) -> bool:
    top = module.partition(".")[0]
    return top in ROS or top.endswith("_msgs")


@pytest.mark.parametrize("folder", MAY_IMPORT)
def test_physics_flight_plan_and_engine_know_nothing_of_ros(folder):
    assert [place for module, place in imports(folder) if is_ros(module)] == []


@pytest.mark.parametrize(("folder", "allowed"), MAY_IMPORT.items(), ids=MAY_IMPORT)
def test_imports_point_upward(folder, allowed):
    wrong = []
    for module, place in imports(folder):
        parts = module.split(".")
        if parts[0] == "testbed" and len(parts) > 1 and (PACKAGE / parts[1]).is_dir() and parts[1] not in allowed:
            wrong.append(f"{place} imports {module}")
    assert wrong == []


@pytest.mark.parametrize(("folder", "allowed"), LIBRARIES.items(), ids=LIBRARIES)
def test_components_use_numerical_libraries_only(folder, allowed):
    allowed = {"testbed", *allowed, *sys.stdlib_module_names}
    assert [place for module, place in imports(folder) if module.partition(".")[0] not in allowed] == []


def test_only_cameras_and_what_looks_into_pictures_need_opencv():
    places = [place for folder in MAY_IMPORT for module, place in imports(folder) if module in VISION]
    assert sorted(place.partition(":")[0] for place in places) == sorted(SEEING)


@pytest.mark.parametrize("module", ["rclpy", "numba", "scipy", "matplotlib", "rosbags", "pydantic"])
def test_the_package_itself_loads_none_of_its_libraries(module):
    check = f"import sys, testbed; sys.exit({module!r} in sys.modules)"
    assert subprocess.run([sys.executable, "-c", check], check=False).returncode == 0
