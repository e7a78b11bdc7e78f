"""Each imperfection of the camera alone, measured in its pictures, against its closed form."""

import numpy as np
import pytest

from testbed.description.effects import Effect
from testbed.model.camera import BACKGROUND, BLACK, WHITE, Camera
from tests.model.effects.alone import world_with
from tests.model.gaze import STILL, a_camera, a_fiducial, a_partner, before, together

FOCAL_LENGTH = 320.0
DISTANCE = 0.6
MARKER = a_fiducial(side=0.3)
"""Cells 27 pixels wide: each edge of the black border lies alone in white and black."""
SPEED = 0.4
SIZES = {
    "focal_length_px": FOCAL_LENGTH,
    "distortion": (-0.2, 0.0, 0.0, 0.0, 0.0),
    "defocus_px": 0.9,
    "exposure_time": 0.015,
    "exposure_delay": 0.02,
    "noise": 3.0,
}


def picture(*effects, speed=0.0, seed=0, shift_px=0.0, **sizes):
    """A marker that faces the camera and passes to the right of the picture at `speed`, with these effects alone."""
    point = (shift_px * DISTANCE / FOCAL_LENGTH, 0.0, DISTANCE)
    camera = a_camera(**(SIZES | sizes))
    world = world_with(*effects, vehicles=(a_partner(name="wren", camera=camera), a_partner(MARKER)))
    (observer, partner), there = world.vehicles, before(camera, MARKER, point, velocity=(0, speed, 0))
    image = Camera(observer.camera, [partner]).render(STILL, together(there), np.random.default_rng(seed))
    return image.astype(float)


def left_edge(image, row=119):
    """Place (column) and variance (pixels²) of the left edge of the black border: of the slope of its profile."""
    cell = FOCAL_LENGTH * MARKER.side / DISTANCE / 6.0
    middle = 159.5 - 3.0 * cell
    columns = np.arange(round(middle - 0.45 * cell), round(middle + 0.45 * cell))
    slope = -np.diff(image[row, columns])
    slope /= slope.sum()
    places = columns[:-1] + 0.5
    place = float(slope @ places)
    return place, float(slope @ (places - place) ** 2)


def spread(*effects, **sizes):
    """Variance of the left edge, pixels², beyond that of a perfect edge, mean over four places between pixels.

    A perfect edge has 1/12 because a pixel sees an area, and as much because the slope is that between neighbours.
    """
    variances = [left_edge(picture(*effects, shift_px=shift, **sizes))[1] for shift in (0.0, 0.25, 0.5, 0.75)]
    return float(np.mean(variances)) - 1.0 / 6.0


def distortion_moves_a_corner_along_its_radius_by_k1_times_its_cube():
    # the edge is upright in the middle row, where the lens moves it by k1·x³
    ideal = -MARKER.side / 2.0 / DISTANCE
    place, _ = left_edge(picture(Effect.CAMERA_DISTORTION))
    straight, _ = left_edge(picture())
    assert straight == pytest.approx(159.5 + FOCAL_LENGTH * ideal, abs=0.03)
    assert place - straight == pytest.approx(FOCAL_LENGTH * -0.2 * ideal**3, abs=0.03)
    assert place - straight > 0.9


def defocus_adds_its_variance_to_every_edge():
    for defocus in (0.4, 0.9, 2.0):
        assert spread(Effect.CAMERA_BLUR, defocus_px=defocus) - spread() == pytest.approx(defocus**2, rel=0.04)


def motion_smears_an_edge_evenly_over_its_way_during_the_exposure():
    way = FOCAL_LENGTH * SPEED / DISTANCE * SIZES["exposure_time"]
    assert way == pytest.approx(3.2)
    assert spread(Effect.CAMERA_MOTION_BLUR, speed=SPEED) - spread() == pytest.approx(way**2 / 12.0, rel=0.04)
    (standing, _), (moving, _) = (left_edge(picture(Effect.CAMERA_MOTION_BLUR, speed=speed)) for speed in (0.0, SPEED))
    assert moving == pytest.approx(standing, abs=0.03), "the stamp is the middle of the exposure"


def noise_has_its_standard_deviation_in_every_pixel_and_is_white():
    calm, noisy = picture(), np.array([picture(Effect.CAMERA_NOISE, seed=seed) for seed in range(6)])
    error = noisy - calm
    assert abs(error.mean()) < 4.0 * 3.0 / np.sqrt(error.size)
    assert error.std() == pytest.approx(
        np.sqrt(3.0**2 + 1.0 / 12.0), rel=4.0 / np.sqrt(2.0 * error.size)
    )  # whole levels
    for shifted in (np.roll(error, 1, axis=0), np.roll(error, 1, axis=1), np.roll(error, 1, axis=2)):
        assert abs((error * shifted).mean()) < 4.0 * 3.0**2 / np.sqrt(error.size)


def a_delay_shows_what_moves_where_it_was():
    way = FOCAL_LENGTH * SPEED / DISTANCE * SIZES["exposure_delay"]
    now, _ = left_edge(picture(speed=SPEED))
    then, _ = left_edge(picture(Effect.CAMERA_DELAY, speed=SPEED))
    assert now - then == pytest.approx(way, abs=0.05)


CASES = {
    Effect.CAMERA_DISTORTION: distortion_moves_a_corner_along_its_radius_by_k1_times_its_cube,
    Effect.CAMERA_BLUR: defocus_adds_its_variance_to_every_edge,
    Effect.CAMERA_MOTION_BLUR: motion_smears_an_edge_evenly_over_its_way_during_the_exposure,
    Effect.CAMERA_NOISE: noise_has_its_standard_deviation_in_every_pixel_and_is_white,
    Effect.CAMERA_DELAY: a_delay_shows_what_moves_where_it_was,
}


@pytest.mark.parametrize("effect", CASES)
def test_alone_it_has_the_size_of_its_closed_form(effect):
    CASES[effect]()


def test_the_ideal_camera_is_sharp_to_the_pixel_and_paper_is_as_light_as_said():
    assert spread() == pytest.approx(0.0, abs=0.02)
    image = picture()
    assert image[119, 10] == BACKGROUND
    white, black = image[119, 159 - 95], image[119, 159 - 70]
    assert white / black == pytest.approx(WHITE / BLACK, rel=0.05)
