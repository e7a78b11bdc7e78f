"""From pixels to pose: rendered pictures, OpenCV's detector, the filter."""

import subprocess
import sys

import numpy as np
import pytest

from testbed.flight.sight.detection import Detector
from testbed.flight.sight.look import look_at
from testbed.model import camera as rendering
from tests.drawn.sights import Scene
from tests.flight.sight.test_relative_estimator import FREE, normalised_error

SEED = 602
"""It shows two sides, leaning.

A square that stands level is drawn by the emulator to a quarter of a pixel, and shifts by up to half of that."""
SECONDS = 4.0
WITHOUT = "import sys; sys.modules['cv2'] = None\n"


def partner_of(scene):
    fiducials = tuple(fiducial for _, fiducial in scene.corners.fiducials)
    return scene.believed.model_copy(update={"name": "partner", "fiducials": fiducials})


def test_a_partner_in_rendered_pictures_is_followed_within_what_is_claimed():
    scene = Scene(SEED, "tumbling")
    partner = partner_of(scene)
    camera, detector = rendering.Camera(scene.camera, [partner]), Detector(partner.fiducials)
    squares = []
    while scene.time < SECONDS / 0.02:
        scene.step()
        if scene.looking:
            stamp = scene.stamp
            image = camera.render(scene.own.record(stamp)[0], scene.shown().record(stamp), scene.generator)
            look = detector.look(stamp, image)
            scene.estimator.accept_look(look)
            if scene.estimator.acquired:
                state = scene.estimator.state[0]
                squares.append(state["misfit"] / max(1, state["misfit_rows"]))
    assert scene.estimator.acquired
    assert scene.estimator.state[0]["rejected"] <= 1
    assert np.mean(squares) < 2.0  # of rows, normalised: edges in pictures are about as good as believed
    assert normalised_error(scene, FREE) < 3.0


def test_an_id_seen_twice_or_of_no_fiducial_counts_for_nothing():
    scene = Scene(SEED, "tumbling")
    partner = partner_of(scene)
    scene.step()
    camera = rendering.Camera(scene.camera, [partner])
    image = camera.render(scene.own.record(scene.stamp)[0], scene.shown().record(scene.stamp), scene.generator)
    seen = Detector(partner.fiducials).look(5, image)[0]
    assert seen["stamp"] == 5
    assert seen["count"] > 0
    assert Detector(partner.fiducials).look(5, np.vstack([image, image]))[0]["count"] == 0
    others = [f.model_copy(update={"id": (f.id + 20) % 50}) for f in partner.fiducials]
    assert Detector(others).look(5, image)[0]["count"] == 0


def test_a_look_lists_markers_in_the_order_of_the_file():
    square = np.arange(8.0).reshape(4, 2)
    look = look_at(7, {3: square, 1: square + 1.0})[0]
    assert look["marker"][:2].tolist() == [1, 3]
    assert look["corners"][0].tolist() == (square + 1.0).tolist()


@pytest.mark.parametrize("module", ["detection", "pose"])
def test_without_opencv_it_says_which_extra_it_needs(module):
    command = WITHOUT + f"import testbed.flight.sight, testbed.flight.sight.{module}"
    found = subprocess.run([sys.executable, "-c", command], capture_output=True, text=True, check=False)
    assert found.stderr.splitlines()[-1] == (
        "ImportError: cameras need OpenCV, which the extra `vision` brings: pip install 'testbed[vision]'"
    )


def test_a_filter_that_runs_needs_no_opencv():
    command = WITHOUT + "import testbed.flight.sight"
    assert subprocess.run([sys.executable, "-c", command], check=False).returncode == 0
