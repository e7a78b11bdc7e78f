"""Describe the package to pip and to colcon.

Both read this one file, and three things differ. Under colcon every node is an executable of its own in lib/testbed
(setup.cfg says where) for `ros2 run testbed estimator`; pip puts only `testbed` on the PATH. An editable install leaves
config/ and launch/ in the checkout, so that a copy never hides what a person has just edited. And rclpy is an extra,
`ros`, because under an apt ROS 2 it is there already and must not be installed twice.
"""

import ast
import sys
from pathlib import Path

from setuptools import find_packages, setup

HERE = Path(__file__).parent
NODES = ("plant", "estimator", "guidance", "thruster_driver", "vehicle", "formation", "conductor", "recorder")

CORE = [
    "numpy>=2.0",
    "scipy>=1.12",
    "numba>=0.61",
    "transforms3d>=0.4.2",
    "pydantic>=2.7",
    "ruamel.yaml>=0.18",
    "typer>=0.15",
    "rich>=13.7",
    "rosbags>=0.10",
    "mcap>=1.2",
    "matplotlib>=3.8",
    "jinja2>=3.1",
    "clarabel>=0.9",
]
EXTRAS = {
    "ros": ["ros-rclpy~=9.1", "ros-rmw-fastrtps-cpp~=9.3", "ros-common-interfaces~=5.5"],
    "hardware": ["pyserial", "cobs", "crc"],
    "vision": ["opencv-python-headless"],
    "campaign": ["pyarrow", "SALib"],
    "cluster": ["distributed"],
    "console": ["nicegui"],
    "dev": [
        "opencv-python-headless",
        "mujoco",
        "CoolProp",
        "filterpy",
        "allantools",
        "hypothesis",
        "mypy",
        "ruff",
        "playwright",
        "pytest",
        "pytest-timeout",
    ],
}


def version() -> str:
    """Read `__version__` without importing the package, whose dependencies may not be there yet."""
    for line in (HERE / "testbed/__init__.py").read_text(encoding="utf-8").splitlines():
        if line.startswith("__version__ = "):
            return str(ast.literal_eval(line.partition(" = ")[2]))
    raise SystemExit("testbed/__init__.py has no line that begins with __version__ =")


def shared_files() -> list[tuple[str, list[str]]]:
    """List what goes to share/: the mark by which ROS finds the package, its manifest, launch files, configuration."""
    files = [
        ("share/ament_index/resource_index/packages", ["resource/testbed"]),
        ("share/testbed", ["package.xml"]),
        ("share/testbed/launch", sorted(str(path.relative_to(HERE)) for path in (HERE / "launch").glob("*.py"))),
    ]
    configuration = [path for path in (HERE / "config").rglob("*") if path.is_file() and path.suffix != ".pyc"]
    for folder in sorted({path.parent.relative_to(HERE) for path in configuration}):
        inside = sorted(str(path.relative_to(HERE)) for path in configuration if path.parent == HERE / folder)
        files.append((f"share/testbed/{folder}", inside))
    return files


colcon = "install" in sys.argv or "develop" in sys.argv
editable = "editable_wheel" in sys.argv
executables = ["testbed = testbed.cli.app:main"]
if colcon:
    executables += [f"{node} = testbed.cli.node:executable" for node in NODES]

setup(
    name="testbed",
    version=version(),
    description="Testbed for small free-flying vehicles: one guidance, estimator and thruster code on every plant",
    author="testbed maintainers",
    packages=find_packages(include=["testbed", "testbed.*"]),
    package_data={
        "testbed": [
            "py.typed",
            "**/*.html",
            "**/*.jinja",
            "**/*.css",
            "**/*.js",
            "**/*.svg",
            "**/*.xml",
            "**/*.c",
            "**/*.h",
            "**/*.npz",
        ]
    },
    data_files=[] if editable else shared_files(),
    python_requires=">=3.11",
    install_requires=CORE,
    extras_require=EXTRAS,
    entry_points={"console_scripts": executables},
    zip_safe=False,
)
