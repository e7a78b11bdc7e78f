"""Station keeping with a deadband against the limit cycle of a double integrator with a smallest impulse.

From memory, of any textbook on attitude control (Wie, Space Vehicle Dynamics and Control; Sidi, Spacecraft Dynamics and
Control): pulses that each change the speed by b turn a body at the edges ± d of its deadband. It goes forth at v and
back at b - v, so a period takes 2 d / v + 2 d / (b - v) and two pulses; from v = b / 2 that is 8 d / b, the shortest.
Under a constant acceleration a that a pulse throws it up against with speed u, it is back after 2 u / a.
True state, no estimator and a supply that does not sag, so that the pulses alone are looked at.
"""

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.description.maneuver import Maneuver
from testbed.description.status import Phase
from testbed.description.vehicle import ThrusterSet
from tests.flight.example_vehicle import ARM, CANT, THRUST, valves, vehicle
from tests.flight.floating_body import START, FloatingBody

BIT = 0.009
"""Full thrust of the shortest pulse, s: 10 ms of command less 1 ms by which opening takes longer than closing."""
HEIGHT = 0.45
YAW_STEP = 2.0 * THRUST * ARM * BIT / 0.24
"""Two valves of a couple on the table, rad/s."""
X_STEP = 2.0 * THRUST * math.cos(CANT) * BIT / 13.0
"""Two canted valves on one side, m/s."""
CABIN_STEP = 2.0 * THRUST * BIT / 6.0
"""Two valves along z in the cabin, m/s."""


def steady(place="table", **effects):
    """A body whose vehicle's thrust does not sag, neither as believed nor in fact."""
    return FloatingBody(vehicle(thrusters=ThrusterSet(valves=valves(), maximum_sag=0.0)), place, **effects)


def hold(body, deadband, deadband_deg):
    height = HEIGHT if body.active.sum() == 3 else 0.0
    body.command(
        Maneuver(number=1, run="a", attempt=1, kind="hold", start=START, expiry=START + 10**13,
                 position=(0.0, 0.0, height), orientation=(0.0, 0.0, 0.0, 1.0),
                 deadband=deadband, deadband_angle=math.radians(deadband_deg))
    )  # fmt: skip


def turns(times, speeds, step):
    """When the speed changes by about one step, once for each pulse."""
    return times[1:][np.abs(np.diff(speeds)) > 0.3 * step]


def cycle(place, axis, step, edge, share):
    """A body sent off with `share` of a step along or about an axis: times of its pulses, places, speeds, impulse."""
    body = steady(place)
    wide, narrow = 0.1, 20.0
    hold(body, edge if axis < 3 else wide, math.degrees(edge) if axis >= 3 else narrow)
    body.run(0.2)  # planned at rest, so that no brake is planned
    body.history.clear()
    (body.velocity if axis < 3 else body.rate)[axis % 3] = share * step
    period = 2.0 * edge / (share * step) + 2.0 * edge / ((1.0 - share) * step)
    body.run(2.4 * period)
    places = body.recorded("position" if axis < 3 else "rotation_vector")[:, axis % 3]
    speeds = body.recorded("velocity" if axis < 3 else "rate")[:, axis % 3]
    return period, turns(body.recorded("time"), speeds, step), places, speeds, body.impulse


CASES = [
    pytest.param("table", 5, YAW_STEP, math.radians(0.3), 2 * THRUST * BIT, id="yaw on the table"),
    pytest.param("table", 0, X_STEP, 0.001, 2 * THRUST * BIT, id="x on the table"),
    pytest.param("cabin", 2, CABIN_STEP, 0.002, 2 * THRUST * BIT, id="z in the cabin"),
]


@pytest.mark.parametrize("share", [0.5, 0.75], ids=["evenly", "unevenly"])
@pytest.mark.parametrize(("place", "axis", "step", "edge", "impulse"), CASES)
def test_period_rate_and_impulse_are_those_of_the_closed_form(place, axis, step, edge, impulse, share):
    period, pulses, places, speeds, used = cycle(place, axis, step, edge, share)
    assert pulses[2:] - pulses[:-2] == pytest.approx(period, rel=0.015)
    assert len(pulses) >= 4
    assert used == pytest.approx(len(pulses) * impulse, rel=2e-3)
    settled = np.abs(speeds) / step
    assert settled.min() == pytest.approx(min(share, 1.0 - share), abs=0.01)
    assert settled.max() == pytest.approx(max(share, 1.0 - share), abs=0.01)
    # a pulse comes at most one period of modulation late
    assert np.abs(places).max() == pytest.approx(edge, abs=0.15 * step + 1e-9)


