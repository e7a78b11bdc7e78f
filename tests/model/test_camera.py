"""Pictures: what is drawn in front of what, and that the same is drawn again."""

import subprocess
import sys

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.model.camera import BACKGROUND, MOST_MOMENTS, Camera
from testbed.model.draws import Draws
from tests.model.gaze import FACING, STILL, a_camera, a_fiducial, a_partner, before, motion, together


def picture(camera, partners, *there, observer=STILL, seed=0, dark=False):
    """What the camera makes of partners that are there."""
    return Camera(camera, partners).render(observer, together(*there), np.random.default_rng(seed), dark)


def test_an_empty_hall_is_grey_all_over():
    image = picture(a_camera(), [])
    assert image.shape == (240, 320)
    assert image.dtype == np.uint8
    assert (image == BACKGROUND).all()


def test_the_same_generator_gives_the_same_picture():
    camera = a_camera(noise=2.0, defocus_px=0.5, exposure_time=0.005, distortion=(-0.2, 0.05, 0.0, 0.0, 0.0))
    there = motion((0.8, 0.1, 0.0), FACING, velocity=(0.0, 0.3, 0.0))
    one, again, other = (picture(camera, [a_partner()], there, seed=seed) for seed in (1, 1, 2))
    assert np.array_equal(one, again)
    assert not np.array_equal(one, other)


def test_each_vehicle_and_picture_has_noise_of_its_own_whatever_else_is_drawn():
    draws, others = Draws(1, 0, 2), Draws(1, 0, 2)
    others.imu(7)
    others.camera(0, 4).standard_normal(3)
    first = draws.camera(0, 3).standard_normal(5)
    assert np.array_equal(others.camera(0, 3).standard_normal(5), first)
    for changed in (draws.camera(1, 3), draws.camera(0, 4), Draws(1, 1, 2).camera(0, 3), Draws(2, 0, 2).camera(0, 3)):
        assert not np.array_equal(changed.standard_normal(5), first)


def test_a_body_covers_as_many_pixels_as_its_outline():
    image = picture(a_camera(focal_length_px=300.0), [a_partner(a_fiducial(side=0.01))], motion((2.0, 0.0, 0.0)))
    seen = np.argwhere(image != BACKGROUND)
    rows, columns = np.ptp(seen, axis=0) + 1
    # its near face is 1.87 m away; its widest edges, half a side length off that middle, 1.946 m
    for count, size in ((rows, 300.0 * 0.26 / 1.87), (columns, 300.0 * 0.26 / 1.946)):
        assert size < count < size + 2.0, "pixels at both ends may be covered in part"


def test_every_visible_side_has_a_shade_of_its_own():
    image = picture(a_camera(), [a_partner(a_fiducial(side=0.01))], motion((0.8, 0.0, -0.3)))
    levels, counts = np.unique(image, return_counts=True)
    assert (counts[levels > BACKGROUND] > 150).sum() == 4, "three sides and the top"


def test_a_nearer_vehicle_covers_a_farther_one_in_whatever_order_they_come():
    camera, near, far = a_camera(), a_partner(a_fiducial(1)), a_partner(a_fiducial(2))
    places = motion((0.8, 0.0, 0.0), FACING), motion((1.6, 0.0, 0.0), FACING)
    alone = picture(camera, [near], places[0])
    assert np.array_equal(picture(camera, [near, far], *places), alone)
    assert np.array_equal(picture(camera, [far, near], *places[::-1]), alone)


def test_the_back_of_a_marker_is_not_drawn():
    with_marker, without = a_partner(a_fiducial()), a_partner(a_fiducial(position=(-0.131, 0, 0), normal=(-1, 0, 0)))
    away, aside = motion((0.8, 0.0, 0.0)), motion((0.8, 0.0, 0.0), Rotation.from_euler("z", 90.0, True))
    for turned in (aside, away):
        plain = picture(a_camera(), [a_partner(a_fiducial(side=1e-6))], turned)
        assert np.array_equal(picture(a_camera(), [with_marker], turned), plain)
    assert not np.array_equal(picture(a_camera(), [without], away), plain)


def test_markers_half_outside_the_picture_or_behind_the_camera_do_no_harm():
    camera = a_camera(distortion=(-0.28, 0.09, 0.0, 0.0, 0.0))
    whole = Camera(camera, [a_partner()])
    for x in np.linspace(-0.4, 1.0, 15):
        for turn in (0.0, 60.0, 180.0):
            there = motion((x, 0.1, 0.05), Rotation.from_euler("ZYX", [turn, 15.0, -20.0], True))
            assert whole.render(STILL, together(there), np.random.default_rng(0)).shape == (240, 320)


def test_a_body_around_the_camera_fills_the_picture():
    image = picture(a_camera(), [a_partner()], motion((0.28, 0.0, 0.0), FACING))
    assert (image[:, [0, -1]] == BACKGROUND).mean() < 0.5
    assert not (image[100:140] == BACKGROUND).any()


def test_in_the_dark_a_picture_holds_only_the_dark_level_and_noise():
    there = motion((0.8, 0.0, 0.0), FACING)
    assert (picture(a_camera(dark_level=12.0), [a_partner()], there, dark=True) == 12).all()
    noisy = picture(a_camera(dark_level=12.0, noise=2.0), [a_partner()], there, dark=True)
    assert noisy.mean() == pytest.approx(12.0, abs=0.05)


def test_an_exposure_is_cut_finely_enough_and_not_without_end():
    there = before(a_camera(), a_fiducial(), (0.0, 0.0, 0.8), velocity=(0.0, 0.25, 0.0))
    for time, least, most in ((0.0, 1, 1), (0.01, 4, 6), (0.1, MOST_MOMENTS, MOST_MOMENTS)):
        camera = Camera(a_camera(exposure_time=time, exposure_delay=0.02), [a_partner()])
        moments = camera._moments(STILL, together(there))
        assert least <= len(moments) <= most, time
        assert np.mean(moments) == pytest.approx(-0.02)
        assert np.ptp(moments) <= time


WITHOUT = "import sys; sys.modules['cv2'] = None\n"


def test_without_opencv_a_camera_says_which_extra_it_needs():
    found = subprocess.run(
        [sys.executable, "-c", WITHOUT + "import testbed.model.camera"], capture_output=True, text=True, check=False
    )
    assert found.stderr.splitlines()[-1] == (
        "ImportError: cameras need OpenCV, which the extra `vision` brings: pip install 'testbed[vision]'"
    )


def test_a_session_without_a_camera_never_loads_opencv():
    check = WITHOUT + (
        "from pathlib import Path\n"
        "from testbed.plan.configuration import load_configuration\n"
        "from testbed.rehearsal.cameras import Cameras\n"
        "import testbed.rehearsal.lockstep, testbed.model.fiducials\n"
        "from testbed.description.locate import locate\n"
        "assert Cameras(load_configuration(locate('plans/first-float.yaml')), None, None).indices == ()\n"
    )
    found = subprocess.run([sys.executable, "-c", check], capture_output=True, text=True, check=False)
    assert found.returncode == 0, found.stderr
