"""Moves by time and by gas, and turns about any axis, through thrusters and pulses."""

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.description.gas import STANDARD_GRAVITY
from testbed.description.maneuver import Maneuver, Waypoint
from testbed.description.messages import NS_PER_S
from testbed.description.status import Phase
from testbed.description.vehicle import MassProperties
from tests.flight.example_vehicle import vehicle
from tests.flight.floating_body import START, FloatingBody

HEIGHT = 0.45


def flown(body, kind, seconds, **more):
    body.command(Maneuver(number=1, run="a", attempt=1, kind=kind, start=START, expiry=START + 10**13, **more))
    body.run(seconds)
    return body


def arrival(body):
    """When the profile is over, s."""
    rows = body.recorded("status")
    return next(t for t, row in zip(body.recorded("time"), rows, strict=True) if row["phase"] != Phase.MOVING)


def gas_of(body):
    """What the valves let out so far, g."""
    return 1e3 * body.impulse / (vehicle().gas.specific_impulse * STANDARD_GRAVITY)


@pytest.mark.parametrize("duration", [15.0, 30.0])
def test_a_move_by_time_arrives_then_with_the_least_peak_force(duration):
    distance = 0.4
    body = flown(FloatingBody(vehicle()), "translate", duration + 3.0, position=(distance, 0.0, HEIGHT),
                 duration=duration, speed_limit=10.0)  # fmt: skip
    assert arrival(body) == pytest.approx(duration, abs=0.06)
    x, v, time = body.recorded("position")[:, 0], body.recorded("velocity")[:, 0], body.recorded("time")
    at_end = int(np.argmin(np.abs(time - duration)))
    assert x[at_end] == pytest.approx(distance, abs=3e-3)
    assert abs(v[at_end]) < 3e-3
    # bang-bang: F = 4 m d / t², top speed 2 d / t half-way (double integrator, t = 2 sqrt(m d / F))
    assert v.max() == pytest.approx(2.0 * distance / duration, rel=0.05)
    assert time[int(np.argmax(v))] == pytest.approx(0.5 * duration, abs=1.0)
    ramp = (time > 0.1 * duration) & (time < 0.45 * duration)
    force = body.mass * np.polyfit(time[ramp], v[ramp], 1)[0]
    assert force == pytest.approx(4.0 * 13.0 * distance / duration**2, rel=0.05)


def test_a_move_by_time_near_the_speed_limit_coasts_at_it():
    body = flown(FloatingBody(vehicle()), "translate", 27.0, position=(1.0, 0.0, HEIGHT), duration=22.0,
                 speed_limit=10.0)  # fmt: skip
    limit = vehicle().speed_limit("table")
    assert limit < 2.0 * 1.0 / 22.0, "without a coast it would be faster than allowed"
    assert arrival(body) == pytest.approx(22.0, abs=0.06)
    assert body.recorded("velocity")[:, 0].max() == pytest.approx(limit, rel=0.05)


def test_too_little_time_takes_the_fastest_move_instead():
    body = flown(FloatingBody(vehicle()), "translate", 25.0, position=(0.6, 0.0, HEIGHT), duration=1.0,
                 speed_limit=10.0)  # fmt: skip
    assert arrival(body) > 8.0
    assert body.recorded("velocity")[:, 0].max() < 1.05 * vehicle().speed_limit("table")
    assert body.base_position()[0] == pytest.approx(0.6, abs=5e-3)


@pytest.mark.parametrize("gas_g", [1.2, 2.0])
def test_a_move_by_gas_takes_no_more_and_hardly_less(gas_g):
    body = flown(FloatingBody(vehicle()), "translate", 75.0, position=(0.8, 0.3, HEIGHT), gas=1e-3 * gas_g,
                 speed_limit=10.0, deadband=0.015, deadband_angle=math.radians(1.5))  # fmt: skip
    assert body.status[0]["phase"] == Phase.HOLDING
    assert 0.7 * gas_g < gas_of(body) <= gas_g
    assert np.linalg.norm(body.base_position()[:2] - (0.8, 0.3)) < 0.03


