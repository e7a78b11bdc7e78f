"""Stuck valves: sound ones are never taken for such, whatever they are told; stuck ones are, and the others push."""

from itertools import pairwise

import numpy as np
import pytest

from testbed.description import messages
from testbed.description.axes import TABLE_AXES
from testbed.description.estimation import EstimatorSettings
from testbed.description.messages import NS_PER_S, TICK_NS
from testbed.description.vehicle import ThrusterSet
from testbed.flight.stuck_valves import PATIENCE, Condition
from testbed.flight.thruster_driver import ThrusterDriver
from tests.drawn.honest_valves import ReportedValves
from tests.drawn.layouts import spanning_layout
from tests.flight.fired import with_thrusters
from tests.flight.test_thruster_driver import AT_REST, START, VEHICLE

REPORTED = {"estimator": EstimatorSettings(valve_forces="reported")}
SLOWEST = 0.1
"""A sound valve is late by no more than this beside its delays, s: the slowest that a fault makes it."""


def reported(vehicle):
    return vehicle.model_copy(update=REPORTED)


def fly(driver, valves, wrenches, permitted=True):
    """Answer to one wrench a period, with reports of the valves; yields the stamp, the schedule and what was found."""
    schedule, message, odometry = np.zeros(1, messages.SCHEDULE), np.zeros(1, messages.WRENCH), AT_REST.copy()
    for wrench in wrenches:
        stamp = valves.now // TICK_NS * TICK_NS
        message["stamp"] = odometry["stamp"] = stamp
        message["force"], message["torque"] = wrench[:3], wrench[3:]
        driver.step(odometry, message, permitted, schedule)
        valves.accept(schedule[0])
        yield stamp, schedule[0], driver.findings
        for report in valves.reports(stamp + driver.modulation_period):
            driver.accept_report(report)


def drawn_session(generator):
    """A drawn layout with drawn delays, shortest pulse and period; valves that answer later than believed, too."""
    layout = spanning_layout(generator)
    opening, closing = generator.uniform(0.0, 0.1, 2) if generator.random() < 0.3 else generator.uniform(0.0, 0.01, 2)
    period = 0.05 * float(generator.integers(1, 4))
    shortest = float(generator.uniform(0.001, min(0.1, 0.9 * period)))
    changes = {
        "opening_delay": opening, "closing_delay": closing, "minimum_on": shortest, "modulation_period": period,
        "delay_jitter": 0.0, "rise_time": 0.001, "fall_time": 0.001,
    }  # fmt: skip
    thrusters = ThrusterSet(**(layout.vehicle.thrusters.model_dump() | changes))
    vehicle = reported(layout.vehicle.model_copy(update={"thrusters": thrusters}))
    more = generator.uniform(0.0, SLOWEST)
    late = round((opening + more) * NS_PER_S), round((closing + more) * NS_PER_S)
    driver = ThrusterDriver(vehicle, layout.place, layout.axes)
    return layout, driver, ReportedValves(len(layout.flow), late, START)


def drawn_wrenches(generator, layout, count):
    """Of all sizes, each asked for over some periods: duties from next to none to all of the time."""
    while count > 0:
        times = min(int(generator.integers(1, 12)), count)
        count -= times
        rows = generator.normal(size=len(layout.matrix)) * generator.choice([0.01, 0.3, 1.0, 4.0])
        wrench = np.zeros(6)
        wrench[layout.active] = rows * layout.row_size
        yield from [wrench] * times


def test_sound_valves_are_never_taken_for_stuck():
    generator, opened = np.random.default_rng(301), 0
    for _ in range(60):
        layout, driver, valves = drawn_session(generator)
        for _, schedule, found in fly(driver, valves, drawn_wrenches(generator, layout, 60)):
            assert len(found) == 0
            opened += schedule["open"].any()
    assert opened > 1000


@pytest.mark.parametrize("open_", [True, False], ids=["open", "closed"])
def test_a_stuck_valve_is_found_when_it_has_contradicted_for_long_enough(open_):
    """A report, and the next wrench after that: so long at most, and never before the valve is stuck."""
    generator, found_ones = np.random.default_rng(302), 0
    for _ in range(60):
        layout, driver, valves = drawn_session(generator)
        stuck = int(generator.choice(np.flatnonzero(layout.in_service)))
        since = START + int(generator.uniform(0.5, 2.0) * NS_PER_S)
        valves.stuck_since[stuck], valves.stuck_to[stuck] = since, open_
        patience, told_at = round(PATIENCE * NS_PER_S), None
        for stamp, _, found in fly(driver, valves, drawn_wrenches(generator, layout, 80)):
            contradicted = contradiction(driver, valves, stuck, open_, stamp) if told_at is None else 0
            for one in found:
                wrong = Condition.STUCK_OPEN if open_ else Condition.STUCK_CLOSED
                assert (one["valve"], one["condition"], told_at) == (stuck, wrong, None)
                assert contradicted >= patience or not open_
                assert stamp >= since + patience - SLOWEST * NS_PER_S
                told_at = stamp
            if told_at is None:
                assert contradicted < patience + TICK_NS
        found_ones += told_at is not None
    assert found_ones > 40


