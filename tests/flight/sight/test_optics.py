"""Pixels against OpenCV's projectPoints, and derivatives against differences."""

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.flight.sight import optics
from testbed.flight.sight.edges import _believed_line, measure
from testbed.flight.sight.layout import ERRORS, LOOK, ROWS, STATE
from testbed.flight.sight.update import move
from testbed.model.corner_errors import NORMALS
from testbed.model.corners import Corners
from tests.flight.sight.looking import CAMERA, LENS, PARTNER, an_estimator, set_track, shifted
from tests.model.gaze import STILL, motion, together

SMALL = 1e-6


def a_track(seed):
    state = np.zeros(1, STATE)
    track = state["anchor"].copy()
    set_track(track[0], np.random.default_rng(seed))
    return track


@pytest.mark.parametrize("seed", range(5))
def test_pixels_are_those_of_opencv(seed):
    track, p = a_track(seed), an_estimator().parameters[0]
    one, k1 = track[0], LENS[0] + track[0]["distortion"]
    axes = Rotation.from_rotvec(one["mount"]).as_matrix() @ CAMERA.orientation()
    turn = axes.T @ Rotation.from_quat(one["orientation"]).as_matrix()
    place = axes.T @ (one["position"] - CAMERA.position - one["lens"])
    matrix = CAMERA.matrix()
    matrix[0, 0] = matrix[1, 1] = 320.0 * (1.0 + one["focal"])
    matrix[:2, 2] += one["centre"]
    points = p["corner"][:2].reshape(-1, 3)
    expected, _ = cv2.projectPoints(points, cv2.Rodrigues(turn)[0], place, matrix, np.array([k1, *LENS[1:]]))
    found = [optics.project(p, one, point) for point in points]
    assert np.array(found) == pytest.approx(expected[:, 0], abs=1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_the_gradient_of_a_pixel_is_that_of_differences(seed):
    track, p = a_track(seed), an_estimator().parameters[0]
    point, slopes = p["corner"][1, 2].copy(), np.zeros((2, ERRORS))
    optics.gradient(p, track[0], point, slopes)
    for e in range(ERRORS):
        ahead, behind = (optics.project(p, shifted(move, track, e, h)[0], point) for h in (SMALL, -SMALL))
        expected = (np.array(ahead) - behind) / (2.0 * SMALL)
        # a mounting that has been turned already turns on about slightly other axes
        assert slopes[:, e] == pytest.approx(expected, rel=5e-3, abs=2.0), e


def test_behind_the_lens_nothing_is_seen():
    track, p = a_track(0), an_estimator().parameters[0]
    track[0]["position"] = (-1.0, 0.0, 0.0)
    assert np.isnan(optics.project(p, track[0], p["corner"][0, 0].copy())).all()


def seen_by_emulator(seed):
    """A partner at rest before a still observer: its motion, and what the emulator's detector sees of it."""
    generator = np.random.default_rng(seed)
    turn = Rotation.from_euler("zyx", generator.uniform((100.0, -20.0, -20.0), (170.0, 20.0, 20.0)), degrees=True)
    there = motion(generator.uniform((0.6, -0.1, -0.1), (1.6, 0.1, 0.1)), turn)
    observer = np.zeros(1, there.dtype)
    observer[0] = STILL
    corners = Corners(CAMERA, [PARTNER])
    count = len(PARTNER.fiducials)
    seen = corners.look(observer, together(there), np.zeros((count, NORMALS)), np.full(count, -1.0)).copy()
    track = np.zeros(1, STATE)["anchor"].copy()
    track[0]["position"], track[0]["orientation"] = there["position"], there["orientation"]
    return track, seen


@pytest.mark.parametrize("seed", range(6))
def test_without_noise_the_emulator_s_corners_leave_no_residual(seed):
    """Bow of the edges by the lens and pull of the cells are believed as they are."""
    track, seen = seen_by_emulator(seed)
    look, rows = np.zeros(1, LOOK), np.zeros(1, ROWS)
    found = [k for k, one in enumerate(seen) if one["detected"]]
    look[0]["count"] = len(found)
    for row, k in enumerate(found):
        look[0]["marker"][row], look[0]["corners"][row] = k, seen[k]["reported"]
    measure(an_estimator().parameters[0], track[0], look[0], np.zeros(3), rows[0])
    assert rows[0]["count"] == 8 * len(found) > 0
    assert rows[0]["residual"][: rows[0]["count"]] == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("seed", range(6))
def test_the_believed_noise_of_an_edge_is_about_that_of_the_emulator_s_detector(seed):
    """Light on the marker is not believed: contrast is taken as that of a hall."""
    p = an_estimator().parameters[0]
    for one in seen_by_emulator(seed)[1]:
        if not one["detected"]:
            continue
        corner = one["exact"]
        area = 0.5 * abs(np.cross(np.append(corner[2] - corner[0], 0), np.append(corner[3] - corner[1], 0))[2])
        for i in range(4):
            length = np.linalg.norm(corner[(i + 1) % 4] - corner[i])
            mean, offset, tilt = _believed_line(p, area, length, 6.0, 0.0)
            assert mean == pytest.approx(one["edges"]["offset"][i], rel=1e-9)
            assert np.sqrt(offset) == pytest.approx(one["edges"]["offset_spread"][i], rel=0.25)
            assert np.sqrt(tilt) == pytest.approx(one["edges"]["tilt_spread"][i], rel=0.25)
