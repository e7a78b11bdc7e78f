"""How far a valve is open at a chirp's arrival, looked up before its tick is advanced."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from testbed.description.messages import MAX_VALVES
from testbed.model.jet_noise import opening_at
from testbed.model.schedule import Verdict, command_valves
from testbed.model.valves import STUCK_CLOSED, move_valves
from tests.model.scene import CABIN, START, TICK, a_plant, a_schedule, steady

CALM = np.zeros((MAX_VALVES, 2))
TICKS = 14


def looked_up(points, valve, ticks, time, stuck=False):
    """`opening_at` before the tick number `ticks`, and the opening once the valves have moved to `time`."""
    plant = a_plant(steady(), room=CABIN)
    vehicle, state = plant.vehicles[0], plant.states[0]
    if stuck:
        vehicle["valve_stuck"][valve] = STUCK_CLOSED
    assert plant.accept_schedule(0, a_schedule(START, *points), START) == Verdict.ACCEPTED
    for k in range(ticks):
        now = START + k * TICK
        command_valves(vehicle, state, now, now + TICK, CALM)
        move_valves(vehicle, state, now, now + TICK)
    now = START + ticks * TICK
    told = opening_at(vehicle, state, valve, now, now + time)
    command_valves(vehicle, state, now, now + TICK, CALM)
    move_valves(vehicle, state, now, now + time)
    return told, state["opening"][valve]


@given(
    times=st.lists(st.integers(0, 12), min_size=2, max_size=8, unique=True).map(sorted),
    valves=st.lists(st.sets(st.integers(0, 3)), min_size=8, max_size=8),
    valve=st.integers(0, 3),
    ticks=st.integers(0, TICKS),
    time=st.integers(1, TICK - 1),
)
@settings(max_examples=200)
def test_it_is_that_to_which_the_valves_will_have_moved(times, valves, valve, ticks, time):
    points = [(0.011 * at, tuple(some)) for at, some in zip(times, valves, strict=False)]
    points[-1] = (points[-1][0], ())
    told, moved = looked_up(points, valve, ticks, time)
    assert told == pytest.approx(moved, abs=1e-9)


def test_it_follows_the_ramp():
    """Commanded to close at 9 ms: it begins to after a delay of 5 ms, and is shut 2 ms later."""
    points = [(0.0, (1,)), (0.009, ())]
    found = [looked_up(points, 1, 1, time)[0] for time in (1, 4_500_000, 5_000_000, 8_000_000)]
    assert found == pytest.approx([1.0, 0.75, 0.5, 0.0], abs=1e-6)


def test_what_is_commanded_within_the_tick_counts():
    """Commanded to open at 20 ms, after a delay of 6 ms and a rise of 2 ms it is open."""
    found = [looked_up([(0.02, (1,)), (0.1, ())], 1, 2, time)[0] for time in (5_500_000, 7_000_000, 8_500_000)]
    assert found == pytest.approx([0.0, 0.5, 1.0], abs=1e-6)


def test_a_stuck_valve_stays_where_it_is():
    assert looked_up([(0.0, (1,)), (0.05, ())], 1, 3, 1, stuck=True)[0] == 0.0
