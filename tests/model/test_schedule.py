"""Valve schedules: what is refused, what replaces what, and what closes by itself."""

import numpy as np
import pytest

from testbed.description.messages import MAX_POINTS
from testbed.model.schedule import DEADMAN_NS, Verdict
from tests.model.scene import CABIN, START, TICK, a_plant, a_schedule, run, steady

MS = 1_000_000


def edges(plant):
    """Commanded edges of the last tick as (valve, ms after START, open)."""
    state = plant.states[0]
    return [
        (int(state["edge_valve"][k]), (int(state["edge_stamp"][k]) - START) / 1e6, bool(state["edge_open"][k]))
        for k in range(state["edge_count"])
    ]


def all_edges(plant, ticks):
    found = []
    for k in range(ticks):
        run(plant, 1, START + k * TICK)
        found += edges(plant)
    return found


def offer(plant, schedule, now=START):
    return plant.accept_schedule(0, schedule, now)


@pytest.fixture
def plant():
    return a_plant(steady(), room=CABIN)


@pytest.mark.parametrize(
    ("stamp", "verdict"),
    [
        (0, Verdict.STAMP_ZERO),
        (START - 1, Verdict.PAST),
        (START, Verdict.ACCEPTED),
        (START + 500 * MS, Verdict.ACCEPTED),
        (START + 500 * MS + 1, Verdict.TOO_FAR),
    ],
)
def test_the_stamp_decides_and_every_verdict_is_counted(plant, stamp, verdict):
    assert offer(plant, a_schedule(stamp, (0.0, (0,)), (0.05, ()))) == verdict
    assert plant.states[0]["verdicts"].tolist() == [int(verdict == each) for each in Verdict]


def broken(change):
    schedule = a_schedule(START, (0.0, (0,)), (0.05, (1,)), (0.1, ()))
    change(schedule)
    return schedule


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(lambda s: s["open"].__setitem__((2, 3), 1), id="last point leaves a valve open"),
        pytest.param(lambda s: s["offset"].__setitem__(2, 200 * MS + 1), id="ends too late"),
        pytest.param(lambda s: s["offset"].__setitem__(0, -1), id="begins before its stamp"),
        pytest.param(lambda s: s["offset"].__setitem__(1, 0), id="two points at once"),
        pytest.param(lambda s: s["open"].__setitem__((0, 12), 1), id="a valve that is not there"),
        pytest.param(lambda s: s["open"].__setitem__((0, 0), 2), id="neither open nor closed"),
        pytest.param(lambda s: s.__setitem__("count", MAX_POINTS + 1), id="too many points"),
        pytest.param(lambda s: s.__setitem__("count", -1), id="negative count"),
    ],
)
def test_a_malformed_schedule_is_refused_and_changes_nothing(plant, change):
    offer(plant, a_schedule(START, (0.0, (5,)), (0.02, ())))
    assert offer(plant, broken(change)) == Verdict.MALFORMED
    assert all_edges(plant, 10) == [(5, 0.0, True), (5, 20.0, False)]


def test_a_newer_schedule_replaces_what_is_left_of_an_older_one_from_its_stamp_on(plant):
    offer(plant, a_schedule(START, (0.0, (0,)), (0.03, (0, 1)), (0.09, ())))
    offer(plant, a_schedule(START + 50 * MS, (0.0, (1,)), (0.02, ())))
    assert all_edges(plant, 12) == [(0, 0.0, True), (1, 30.0, True), (0, 50.0, False), (1, 70.0, False)]


def test_a_schedule_for_sooner_replaces_one_for_later(plant):
    offer(plant, a_schedule(START + 100 * MS, (0.0, (0,)), (0.03, ())))
    offer(plant, a_schedule(START + 20 * MS, (0.0, (1,)), (0.03, ())))
    assert all_edges(plant, 15) == [(1, 20.0, True), (1, 50.0, False)]


def test_edges_are_stamped_to_the_nanosecond_and_logged_in_their_own_tick(plant):
    offer(plant, a_schedule(START + 12_345_678, (0.0, (3,)), (0.010000001, ())))
    run(plant, 1)
    assert edges(plant) == []
    run(plant, 1, START + TICK)
    assert edges(plant) == [(3, 12.345678, True)]
    run(plant, 1, START + 2 * TICK)
    assert edges(plant) == [(3, 22.345679, False)]


def test_a_schedule_without_points_closes_now_whatever_its_stamp(plant):
    offer(plant, a_schedule(START, (0.0, (0, 1)), (0.15, ())))
    run(plant, 3)
    assert offer(plant, a_schedule(0), START + 3 * TICK) == Verdict.ACCEPTED
    run(plant, 1, START + 3 * TICK)
    assert edges(plant) == [(0, 30.0, False), (1, 30.0, False)]
    run(plant, 20, START + 4 * TICK)
    assert not plant.states[0]["opening"].any()


def test_closing_by_hand_drops_all_that_was_to_come(plant):
    offer(plant, a_schedule(START, (0.0, (0,)), (0.03, (1,)), (0.15, ())))
    run(plant, 2)
    plant.close_valves(0, START + 2 * TICK)
    run(plant, 1, START + 2 * TICK)
    assert edges(plant) == [(0, 20.0, False)]
    assert plant.states[0]["point_count"] == 0


def test_the_deadman_closes_a_quarter_second_after_the_last_fresh_schedule(plant):
    offer(plant, a_schedule(START + 150 * MS, (0.0, (0,)), (0.19, ())))
    assert all_edges(plant, 60) == [(0, 150.0, True), (0, DEADMAN_NS / 1e6, False)]
    assert plant.states[0]["deadman_closings"] == 1


def test_a_refused_schedule_is_not_fresh(plant):
    offer(plant, a_schedule(START + 150 * MS, (0.0, (0,)), (0.19, ())))
    run(plant, 20)
    assert offer(plant, a_schedule(0, (0.0, (0,)), (0.19, ())), START + 20 * TICK) == Verdict.STAMP_ZERO
    run(plant, 10, START + 20 * TICK)
    assert plant.states[0]["commanded"] == 0


def test_the_deadman_does_not_act_while_schedules_come_or_when_nothing_is_open(plant):
    for k in range(50):
        now = START + k * TICK
        if k % 20 == 0:
            offer(plant, a_schedule(now, (0.0, (0,)), (0.1999, ())), now)
        run(plant, 1, now)
    run(plant, 100, START + 50 * TICK)
    assert plant.states[0]["deadman_closings"] == 0


def test_a_flood_of_points_is_refused_once_there_is_no_room(plant):
    points = [(k * 0.001, (k % 2,)) for k in range(MAX_POINTS - 1)] + [(0.05, ())]
    run(plant, 1, START - TICK)
    verdicts = [offer(plant, a_schedule(START + k * 51 * MS, *points)) for k in range(9)]
    assert verdicts == [Verdict.ACCEPTED] * 4 + [Verdict.MALFORMED] * 5
    assert np.all(np.diff(plant.states[0]["point_stamp"][: plant.states[0]["point_count"]]) > 0)
