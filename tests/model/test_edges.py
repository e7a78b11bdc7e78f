"""Valve edges as rows: one per moment, each with all valves that are open after it."""

import numpy as np

from testbed.model.edges import EDGE, fill_open, take_edges
from testbed.model.valves import STUCK_CLOSED, STUCK_OPEN
from tests.model.scene import CABIN, START, TICK, a_plant, a_schedule, run, steady


def taken(plant, room=8):
    rows = np.zeros(room, EDGE)
    count = take_edges(plant.vehicles[0], plant.states[0], rows)
    return [((int(row["stamp"]) - START) / 1e6, np.flatnonzero(row["open"]).tolist()) for row in rows[:count]]


def test_edges_of_one_moment_make_one_row():
    plant = a_plant(steady(), room=CABIN)
    plant.accept_schedule(0, a_schedule(START, (0.001, (0, 3)), (0.004, (3, 7)), (0.015, ())), START)
    run(plant, 1)
    assert taken(plant) == [(1.0, [0, 3]), (4.0, [3, 7])]
    run(plant, 1, START + TICK)
    assert taken(plant) == [(15.0, [])]
    run(plant, 1, START + 2 * TICK)
    assert taken(plant) == []


def test_more_edges_than_rows_are_cut_off():
    plant = a_plant(steady(), room=CABIN)
    plant.accept_schedule(0, a_schedule(START, (0.0, (0,)), (0.001, (1,)), (0.002, (2,)), (0.003, ())), START)
    run(plant, 1)
    assert taken(plant, room=2) == [(0.0, [0]), (1.0, [1])]


def test_what_is_commanded_open_now_can_be_read_at_any_time():
    plant = a_plant(steady(), room=CABIN)
    plant.accept_schedule(0, a_schedule(START, (0.0, (2, 11)), (0.1, ())), START)
    run(plant, 2)
    row = np.zeros(1, EDGE)[0]
    fill_open(plant.vehicles[0], plant.states[0], START + 2 * TICK, row)
    assert row["stamp"] == START + 2 * TICK
    assert np.flatnonzero(row["open"]).tolist() == [2, 11]


def test_a_stuck_valve_is_reported_as_it_is():
    plant = a_plant(steady(), room=CABIN)
    plant.vehicles[0]["valve_stuck"][3], plant.vehicles[0]["valve_stuck"][5] = STUCK_CLOSED, STUCK_OPEN
    plant.accept_schedule(0, a_schedule(START, (0.001, (0, 3)), (0.015, ())), START)
    run(plant, 1)
    assert taken(plant) == [(1.0, [0, 5])]
    run(plant, 1, START + TICK)
    assert taken(plant) == [(15.0, [5])]
