"""The thruster driver: composition, permission, refusal, and impulse in the long run."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from testbed.description import messages
from testbed.description.axes import CABIN_AXES, TABLE_AXES, axis_mask
from testbed.flight.allocation import Outcome
from testbed.flight.guard import Objection
from testbed.flight.thruster_driver import ThrusterDriver
from tests.flight.example_vehicle import with_valve_out
from tests.flight.fired import with_thrusters

START = messages.LOCKSTEP_START_NS
PERIOD = 100_000_000
BIT = 0.009
VEHICLE = with_thrusters(maximum_sag=0.0)
"""Of a supply that does not sag, so that on-times tell what is given; test_drawn_drivers.py has the others."""
MATRIX = VEHICLE.thrusters.wrench_matrix(VEHICLE.flight.centre_of_mass)
AT_REST = np.zeros(1, messages.ODOMETRY)
AT_REST["orientation"] = [0.0, 0.0, 0.0, 1.0]
SIZE = np.array([0.2, 0.2, 0.2, 0.02, 0.02, 0.02])

six = st.lists(st.floats(-1.0, 1.0), min_size=6, max_size=6).map(np.array)


def drive(driver, wrenches, permitted=True):
    """Schedules in answer to one wrench per period."""
    schedules = []
    for number, wrench in enumerate(wrenches):
        message, schedule = np.zeros(1, messages.WRENCH), np.zeros(1, messages.SCHEDULE)
        message["stamp"], message["force"], message["torque"] = START + number * PERIOD, wrench[:3], wrench[3:]
        odometry = AT_REST.copy()
        odometry["stamp"] = message["stamp"]
        driver.step(odometry, message, permitted, schedule)
        schedules.append(schedule[0].copy())
    return schedules


def full_thrust(schedules):
    """Seconds of full thrust per valve; a pulse that goes on into the next period has no edge between."""
    total, was_open = np.zeros(12), np.zeros(12, bool)
    for schedule in schedules:
        count = schedule["count"]
        is_open = schedule["open"][:count, :12].astype(bool)
        lengths = np.diff(schedule["offset"][:count])
        total += lengths @ is_open[:-1] / 1e9
        openings = np.diff(np.vstack([was_open, is_open]).astype(int), axis=0) == 1
        total -= 0.001 * openings.sum(axis=0)  # opens 6 ms, closes 5 ms late
        whole = (lengths @ is_open[:-1] == PERIOD) if count > 1 else np.zeros(12, bool)
        was_open = whole
    return total


def least_thrust_time(wrench, axes):
    """Least sum of valve duties that gives the wrench, by HiGHS; None if it cannot be reached."""
    rows = axis_mask(axes)
    result = linprog(np.ones(12), A_eq=MATRIX[rows], b_eq=wrench[rows], bounds=[(0.0, 1.0)] * 12, method="highs")
    return result.fun if result.status == 0 else None


def test_a_schedule_starts_the_lead_after_its_wrench():
    schedule = drive(ThrusterDriver(VEHICLE, "table", TABLE_AXES), [np.array([0.1, 0, 0, 0, 0, 0])])[0]
    assert schedule["stamp"] == START + 20_000_000
    assert schedule["count"] > 1
    assert schedule["open"][: schedule["count"]].any()


def test_without_permission_everything_closes_at_once():
    driver = ThrusterDriver(VEHICLE, "table", TABLE_AXES)
    schedule = drive(driver, [np.array([0.1, 0.2, 0, 0, 0, 0.01])], permitted=False)[0]
    assert (schedule["count"], schedule["offset"][0]) == (1, 0)
    assert schedule["stamp"] == START + 20_000_000
    assert not schedule["open"].any()


@pytest.mark.parametrize(
    ("wrench", "reason"),
    [((np.nan, 0, 0, 0, 0, 0), Objection.NOT_FINITE), ((0, 0, 0, 0, np.inf, 0), Objection.NOT_FINITE),
     ((50.0, 0, 0, 0, 0, 0), Objection.ABSURD), ((0, 0, 0, 0, 0, -9.0), Objection.ABSURD)],
)  # fmt: skip
def test_a_refused_wrench_closes_everything_and_is_counted(wrench, reason):
    driver = ThrusterDriver(VEHICLE, "table", TABLE_AXES)
    drive(driver, [np.array([0.1, 0, 0, 0, 0, 0])])
    schedule = drive(driver, [np.array(wrench)])[0]
    assert schedule["count"] == 1
    assert not schedule["open"].any()
    assert driver.refused == {reason: 1} | {other: 0 for other in driver.refused if other != reason}


def test_the_table_fires_no_vertical_valve():
    driver = ThrusterDriver(VEHICLE, "table", TABLE_AXES)
    rng = np.random.default_rng(4)
    vertical = [i for i, valve in enumerate(VEHICLE.thrusters.valves) if "vertical" in valve.name]
    for schedule in drive(driver, rng.normal(size=(50, 6)) * SIZE):
        assert not schedule["open"][:, vertical].any()


def test_a_valve_out_of_service_never_opens():
    driver = ThrusterDriver(with_valve_out("side_2"), "table", TABLE_AXES)
    out = [valve.name for valve in VEHICLE.thrusters.valves].index("side_2")
    rng = np.random.default_rng(4)
    schedules = drive(driver, rng.normal(size=(200, 6)) * SIZE)
    assert not any(schedule["open"][:, out].any() for schedule in schedules)


@pytest.mark.parametrize(("place", "axes"), [("table", TABLE_AXES), ("cabin", CABIN_AXES)], ids=["table", "cabin"])
@settings(deadline=None, max_examples=60)
@given(direction=six, share=st.floats(0.001, 0.9))
def test_a_constant_wrench_over_100_periods_is_given_to_one_bit_per_valve_with_the_least_gas(
    place, axes, direction, share
):
    driver = ThrusterDriver(VEHICLE, place, axes)
    wrench = np.where(axis_mask(axes), direction * SIZE, 0.0)
    limit = driver_reach(wrench, axes)
    if limit == 0.0:
        return
    wrench = share * limit * wrench
    given_time = full_thrust(drive(driver, [wrench] * 100))
    rows = axis_mask(axes)
    missing = 100 * 0.1 * wrench[rows] - MATRIX[rows] @ given_time
    # The error is what at most one bit of each valve gives: some 0 <= |t_j| <= bit with matrix t = missing.
    bounds = [(-BIT - 1e-6, BIT + 1e-6)] * 12
    assert linprog(np.zeros(12), A_eq=MATRIX[rows], b_eq=missing, bounds=bounds, method="highs").status == 0
    least = 100 * 0.1 * least_thrust_time(wrench, axes)
    assert given_time.sum() <= 1.01 * least + 12 * BIT


def driver_reach(wrench, axes):
    """Largest multiple of the wrench that HiGHS can reach."""
    rows = axis_mask(axes)
    if np.abs(wrench[rows]).max() < 1e-6:
        return 0.0
    columns = np.column_stack([MATRIX[rows], -wrench[rows]])
    bounds = [(0.0, 1.0)] * 12 + [(0.0, None)]
    cost = np.append(np.zeros(12), -1.0)
    return -linprog(cost, A_eq=columns, b_eq=np.zeros(rows.sum()), bounds=bounds, method="highs").fun


def test_opposite_leftovers_cancel_instead_of_being_fired():
    driver = ThrusterDriver(VEHICLE, "table", TABLE_AXES)
    push = np.array([0.0, 0.02, 0.0, 0.0, 0.0, 0.0])  # two thirds of a bit for each of two valves
    given_time = full_thrust(drive(driver, [push, -push] * 50))
    assert given_time.sum() == 0.0


def test_leftovers_that_come_and_go_never_fire_against_the_mean():
    """A tenth of a bit per period to the left, and each period half a bit to and fro on top: only left is fired."""
    driver = ThrusterDriver(VEHICLE, "table", TABLE_AXES)
    mean, swing = (share * BIT / PERIOD * 1e9 * 0.3 * np.eye(6)[1] for share in (0.1, 0.5))
    given_time = full_thrust(drive(driver, [mean + swing, mean - swing] * 100))
    right = [j for j in range(12) if MATRIX[1, j] < 0.0]
    assert np.all(given_time[right] == 0.0)
    assert 18 * 2 * BIT <= given_time.sum() <= 20 * 2 * BIT + 1e-9  # two valves push to the left


@settings(deadline=None, max_examples=40)
@given(st.lists(six, min_size=40, max_size=40), st.sampled_from([0.002, 0.02, 0.2, 4.0]))
def test_no_period_has_pulses_of_opposed_valves(directions, size):
    driver = ThrusterDriver(VEHICLE, "table", TABLE_AXES)
    columns = MATRIX[axis_mask(TABLE_AXES)] / np.linalg.norm(MATRIX[axis_mask(TABLE_AXES)] + 1e-12, axis=0)
    opposed = np.abs(columns[:, :, None] + columns[:, None, :]).max(axis=0) < 1e-9
    opposed &= np.abs(columns).max(axis=0) > 0.1  # not those that the table holds
    assert opposed.sum() == 4, "a nozzle to each side in front and behind"
    for schedule in drive(driver, [size * one * SIZE for one in directions]):
        fires = schedule["open"][:, :12].any(axis=0)
        assert not np.any(opposed[fires][:, fires])


def test_at_the_iteration_cap_the_driver_still_gives_what_it_has_and_counts_it():
    driver = ThrusterDriver(VEHICLE, "cabin", CABIN_AXES)
    driver.parameters[0]["allocation"]["iteration_cap"] = 5
    wrench = np.array([0.05, 0.1, 0.02, 0.0, 0.002, 0.01])
    impulse = MATRIX @ full_thrust(drive(driver, [wrench] * 100))
    share = impulse @ wrench / (wrench @ wrench) / 10.0
    assert driver.state[0]["outcomes"][Outcome.CAPPED] == 100
    assert 0.0 <= share <= 1.0
    assert impulse == pytest.approx(10.0 * share * wrench, abs=12 * BIT * 0.15)


def test_saturation_keeps_the_direction_of_the_impulse():
    driver = ThrusterDriver(VEHICLE, "table", TABLE_AXES)
    wrench = np.array([1.0, 1.0, 0.0, 0.0, 0.0, 0.1])
    rows = axis_mask(TABLE_AXES)
    impulse = (MATRIX @ full_thrust(drive(driver, [wrench] * 100)))[rows]
    direction = wrench[rows] / np.linalg.norm(wrench[rows])
    assert np.linalg.norm(impulse - direction * (direction @ impulse)) < 0.01 * np.linalg.norm(impulse)
    assert direction @ impulse == pytest.approx(10.0 * driver_reach(direction @ np.eye(6)[rows], TABLE_AXES), rel=0.02)


@pytest.mark.parametrize("sag", [0.0, 0.12])
def test_what_saturation_takes_away_is_not_given_later(sag):
    """After far too much to and fro nothing is wanted: at most about one shortest pulse of each valve is left."""
    driver, rng = ThrusterDriver(with_thrusters(maximum_sag=sag), "table", TABLE_AXES), np.random.default_rng(12)
    schedules = drive(driver, np.vstack([4.0 * rng.normal(size=(200, 6)) * SIZE, np.zeros((20, 6))]))
    assert driver.state[0]["outcomes"][Outcome.SATURATED] > 100
    valves = np.abs(MATRIX[axis_mask(TABLE_AXES)]).max(axis=0) > 0.1
    most = float(driver.parameters[0]["modulation"]["most"])
    assert full_thrust(schedules[200:]).sum() <= valves.sum() * most
    assert not any(schedule["open"].any() for schedule in schedules[203:])


def test_the_same_wrenches_give_the_same_bits():
    rng = np.random.default_rng(9)
    wrenches = rng.normal(size=(100, 6)) * SIZE
    first, second = (drive(ThrusterDriver(VEHICLE, "cabin", CABIN_AXES), wrenches) for _ in range(2))
    assert np.array(first).tobytes() == np.array(second).tobytes()
