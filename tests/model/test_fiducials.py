"""Where fiducials are in a picture, and what hides them."""

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.model.fiducials import Sight
from testbed.model.scenery import Body, pose_at
from tests.model.gaze import FACING, SIDE, STILL, a_camera, a_fiducial, a_partner, before, motion, together


def sighted(camera, partner, there, observer=STILL):
    """Sightings of one partner."""
    return Sight(camera, [partner]).corners(observer, together(there))


def test_a_fiducial_straight_ahead_is_where_a_ruler_says():
    camera = a_camera(focal_length_px=320.0)
    (found,) = sighted(camera, a_partner(), before(camera, a_fiducial(), (0.0, 0.0, 0.8)))
    half = 320.0 * SIDE / 2.0 / 0.8
    assert found.visible
    assert found.corners - [159.5, 119.5] == pytest.approx(
        half * np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    )


def test_moving_both_together_changes_nothing():
    camera = a_camera(position=(0.1, 0.02, -0.05), look=(1.0, 0.1, 0.0))
    there = before(camera, a_fiducial(), (0.1, -0.05, 0.9), FACING * Rotation.from_euler("zy", [20.0, 10.0], True))
    (expected,) = sighted(camera, a_partner(), there)
    turn, shift = Rotation.from_euler("ZYX", [70.0, -20.0, 130.0], True), np.array([1.0, -2.0, 0.5])
    observer = motion(shift, turn)
    moved = motion(turn.apply(there["position"]) + shift, turn * Rotation.from_quat(there["orientation"]))
    (found,) = sighted(camera, a_partner(), moved, observer)
    assert found.corners == pytest.approx(expected.corners, abs=1e-9)


def test_a_fiducial_on_the_far_side_is_not_sighted():
    camera = a_camera()
    assert sighted(camera, a_partner(), motion((1.0, 0.0, 0.0))) == []
    assert len(sighted(camera, a_partner(), motion((1.0, 0.0, 0.0), FACING))) == 1


@pytest.mark.parametrize(
    ("point", "visible"), [((0.4, 0.0, 1.0), True), ((0.48, 0.0, 1.0), False), ((0.9, 0.0, 1.0), False)]
)
def test_a_fiducial_is_visible_while_all_of_it_is_in_the_picture(point, visible):
    camera = a_camera()
    found = sighted(camera, a_partner(), before(camera, a_fiducial(), point))
    assert [one.visible for one in found] == [visible]


def test_behind_the_camera_nothing_is_visible():
    camera = a_camera()
    assert not any(one.visible for one in sighted(camera, a_partner(), motion((-1.0, 0.0, 0.0))))


def test_a_nearer_vehicle_hides_what_is_behind_it_and_shows_its_own():
    camera, near, far = a_camera(), a_partner(a_fiducial(1)), a_partner(a_fiducial(2))
    row = together(motion((0.8, 0.0, 0.0), FACING), motion((1.6, 0.0, 0.0), FACING))
    found = {one.fiducial.id: one.visible for one in Sight(camera, [near, far]).corners(STILL, row)}
    assert found == {1: True, 2: False}
    aside = together(motion((0.8, 0.25, 0.0), FACING), motion((1.6, 0.0, 0.0), FACING))
    assert all(one.visible for one in Sight(camera, [near, far]).corners(STILL, aside))


def test_one_hidden_corner_is_enough():
    camera, near, far = a_camera(), a_partner(a_fiducial(1)), a_partner(a_fiducial(2))
    # the near vehicle's left side ends at y = -0.13 + 0.14 in front of the far one's right half
    row = together(motion((0.8, -0.12, 0.0), FACING), motion((1.6, 0.0, 0.0), FACING))
    found = {one.fiducial.id: one.visible for one in Sight(camera, [near, far]).corners(STILL, row)}
    assert found[2] is False


def test_with_a_delay_a_fiducial_is_seen_where_it_was():
    camera, late = a_camera(), a_camera(exposure_delay=0.05)
    there = before(camera, a_fiducial(), (0.1, 0.0, 1.0), velocity=(0.0, 0.2, 0.0))
    (now,), (then,) = sighted(camera, a_partner(), there), sighted(late, a_partner(), there)
    # it faces the observer, so its left is to the right in the picture
    assert (now.corners - then.corners)[:, 0] == pytest.approx(np.full(4, 320.0 * 0.2 * 0.05))
    assert (now.corners - then.corners)[:, 1] == pytest.approx(np.zeros(4), abs=1e-9)


def test_a_pose_is_carried_along_by_its_twist():
    turning = motion((1.0, 2.0, 3.0), Rotation.from_euler("z", 90.0, True), velocity=(0.1, 0.0, 0.0), rate=(0, 0, 0.2))
    pose = pose_at(turning, 0.5)
    assert pose.position == pytest.approx([1.0, 2.05, 3.0])
    assert pose.rotation == pytest.approx(Rotation.from_euler("z", 90.0 + math.degrees(0.1), True).as_matrix())
    back = pose.inverse().of(pose)
    assert back.position == pytest.approx(np.zeros(3), abs=1e-12)
    assert back.rotation == pytest.approx(np.eye(3), abs=1e-12)


def test_a_body_hides_what_lies_behind_it_and_nothing_else():
    body = Body(a_partner())
    eye = np.array([1.0, 0.0, 0.0])
    points = np.array([[-1.0, 0.0, 0.0], [0.131, 0.0, 0.0], [-1.0, 0.5, 0.0], [-1.0, 0.0, 0.5], [2.0, 0.0, 0.0]])
    assert body.hides(eye, points).tolist() == [True, False, False, False, False]
    assert body.hides(eye, np.array([[0.0, 0.0, 0.0]])).tolist() == [True], "inside"


def test_every_corner_of_a_prism_lies_on_three_of_its_faces():
    body = Body(a_partner())
    out = body.corners @ body.normals.T - body.depths
    assert out.max() == pytest.approx(0.0, abs=1e-12)
    assert (np.abs(out) < 1e-12).sum(axis=1).tolist() == [3] * len(body.corners)
