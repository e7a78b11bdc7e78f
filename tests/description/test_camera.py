"""Cameras and fiducials: their frames, and what a file may not say about them."""

from pathlib import Path

import numpy as np
import pytest
from pydantic import ValidationError

from testbed.description.camera import Camera, Fiducial
from testbed.description.load import load
from testbed.description.vehicle import Vehicle
from tests.model.gaze import a_camera, a_fiducial
from tests.model.scene import a_vehicle

CONFIG = Path(__file__).resolve().parents[2] / "config" / "vehicles"
DEMO = [load(path, Vehicle).description for path in sorted(CONFIG.glob("*.yaml"))]


def test_the_optical_frame_has_x_to_the_right_y_down_and_z_forward():
    right, down, forward = a_camera().orientation().T
    assert right == pytest.approx([0.0, -1.0, 0.0])
    assert down == pytest.approx([0.0, 0.0, -1.0])
    assert forward == pytest.approx([1.0, 0.0, 0.0])


def test_any_look_and_up_give_a_right_handed_frame():
    turn = a_camera(look=(1.0, 2.0, -0.5), up=(0.3, 0.0, 2.0)).orientation()
    assert turn.T @ turn == pytest.approx(np.eye(3), abs=1e-15)
    assert np.linalg.det(turn) == pytest.approx(1.0)


def test_the_axis_meets_the_picture_at_the_principal_point():
    ahead = np.array([[0.0, 0.0, 2.0]])
    assert a_camera().project(ahead)[0] == pytest.approx([159.5, 119.5])
    assert a_camera(principal_point=(150.0, 130.5)).project(ahead)[0] == pytest.approx([150.0, 130.5])


def test_pixels_are_focal_lengths_over_depth():
    camera = a_camera(focal_length_px=300.0)
    pixels = camera.project(np.array([[0.2, -0.1, 2.0]]))[0]
    assert pixels - camera.project(np.array([[0.0, 0.0, 1.0]]))[0] == pytest.approx([30.0, -15.0])


def test_what_is_behind_or_beyond_the_lens_has_no_pixel():
    camera = a_camera(distortion=(-0.3, 0.0, 0.0, 0.0, 0.0))
    points = np.array([[0.0, 0.0, -1.0], [5.0, 0.0, 1.0], [0.0, 0.0, 1.0]])
    assert np.isnan(camera.project(points)).any(axis=1).tolist() == [True, True, False]
    assert camera.inside(camera.project(points)).tolist() == [False, False, True]


def test_the_picture_ends_half_a_pixel_beyond_the_outer_centres():
    pixels = np.array([[-0.49, 0.0], [-0.51, 0.0], [319.49, 239.49], [319.51, 0.0], [0.0, 239.51]])
    assert a_camera().inside(pixels).tolist() == [True, False, True, False, False]


def test_corners_of_a_fiducial_go_clockwise_from_the_upper_left_as_seen_from_in_front():
    corners = a_fiducial(side=2.0 * 0.04).corners()
    assert corners - [0.131, 0.0, 0.0] == pytest.approx(
        0.04 * np.array([[0, -1, 1], [0, 1, 1], [0, 1, -1], [0, -1, -1]], float)
    )


def test_the_margin_is_one_cell_wide():
    fiducial = a_fiducial(side=0.06)
    middle = np.array(fiducial.position)
    assert fiducial.plate() - middle == pytest.approx((fiducial.corners() - middle) * 8.0 / 6.0)


def refused(kind, **values):
    """Where and why a description is refused."""
    with pytest.raises(ValidationError) as caught:
        kind(**values)
    (details,) = caught.value.errors()
    error = details["ctx"]["error"]
    return error.at, str(error)


CAMERA = {"position": (0.0, 0.0, 0.0)}
FIDUCIAL = {"id": 1, "position": (0.14, 0.0, 0.0), "normal": (1.0, 0.0, 0.0), "side": 0.05}


@pytest.mark.parametrize(
    ("kind", "values", "at", "allowed"),
    [
        (Camera, CAMERA | {"look": (0.0, 0.0, 0.0)}, "look", "not zero"),
        (Camera, CAMERA | {"look": (0.0, 0.0, -1.0)}, "look", "not that of up, [0.0, 0.0, 1.0]"),
        (Camera, CAMERA | {"principal_point": (400.0, 100.0)}, "principal_point", "320 x 240"),
        (Camera, CAMERA | {"distortion": (-3.0, 0.0, 0.0, 0.0, 0.0)}, "distortion", "undone"),
        (Camera, CAMERA | {"distortion": (0.0, 0.0, 0.0, 0.0, -9.0)}, "distortion", "undone"),
        (Fiducial, FIDUCIAL | {"normal": (0.0, 0.0, 1.0)}, "normal", "not that of up"),
        (Fiducial, FIDUCIAL | {"id": 50}, "id", "0 to 49, the markers of DICT_4X4_50"),
    ],
)
def test_what_cannot_be_is_refused_with_its_place(kind, values, at, allowed):
    where, why = refused(kind, **values)
    assert where == (at,)
    assert allowed in why


def vehicle_with(*fiducials):
    values = a_vehicle().model_dump() | {"fiducials": [one.model_dump() for one in fiducials]}
    return Vehicle.model_validate(values)


@pytest.mark.parametrize("position", [(0.12, 0.0, 0.0), (0.0, 0.131, 0.0)])
def test_a_fiducial_inside_the_body_is_refused(position):
    with pytest.raises(ValidationError, match=r"outside the body: at least 0\.13 m"):
        vehicle_with(a_fiducial(position=position))


def test_two_fiducials_of_a_vehicle_cannot_be_the_same_marker():
    with pytest.raises(ValidationError, match="an id that no other fiducial of DICT_4X4_50 has"):
        vehicle_with(a_fiducial(3), a_fiducial(3, position=(0.131, 0.0, 0.05)))


def test_the_demo_vehicles_see_and_are_seen_and_cannot_be_mistaken_for_each_other():
    seen = [(fiducial.dictionary, fiducial.id) for vehicle in DEMO for fiducial in vehicle.fiducials]
    assert len(set(seen)) == len(seen) == 20
    for vehicle in DEMO:
        assert vehicle.camera is not None


@pytest.mark.parametrize("vehicle", DEMO, ids=lambda vehicle: vehicle.name)
def test_plates_of_the_demo_vehicles_lie_within_the_flat_sides(vehicle):
    lower, upper = vehicle.shape.prism()
    side = np.linalg.norm(upper[1] - upper[0])
    for fiducial in vehicle.fiducials:
        plate = fiducial.plate()
        across = np.cross([0.0, 0.0, 1.0], fiducial.towards())
        assert np.abs(plate @ across).max() <= side / 2.0
        assert lower[0, 2] <= plate[:, 2].min()
        assert plate[:, 2].max() <= upper[0, 2]
