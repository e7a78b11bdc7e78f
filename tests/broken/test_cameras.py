"""Cameras and fiducials that cannot be, and cameras that a plan cannot switch on."""

import shutil

import pytest

from testbed.plan.check import check
from testbed.plan.checks import cameras
from tests.broken.broken import DEMO, LAB, VEHICLE, Broken, assert_told, broken

CAMERA = "camera:\n  position: [0.13, 0.0, 0.0]\n"
FIDUCIAL = "{id: 3, position: [0.131, 0.0, 0.0], normal: [1.0, 0.0, 0.0], side: 0.08}"
BEHIND = "{id: 3, position: [0.131, 0.0, 0.0], normal: [0.0, 1.0, 0.0], side: 0.08}"


def vehicle(text):
    """The vehicle file with this before its limits."""
    return {"limits:\n": f"{text}limits:\n"}


CASES = [
    broken(
        "a camera that looks along its own up",
        VEHICLE,
        vehicle(CAMERA + "  look: [0.0, 0.0, 1.0]\n"),
        "vehicles/wren.yaml:89: camera.look is [0.0, 0.0, 1.0], allowed: a direction that is not that of up, "
        "[0.0, 0.0, 1.0], nor opposite to it",
    ),
    broken(
        "a lens that folds the picture",
        VEHICLE,
        vehicle(CAMERA + "  distortion: [-2.0, 0.0, 0.0, 0.0, 0.0]\n"),
        "vehicles/wren.yaml:89: camera.distortion is [-2.0, 0.0, 0.0, 0.0, 0.0], allowed: what can be undone all over "
        "the picture, with no point moved more than half its way inwards",
    ),
    broken(
        "a fiducial inside the body",
        VEHICLE,
        vehicle(f"fiducials:\n  - {BEHIND}\n"),
        "vehicles/wren.yaml:88: fiducials[0].position is [0.131, 0.0, 0.0], allowed: outside the body: at least 0.13 m "
        "from its centre along the normal",
    ),
    broken(
        "the same marker twice on a vehicle",
        VEHICLE,
        vehicle(f"fiducials:\n  - {FIDUCIAL}\n  - {FIDUCIAL}\n"),
        "vehicles/wren.yaml:89: fiducials[1].id is 3, allowed: an id that no other fiducial of DICT_4X4_50 has",
    ),
    broken(
        "a camera switched on that is not there",
        DEMO,
        {"wren: {file: vehicles/wren.yaml}": "wren: {file: vehicles/wren.yaml, camera: true}"},
        "plans/demo.yaml:15: vehicles.wren.camera is True, allowed: false; vehicles/wren.yaml has no camera",
    ),
]


@pytest.mark.parametrize("case", CASES)
def test_it_is_told(case: Broken, tmp_path, monkeypatch):
    assert_told(case, tmp_path, monkeypatch)


def with_camera_on(folder, monkeypatch, siskin=""):
    """A copy of the lab in which the demo has wren's camera on; `siskin` goes into that vehicle's file."""
    shutil.copytree(LAB, folder / "config")
    monkeypatch.setenv("TESTBED_CONFIG_PATH", str(folder / "config"))
    for name, text in (("wren", CAMERA + f"fiducials:\n  - {FIDUCIAL}\n"), ("siskin", siskin)):
        path = folder / "config" / "vehicles" / f"{name}.yaml"
        path.write_text(path.read_text().replace("limits:\n", f"{text}limits:\n"))
    plan = folder / "config" / "plans" / "demo.yaml"
    plan.write_text(plan.read_text().replace("file: vehicles/wren.yaml", "file: vehicles/wren.yaml, camera: true"))
    return [str(problem).replace(f"{folder}/config/", "") for problem in check(plan)]


def test_a_camera_that_is_there_can_be_switched_on(tmp_path, monkeypatch):
    assert with_camera_on(tmp_path, monkeypatch) == []


def test_with_cameras_on_two_vehicles_cannot_wear_the_same_marker(tmp_path, monkeypatch):
    assert with_camera_on(tmp_path, monkeypatch, f"fiducials:\n  - {FIDUCIAL}\n") == [
        "vehicles/siskin.yaml:88: fiducials[0].id is 3, allowed: an id that wren does not use, for cameras are on"
    ]


def test_a_camera_without_opencv_is_told_with_the_extra_that_brings_it(tmp_path, monkeypatch):
    monkeypatch.setattr(cameras, "find_spec", lambda name: None)
    assert with_camera_on(tmp_path, monkeypatch) == [
        "plans/demo.yaml:15: vehicles.wren.camera is True, allowed: false without OpenCV, which the extra "
        "`vision` brings: pip install 'testbed[vision]'"
    ]
