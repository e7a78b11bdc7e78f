"""Rest-to-rest moves against the optimal control of a double integrator.

Closed forms, of any optimal-control textbook (e.g. Bryson & Ho, Applied Optimal Control, 1975): with force F on a mass
m over a distance d, t = 2 sqrt(m d / F); with a speed limit v, bang-coast-bang, t = d / v + m v / F. And a linear
programme (HiGHS) for the farthest move in a given time on a grid, which knows nothing of these formulas.
"""

import math

import numpy as np
import pytest
from scipy.optimize import linprog
from scipy.spatial.transform import Rotation

from testbed.description import messages
from testbed.description.axes import TABLE_AXES
from testbed.description.maneuver import Maneuver
from testbed.flight.allocation import Allocation
from testbed.flight.guidance import Guidance
from tests.flight.example_vehicle import vehicle
from tests.flight.floating_body import START, FloatingBody

FREE = 10.0
"""A speed limit that is never met, m/s or rad/s."""
HEIGHT = 0.45


def fast_vehicle():
    """The example vehicle with its own limits out of the way, so that the maneuver's limits count."""
    limits = vehicle().limits.model_copy(update={"floor_speed": FREE, "rate_deg": math.degrees(FREE)})
    return vehicle().model_copy(update={"limits": limits})


def planned_time(kind, position=None, heading=None, speed_limit=FREE, rate_limit=FREE, start_heading=0.0):
    """Duration of a maneuver as guidance plans it from rest at the origin, s."""
    orientation = None if heading is None else tuple(Rotation.from_rotvec([0.0, 0.0, heading]).as_quat())
    guidance = Guidance(fast_vehicle(), "table", TABLE_AXES)
    maneuver = Maneuver(
        number=1, run="a", attempt=1, kind=kind, start=START, expiry=START + 10**13, position=position,
        orientation=orientation, speed_limit=speed_limit, rate_limit=rate_limit,
    )  # fmt: skip
    assert guidance.accept_maneuver(maneuver.record())
    odometry, wrench, reference, status = (
        np.zeros(1, t) for t in (messages.ODOMETRY, messages.WRENCH, messages.ODOMETRY, messages.STATUS)
    )
    odometry["stamp"], odometry["position"] = START, (0.0, 0.0, HEIGHT)
    odometry["orientation"] = Rotation.from_rotvec([0.0, 0.0, start_heading]).as_quat()
    guidance.step(odometry, np.zeros(1, messages.WRENCH), wrench, reference, status)
    return float(status[0]["time_left"])


def force_along(direction):
    """Force that profiles may plan with along a direction in base_link axes, N."""
    share = vehicle().control.authority
    return share * Allocation(vehicle(), "table", TABLE_AXES).authority(np.concatenate([direction, np.zeros(3)]))


@pytest.mark.parametrize("distance", [0.01, 0.3, 2.5])
@pytest.mark.parametrize("bearing", [0.0, 37.0, 90.0, 200.0])
def test_a_move_without_a_speed_limit_takes_the_closed_form_time(distance, bearing):
    direction = np.array([math.cos(math.radians(bearing)), math.sin(math.radians(bearing)), 0.0])
    goal = tuple(distance * direction + np.array([0.0, 0.0, HEIGHT]))
    expected = 2.0 * math.sqrt(vehicle().floor.mass * distance / force_along(direction))
    assert planned_time("translate", position=goal) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("speed_limit", [0.02, 0.05, 0.1])
def test_a_move_with_a_speed_limit_takes_the_bang_coast_bang_time(speed_limit):
    distance, mass, force = 1.2, vehicle().floor.mass, force_along([1.0, 0.0, 0.0])
    assert speed_limit < math.sqrt(force * distance / mass), "the limit should be met"
    expected = distance / speed_limit + mass * speed_limit / force
    planned = planned_time("translate", position=(distance, 0.0, HEIGHT), speed_limit=speed_limit)
    assert planned == pytest.approx(expected, rel=1e-9)


def test_the_force_is_that_along_the_direction_of_motion_in_the_body():
    """A body that has turned left by a right angle moves along x with the authority of its y axis."""
    expected = 2.0 * math.sqrt(vehicle().floor.mass * 0.5 / force_along([0.0, 1.0, 0.0]))
    planned = planned_time("translate", position=(0.5, 0.0, HEIGHT), start_heading=0.5 * math.pi)
    assert planned == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("angle", [0.1, -2.0, 3.1])
def test_a_turn_takes_the_closed_form_time(angle):
    torque = Allocation(vehicle(), "table", TABLE_AXES).authority(np.eye(6)[5]) * vehicle().control.authority
    expected = 2.0 * math.sqrt(vehicle().floor.inertia[2] * abs(angle) / torque)
    assert planned_time("rotate", heading=angle) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("speed_limit", [FREE, 0.06], ids=["no speed limit", "speed limit"])
def test_no_move_within_the_same_force_and_speed_is_faster(speed_limit):
    """HiGHS: on a time grid, no piecewise constant force covers the distance in less time."""
    distance, mass, force, steps = 0.8, vehicle().floor.mass, force_along([1.0, 0.0, 0.0]), 120
    planned = planned_time("translate", position=(distance, 0.0, HEIGHT), speed_limit=speed_limit)

    def farthest(total):
        """Largest distance from rest to rest in `total` s."""
        step = total / steps
        speeds = np.tril(np.ones((steps, steps))) * step / mass
        covered = np.array([(steps - k - 0.5) * step**2 / mass for k in range(steps)])
        best = linprog(
            -covered, A_ub=np.vstack([speeds, -speeds]), b_ub=np.full(2 * steps, speed_limit),
            A_eq=speeds[-1:], b_eq=[0.0], bounds=[(-force, force)] * steps, method="highs",
        )  # fmt: skip
        assert best.status == 0
        return -best.fun

    assert farthest(planned) == pytest.approx(distance, rel=1e-3)
    assert farthest(0.98 * planned) < 0.985 * distance


def test_the_flown_move_ends_when_the_closed_form_says():
    """With pulses, valve delays and all: within tolerance of the goal at the end of the profile, and slow."""
    distance = 0.8
    body = FloatingBody(vehicle())
    goal = (distance, 0.0, HEIGHT)
    body.command(
        Maneuver(number=1, run="a", attempt=1, kind="translate", start=START, expiry=START + 10**12, position=goal,
                 speed_limit=0.06)
    )  # fmt: skip
    expected = distance / 0.06 + vehicle().floor.mass * 0.06 / force_along([1.0, 0.0, 0.0])
    body.run(expected)
    assert body.base_position()[0] == pytest.approx(distance, abs=2e-3)
    assert abs(body.velocity[0]) < 2.5e-3
    body.run(1.0)
    assert abs(body.velocity[0]) < 1.5e-3
    assert body.base_position()[0] == pytest.approx(distance, abs=2e-3)