@pytest.mark.parametrize("edge_deg", [0.3, 0.6, 1.2])
def test_the_even_cycle_uses_impulse_in_inverse_proportion_to_the_deadband(edge_deg):
    """2 J per 8 d / b: J b / (4 d) per second."""
    edge = math.radians(edge_deg)
    period, pulses, _, _, _ = cycle("table", 5, YAW_STEP, edge, 0.5)
    rate = 2 * THRUST * BIT / np.diff(pulses).mean()
    assert rate == pytest.approx(2 * THRUST * BIT * YAW_STEP / (4.0 * edge), rel=0.015)
    assert period == pytest.approx(8.0 * edge / YAW_STEP)


def test_a_constant_pull_is_hopped_against_in_parabolas():
    """Between pulses the body rises and falls as thrown up; all pulses go one way, with the impulse of the pull."""
    pull, edge, mass = 0.026, 0.02, 13.0
    body = steady(pull=(pull, 0.0, 0.0))
    body.disturbance[0]["force"] = body.pull
    hold(body, edge, 5.0)
    body.run(200.0)
    times, x, v = body.recorded("time"), body.recorded("position")[:, 0], body.recorded("velocity")[:, 0]
    tops = np.flatnonzero((v[:-1] < 0.0) & (v[1:] >= 0.0))
    hops = np.diff(times[tops])
    assert len(hops) >= 8
    height = edge - x[tops].mean()
    flight = 2.0 * math.sqrt(2.0 * height * mass / pull)
    # above the parabola's own time only what the pulse takes, at most one modulation period for each tenth of a second
    assert flight < hops.mean() < flight + 1.5
    assert x.max() < 1.2 * edge
    assert x[tops].min() > -edge
    forces = body.recorded("wrench")[:, 0]
    assert not (forces > 0.0).any(), "every pulse goes against the pull"
    given = body.impulse * math.cos(CANT)
    assert given == pytest.approx(pull * 200.0, rel=0.05)


@pytest.mark.parametrize("told", [True, False], ids=["estimated", "not estimated"])
def test_a_pull_too_small_to_be_hopped_against_carries_nobody_away(told):
    """It may be an error of the estimate. Either way it is given back at the edge, from one side."""
    pull, edge = 0.0045, 0.02  # 0.35 mm/s²
    body = steady(pull=(pull, 0.0, 0.0))
    if told:
        body.disturbance[0]["force"] = body.pull
    hold(body, edge, 5.0)
    body.run(60.0)
    before = body.impulse
    body.run(300.0)
    assert np.abs(body.recorded("position")[:, 0]).max() < 1.3 * edge
    assert not (body.recorded("wrench")[:, 0] > 0.0).any()
    assert (body.impulse - before) * math.cos(CANT) == pytest.approx(pull * 300.0, rel=0.05)


def test_tumbling_within_the_deadband_in_the_cabin_no_axis_fires_against_itself_within_a_second():
    body = steady("cabin")
    hold(body, 0.01, 1.0)
    body.run(0.2)
    body.rate[:] = np.radians((0.3, -0.25, 0.2))
    body.velocity[:] = (0.002, -0.0015, 0.001)
    body.run(120.0)
    wrenches, times = body.recorded("wrench"), body.recorded("time")
    for axis in range(6):
        fired = np.flatnonzero(np.abs(wrenches[:, axis]) > 1e-6)
        opposed = [(a, b) for a, b in pairwise(fired) if wrenches[a, axis] * wrenches[b, axis] < 0.0]
        assert all(times[b] - times[a] > 1.0 for a, b in opposed)
    assert np.abs(body.recorded("position")).max() < 0.015
    assert np.abs(Rotation.from_rotvec(body.recorded("rotation_vector")).magnitude()).max() < math.radians(2.5)


@pytest.mark.parametrize("speed", [0.0008, 0.004])
def test_a_hold_that_begins_while_the_vehicle_drifts_inside_its_deadband_waits_for_the_edge(speed):
    """No brake and no move to the middle: nothing is fired until the coast at constant speed comes to the edge."""
    body, edge = steady(), 0.03
    body.velocity[0], body.position[1] = speed, 0.01
    hold(body, edge, 5.0)
    body.run(0.8 * edge / speed)
    assert body.impulse == 0.0
    assert body.recorded("status")[0]["phase"] != Phase.MOVING
    body.run(0.6 * edge / speed)
    assert body.impulse > 0.0
    assert np.abs(body.recorded("position")[:, 0]).max() < 1.25 * edge


def test_one_that_begins_too_fast_or_outside_brakes_and_goes_there_as_ever():
    for velocity, away in ((0.05, 0.0), (0.0, 0.06)):
        body = steady()
        body.velocity[0], body.position[1] = velocity, away
        hold(body, 0.03, 5.0)
        body.run(2.0)
        assert body.impulse > 0.0
        assert body.recorded("status")[0]["phase"] == Phase.MOVING