@pytest.mark.parametrize("thrust", [0.9, 0.95, 1.05])
def test_a_move_with_valves_weaker_or_stronger_than_thought_ends_within_its_gas(thrust):
    """Corrections take more then: what the profile still takes is kept back from them."""
    body = FloatingBody(vehicle(), thrust=thrust)
    flown(body, "translate", 0.0, position=(0.8, 0.3, HEIGHT), gas=1.2e-3, speed_limit=10.0, deadband=0.01,
          deadband_angle=math.radians(1.0))  # fmt: skip
    while body.status[0]["phase"] != Phase.SETTLING:
        body.run(0.5)
        assert body.stamp < START + 200 * NS_PER_S
    assert gas_of(body) <= 1.2
    assert np.linalg.norm(body.base_position()[:2] - (0.8, 0.3)) < 0.1


def test_more_gas_is_a_faster_move():
    times = []
    for gas_g in (0.6, 1.2):
        body = flown(FloatingBody(vehicle()), "translate", 0.1, position=(1.0, 0.0, HEIGHT), gas=1e-3 * gas_g,
                     speed_limit=10.0, deadband=0.015, deadband_angle=math.radians(1.5))  # fmt: skip
        times.append(body.status[0]["time_left"])
    assert times[1] < 0.6 * times[0]


SLANTED = MassProperties(mass=6.0, inertia=(0.062, 0.075, 0.068), products=(0.006, -0.004, 0.005))
"""No principal axis along an axis of base_link."""


@pytest.mark.parametrize("axis", [(1.0, 0.0, 0.0), (1.0, -2.0, 0.5), (1.0, 1.0, 1.0)])
@pytest.mark.parametrize("degrees", [60.0, 175.0])
def test_turns_about_any_axis_stay_on_their_axis(axis, degrees):
    """Full inertia, gyroscopic torque fed forward: on the way the attitude is the one turned so far about that axis."""
    goal = Rotation.from_rotvec(math.radians(degrees) * np.array(axis) / np.linalg.norm(axis))
    body = flown(FloatingBody(vehicle(flight=SLANTED), "cabin"), "rotate", 40.0, orientation=tuple(goal.as_quat()),
                 rate_limit=math.radians(12.0))  # fmt: skip
    assert body.status[0]["phase"] == Phase.HOLDING
    errors = [row["attitude_error"] for row in body.recorded("status")]
    assert max(errors) < math.radians(1.0)
    assert (body.attitude.inv() * goal).magnitude() < math.radians(0.7)


def test_a_turn_by_time_ends_then():
    goal = Rotation.from_rotvec([0.0, 0.0, 2.0])
    body = flown(FloatingBody(vehicle()), "rotate", 33.0, orientation=tuple(goal.as_quat()), duration=30.0,
                 rate_limit=10.0)  # fmt: skip
    assert arrival(body) == pytest.approx(30.0, abs=0.06)
    assert body.recorded("rate")[:, 2].max() == pytest.approx(4.0 / 30.0, rel=0.06)


@pytest.mark.parametrize("place", ["table", "cabin"])
def test_a_moving_reference_is_tracked_within_a_centimetre_while_it_accelerates(place):
    """A circle of 0.3 m radius, once round in a minute: 3.3 mm/s² all the time, always in another direction."""
    angles = np.linspace(0.0, 2.0 * math.pi, 13)
    points = tuple(
        Waypoint(time=5.0 * k, x=0.3 * math.sin(a), y=0.3 * (1.0 - math.cos(a)), z=0.0, heading_deg=30.0 * k)
        for k, a in enumerate(angles)
    )
    body = flown(FloatingBody(vehicle(), place), "track", 65.0, waypoints=points)
    rows = body.recorded("status")
    assert max(row["position_error"] for row in rows) < 0.01
    assert max(row["attitude_error"] for row in rows) < math.radians(2.0)


@pytest.mark.parametrize("fed_forward", [True, False])
def test_a_known_pull_no_longer_moves_the_vehicle(fed_forward):
    """0.2 mrad of tilt pull 13 kg with 26 mN; proportional feedback alone would stand 16 mm off: a / bandwidth²."""
    tilt = 9.81 * 0.2e-3
    body = FloatingBody(vehicle(), pull=(tilt * 13.0, 0.0, 0.0))
    body.guidance.parameters["integral_time"] = 1e9
    if fed_forward:
        body.disturbance[0]["force"] = body.pull
    flown(body, "hold", 60.0, position=(0.0, 0.0, HEIGHT), orientation=(0.0, 0.0, 0.0, 1.0))
    off = body.recorded("position")[-400:, 0].mean()
    assert off == pytest.approx(0.0 if fed_forward else tilt / 0.35**2, abs=1.5e-3)