def contradiction(driver, valves, valve, open_, until):
    """For how long the valve was told the contrary since it did that last, delays not counted, ns.

    Of one that is stuck closed only where others opened after it was told to.
    """
    p = driver.parameters[0]["watch"]
    late = int(p["closing"] if open_ else p["opening"])
    edges = [(at, bool(is_open)) for at, one, is_open in valves.edges() if one == valve and at <= until]
    if (edges[-1][1] if edges else False) != open_:
        return 0
    contrary = max((at for at, is_open in edges if is_open != open_), default=0)
    since = min((at for at, _ in edges if at > contrary), default=0)
    commands, parts = [(0, 0), *valves.commands(valve), (until, None)], []
    for (stamp, is_open), (end, _) in pairwise(commands):
        if bool(is_open) != open_ and min(end, until) > max(stamp + late, since):
            parts.append((max(stamp + late, since), min(end, until)))
    if not open_ and parts:
        others = [at for at, one, is_open in valves.edges() if one != valve and is_open and at <= until]
        if max(others, default=0) <= parts[0][0]:
            return 0
    return sum(end - begin for begin, end in parts)


def test_a_valve_that_is_whole_again_is_sound_again():
    generator = np.random.default_rng(303)
    driver = ThrusterDriver(reported(with_thrusters()), "table", TABLE_AXES)
    valves = ReportedValves(12, (6_000_000, 5_000_000), START)
    valves.stuck_since[1], valves.stuck_to[1] = START + NS_PER_S, 1
    told = []
    for stamp, _, found in fly(driver, valves, generator.normal(size=(60, 6)) * 0.02):
        told += [(Condition(one["condition"]), Condition(one["before"])) for one in found]
        if stamp == START + 3 * NS_PER_S:
            valves.stuck_since[1] = 1 << 62
    assert told == [(Condition.STUCK_OPEN, Condition.SOUND), (Condition.SOUND, Condition.STUCK_OPEN)]


def test_valves_that_all_stay_closed_are_held_by_somebody_and_count_as_sound():
    driver = ThrusterDriver(reported(with_thrusters()), "table", TABLE_AXES)
    valves = ReportedValves(12, (6_000_000, 5_000_000), START)
    valves.stuck_since[:] = START
    wrench = np.array([0.2, 0.1, 0.0, 0.0, 0.0, 0.01])
    assert not any(len(found) for _, _, found in fly(driver, valves, [wrench] * 40))


def test_what_was_stuck_closed_is_tried_again_with_a_new_permission():
    driver = ThrusterDriver(reported(with_thrusters()), "table", TABLE_AXES)
    valves = ReportedValves(12, (6_000_000, 5_000_000), START)
    valves.stuck_since[0] = START
    wrenches = [driver.parameters[0]["matrix"][:, [0, 1]] @ [0.8, 0.4]] * 20
    found = [one for _, _, news in fly(driver, valves, wrenches) for one in news["condition"]]
    assert found == [Condition.STUCK_CLOSED]
    assert not valves.told[-2][1][0], "it is not told to open any more"
    assert not any(len(news) for _, _, news in fly(driver, valves, wrenches[:3], permitted=False))
    found = [one for _, _, news in fly(driver, valves, wrenches) for one in news["condition"]]
    assert found == [Condition.STUCK_CLOSED]


@pytest.mark.parametrize("share", [0.0, 0.3])
def test_the_others_push_against_a_valve_that_is_stuck_open(share):
    """The impulse of all valves together is what is asked for; with a supply that does not sag."""
    generator = np.random.default_rng(304)
    for stuck in (k for k, valve in enumerate(VEHICLE.thrusters.valves) if "vertical" not in valve.name):
        vehicle = reported(with_thrusters(maximum_sag=0.0, opening_delay=0.006, closing_delay=0.006))
        driver = ThrusterDriver(vehicle, "table", TABLE_AXES)
        valves = ReportedValves(12, (6_000_000, 6_000_000), START)
        valves.stuck_since[stuck], valves.stuck_to[stuck] = START + 1, 1
        matrix = driver.parameters[0]["matrix"][:, :12]
        wrench = share * np.array([0.1, 0.1, 0.0, 0.0, 0.0, 0.01]) * generator.choice([-1.0, 1.0], 6)
        periods, begun = list(fly(driver, valves, [wrench] * 60)), START + 10 * driver.modulation_period
        assert [int(one["valve"]) for _, _, found in periods for one in found] == [stuck]
        until = valves.now
        impulse = matrix @ open_times(valves, begun, until)
        expected = wrench * (until - begun) / NS_PER_S
        plane = [0, 1, 5]
        bit = 12 * 0.012 * np.abs(matrix).max(axis=1)[plane]
        assert np.all(np.abs(impulse - expected)[plane] < bit)
        assert np.any(np.abs(matrix[plane, stuck] * (until - begun) / NS_PER_S) > 2.0 * bit), "it would be seen"


def open_times(valves, begin, end):
    """For how long each valve was open, s."""
    total, state, since = np.zeros(valves.count), np.zeros(valves.count), begin
    for stamp, valve, is_open in [*valves.edges(), (end, -1, 0)]:
        at = min(max(stamp, begin), end)
        total += state * (at - since) / NS_PER_S
        since = at
        if valve >= 0:
            state[valve] = is_open
    return total


def test_without_reports_nothing_is_found():
    driver = ThrusterDriver(with_thrusters(), "table", TABLE_AXES)
    valves = ReportedValves(12, (6_000_000, 5_000_000), START)
    valves.stuck_since[0], valves.stuck_to[0] = START, 1
    assert not any(len(found) for _, _, found in fly(driver, valves, np.zeros((30, 6))))
