"""From what is believed of camera, partner and noise to the records of the relative estimator."""

from __future__ import annotations

import math
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from testbed.description.camera import MARKERS
from testbed.description.lens import reach
from testbed.description.messages import NS_PER_S, TICK_NS
from testbed.description.noise import Noise
from testbed.description.vehicle import Vehicle
from testbed.flight.sight.calibration import Calibration
from testbed.flight.sight.layout import (
    ATTITUDE,
    CENTRE,
    DISTORTION,
    ERRORS,
    FOCAL,
    LENS,
    MAX_MARKERS,
    MOUNT,
    PARAMETERS,
    POSITION,
    RATIOS,
    SPIN,
    STATE,
    VELOCITY,
)
from testbed.flight.sight.motion import HELD_HEIGHT, HELD_LEAN

Place = Literal["table", "cabin"]

START_POSITION, START_SPEED = 0.3, 0.1
"""Standard deviations when a pose has just been found: far beyond what one look tells; m, m/s."""
START_ATTITUDE, START_SPIN = 0.5, 0.2
"""rad, rad/s."""
START_RATIO: Final = 0.25
"""Standard deviation of the logarithm of an inertia ratio: the partner's file is not asked."""
ACCELERATION_WALK: Final[dict[Place, float]] = {"table": 1e-6, "cabin": 1e-8}
"""Of a partner: slopes and its own valves on the table, next to nothing as it tumbles in the cabin; m²/s³."""
SPIN_WALK: Final[dict[Place, float]] = {"table": 1e-6, "cabin": 1e-10}
"""rad²/s³."""
VELOCITY_TIME: Final = 3.0
"""After which the error of own odometry's velocity is another, s."""


def believed_parameters(
    observer: Vehicle, partner: Vehicle, noise: Noise, place: Place, calibration: Calibration
) -> NDArray[np.void]:
    """PARAMETERS, shape (1,), from the files of both vehicles.

    Raises ValueError where the observer has no camera or the partner no fiducial, or more than MAX_MARKERS.
    """
    if observer.camera is None:
        raise ValueError(f"{observer.name} has no camera")
    if not 0 < len(partner.fiducials) <= MAX_MARKERS:
        raise ValueError(f"{partner.name} has {len(partner.fiducials)} fiducials: 1 to {MAX_MARKERS} can be used")
    parameters = np.zeros(1, PARAMETERS)
    p = parameters[0]
    _put_camera(p, observer)
    _put_partner(p, observer, partner, place)
    p["rate_variance"] = math.radians(noise.gyro.density_deg) ** 2 / (TICK_NS / NS_PER_S)
    p["velocity_time"] = VELOCITY_TIME
    p["acceleration_walk"], p["spin_walk"] = ACCELERATION_WALK[place], SPIN_WALK[place]
    p["start_deviation"] = _start_deviations(place, calibration)
    return parameters


def _put_camera(p: np.void, observer: Vehicle) -> None:
    camera = observer.camera
    assert camera is not None
    p["lens"], p["axes"] = camera.position, Rotation.from_matrix(camera.orientation()).as_quat()
    p["focal_length"], p["centre"] = camera.focal_length_px, camera.centre
    p["distortion"], p["reach"] = camera.distortion, reach(camera.distortion)
    p["defocus"], p["noise"], p["exposure"] = camera.defocus_px, camera.noise, camera.exposure_time
    p["delay"] = round(camera.exposure_delay * NS_PER_S)


def _put_partner(p: np.void, observer: Vehicle, partner: Vehicle, place: Place) -> None:
    body = partner.floor if place == "table" else partner.flight
    centre = np.array(body.centre_of_mass)
    p["marker_count"], p["centre_of_mass"] = len(partner.fiducials), centre
    for index, fiducial in enumerate(partner.fiducials):
        p["corner"][index] = fiducial.corners() - centre
        p["cells"][index] = MARKERS[fiducial.dictionary][1] + 2
    if place == "table":
        p["planar"] = 1
        p["height"] = partner.shape.floor_height + centre[2] - observer.shape.floor_height


def _start_deviations(place: Place, calibration: Calibration) -> NDArray[np.float64]:
    """Standard deviations of all errors when a pose has just been found, shape (ERRORS,)."""
    deviation = np.zeros(ERRORS)
    for first, value in (
        (POSITION, START_POSITION),
        (VELOCITY, START_SPEED),
        (ATTITUDE, START_ATTITUDE),
        (SPIN, START_SPIN),
        (LENS, calibration.lens),
        (MOUNT, calibration.mounting),
    ):
        deviation[first : first + 3] = value
    deviation[RATIOS : RATIOS + 2] = START_RATIO
    deviation[FOCAL], deviation[DISTORTION] = calibration.focal_length, calibration.distortion
    deviation[CENTRE : CENTRE + 2] = calibration.centre
    if place == "table":
        deviation[POSITION + 2], deviation[ATTITUDE : ATTITUDE + 2] = HELD_HEIGHT, HELD_LEAN
        deviation[VELOCITY + 2], deviation[SPIN : SPIN + 2] = 0.0, 0.0
        deviation[RATIOS : RATIOS + 2] = 0.0
    return deviation


def initial_state(parameters: NDArray[np.void]) -> NDArray[np.void]:
    """STATE, shape (1,): no partner seen yet."""
    state = np.zeros(1, STATE)
    for name in ("anchor", "now", "first"):
        state[name]["orientation"] = (0.0, 0.0, 0.0, 1.0)
    deviation = parameters[0]["start_deviation"]
    state["anchor"]["covariance"] = np.diag(deviation**2)
    return state
