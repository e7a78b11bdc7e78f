"""Corners without pictures: where `Sight` puts them, and with the errors that OpenCV's detector has in pictures."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from testbed.model.corner_errors import NORMALS
from testbed.model.corners import Corners
from testbed.model.fiducials import Sight
from tests.model.detected import compared
from tests.model.gaze import FACING, a_camera, a_fiducial, a_partner, before, motion, together

LENS = (-0.28, 0.09, 0.0005, -0.0003, 0.01)
CAMERA = a_camera(
    position=(0.13, 0.03, -0.07),
    look=(1.0, 0.05, 0.1),
    distortion=LENS,
    exposure_time=0.004,
    exposure_delay=0.008,
    defocus_px=0.5,
    noise=2.0,
)
FOUR_SIDES = tuple(
    a_fiducial(k, position=(0.131 * x, 0.131 * y, 0.0), normal=(x, y, 0.0))
    for k, (x, y) in enumerate(((1, 0), (0, 1), (-1, 0), (0, -1)))
)


def look(partners, observer, there, seed=None, camera=CAMERA):
    """Sightings of all markers; without a seed free of random errors, and all that is visible found."""
    corners = Corners(camera, partners)
    count = len(corners.fiducials)
    generator = np.random.default_rng(seed)
    normals = np.zeros((count, NORMALS)) if seed is None else generator.standard_normal((count, NORMALS))
    uniforms = np.full(count, -1.0) if seed is None else generator.random(count)
    observers = np.zeros(1, there.dtype)
    observers[0] = observer
    return corners.fiducials, corners.look(observers, there, normals, uniforms).copy()


def drawn_motion(generator, spread):
    """Somewhere near the origin, turned and moving anyhow."""
    position = generator.uniform(-spread, spread, 3)
    return motion(position, Rotation.random(rng=generator), *generator.normal(0.0, 0.2, (2, 3)))


@given(seed=st.integers(0, 9_999))
def test_corners_and_what_hides_them_are_those_of_sight(seed):
    generator = np.random.default_rng(seed)
    partners = [a_partner(*FOUR_SIDES) for _ in range(3)]
    observer, there = drawn_motion(generator, 0.3), together(*(drawn_motion(generator, 1.2) for _ in range(3)))
    expected = {(one.partner, one.fiducial.id): one for one in Sight(CAMERA, partners).corners(observer, there)}
    fiducials, found = look(partners, observer, there)
    for (partner, fiducial), seen in zip(fiducials, found, strict=True):
        sighting = expected.get((partner, fiducial.id))
        assert bool(seen["visible"]) == (sighting is not None and sighting.visible)
        where = np.full((4, 2), np.nan) if sighting is None else sighting.corners
        assert seen["exact"] == pytest.approx(where, rel=1e-9, abs=1e-9, nan_ok=True)
        assert np.isfinite(seen["reported"]).all() == bool(seen["visible"])


def test_what_one_partner_hides_the_other_shows():
    near, far = motion((0.7, 0.0, 0.0), FACING), motion((1.5, 0.0, 0.0), FACING)
    partners = [a_partner(a_fiducial(0)), a_partner(a_fiducial(1))]
    camera = a_camera()
    assert look(partners, motion(), together(near, far), camera=camera)[1]["visible"].tolist() == [1, 0]
    aside = motion((1.5, 0.5, 0.0), FACING)
    assert look(partners, motion(), together(near, aside), camera=camera)[1]["visible"].tolist() == [1, 1]


def test_alone_nobody_is_seen():
    fiducials, found = look([], motion(), together())
    assert fiducials == []
    assert len(found) == 0


def test_the_same_numbers_give_the_same_corners_and_others_do_not():
    there = together(before(CAMERA, a_fiducial(), (0.05, 0.0, 0.7)))
    one, again, other = (look([a_partner()], motion(), there, seed)[1][0]["reported"] for seed in (1, 1, 2))
    assert one.tolist() == again.tolist()
    assert one.tolist() != other.tolist()


def test_errors_have_the_mean_and_the_spread_that_the_sighting_states():
    there = together(before(CAMERA, a_fiducial(), (0.05, 0.0, 0.9), velocity=(0.0, 0.3, 0.0)))
    seen = [look([a_partner()], motion(), there, seed)[1][0] for seed in range(1500)]
    edges = seen[0]["edges"]
    for i in range(4):
        j, normal = (i + 1) % 4, edges["normal"][i]
        ends = np.array([[normal @ (one["reported"][k] - one["exact"][k]) for k in (i, j)] for one in seen])
        middle, tilt = ends.mean(axis=1), 0.5 * (ends[:, 1] - ends[:, 0])
        stated = 2.0 / 3.0 * edges["bow"][i] + edges["offset"][i]
        assert middle.mean() == pytest.approx(stated, abs=4.0 * edges["offset_spread"][i] / np.sqrt(len(seen)))
        assert middle.std() == pytest.approx(edges["offset_spread"][i], rel=0.1)
        assert tilt.std() == pytest.approx(edges["tilt_spread"][i], rel=0.1)


@pytest.mark.parametrize(("depth", "least", "most"), [(0.5, 0.99, 1.0), (5.0, 0.0, 0.1)])
def test_near_markers_are_found_and_far_ones_are_not(depth, least, most):
    there = together(before(CAMERA, a_fiducial(), (0.0, 0.0, depth)))
    seen = look([a_partner()], motion(), there)[1][0]
    assert seen["visible"]
    assert least <= seen["chance"] <= most


def test_a_marker_at_the_border_is_visible_and_not_found():
    side = 320.0 * 0.08 / 0.8
    for room, found in ((0.5, False), (1.5, True)):
        right = (319.5 - 0.5 * side - room - 159.5) / 320.0 * 0.8
        there = together(before(a_camera(), a_fiducial(), (right, 0.0, 0.8)))
        seen = look([a_partner()], motion(), there, camera=a_camera())[1][0]
        assert seen["visible"]
        assert (seen["chance"] > 0.9) == found


def test_errors_and_share_are_those_of_opencv_s_detector_in_rendered_pictures():
    """The short one; tests/prove has a thousand looks and narrower bounds."""
    found = compared(range(5_000, 5_080))
    assert found.found.mean() == pytest.approx(found.chance.mean(), abs=0.08)
    detected, projected = found.sizes(found.detected), found.sizes(found.projected)
    assert np.median(projected) == pytest.approx(np.median(detected), rel=0.25)
    assert found.inwards(found.projected).mean() == pytest.approx(found.inwards(found.detected).mean(), abs=0.015)
