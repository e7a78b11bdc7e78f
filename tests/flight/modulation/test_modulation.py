"""Modulation: pulses as the valve can do them, right on average, the schedule as the contract wants it."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from testbed.description import messages
from testbed.flight.modulation import Modulation
from tests.flight.fired import with_thrusters

STEADY = with_thrusters(maximum_sag=0.0)
"""Of a supply that does not sag, so that on-times tell what is given; test_supply.py has the others."""
COUNT = len(STEADY.thrusters.valves)
PERIOD = 100_000_000
MINIMUM_ON = 10_000_000
BIT = 0.009
"""Time of full thrust of the shortest command, s: 10 ms, opening 6 ms and closing 5 ms late."""

duties = st.lists(st.floats(0.0, 1.0), min_size=COUNT, max_size=COUNT).map(np.array)


def on_times(schedule):
    """Commanded pulses of one schedule: (opening, closing) offsets in ns per valve, (0, 0) for none."""
    one, found = schedule[0], np.zeros((COUNT, 2), int)
    for valve in range(COUNT):
        is_open = np.flatnonzero(one["open"][: one["count"], valve])
        if len(is_open):
            found[valve] = one["offset"][is_open[0]], one["offset"][is_open[-1] + 1]
    return found


def commands(schedules):
    """Commanded pulses per valve over consecutive schedules, ns; what goes on into the next period is one pulse."""
    found = [[] for _ in range(COUNT)]
    for number, schedule in enumerate(schedules):
        for pulses, (opening, closing) in zip(found, on_times(schedule) + number * PERIOD, strict=True):
            if pulses and closing > opening == pulses[-1][1]:
                pulses[-1] = (pulses[-1][0], closing)
            elif closing > opening:
                pulses.append((opening, closing))
    return found


def full_thrust(schedules):
    """Seconds of full thrust per valve over consecutive schedules; each pulse opens 6 ms and closes 5 ms late."""
    return np.array([sum((b - a) / 1e9 - 0.001 for a, b in pulses) for pulses in commands(schedules)])


@settings(deadline=None, max_examples=100)
@given(duties)
def test_a_schedule_is_as_the_contract_wants_it(duty):
    schedule = Modulation(STEADY).modulate(5 * PERIOD, duty)[0]
    count = schedule["count"]
    offsets = schedule["offset"][:count]
    assert schedule["stamp"] == 5 * PERIOD
    assert 1 <= count <= messages.MAX_POINTS
    assert offsets[0] == 0
    assert np.all(np.diff(offsets) > 0)
    assert offsets[-1] <= 200_000_000
    assert not schedule["open"][count - 1].any()
    assert not schedule["open"][:, COUNT:].any()


@settings(deadline=None, max_examples=100)
@given(st.lists(duties, min_size=3, max_size=8))
def test_no_pulse_and_no_pause_is_shorter_than_the_shortest_pulse(sequence):
    modulation = Modulation(STEADY)
    schedules = [modulation.modulate((1 + number) * PERIOD, duty) for number, duty in enumerate(sequence)]
    for pulses in commands(schedules):
        edges = np.array(pulses).ravel()
        assert np.all(np.diff(edges) >= MINIMUM_ON)


@settings(deadline=None, max_examples=100)
@given(duties)
def test_pulses_are_centred_unless_that_would_leave_too_short_a_pause(duty):
    for opening, closing in on_times(Modulation(STEADY).modulate(PERIOD, duty)):
        half = (PERIOD - (closing - opening)) // 2
        assert closing == 0 or abs(opening - (half if half >= MINIMUM_ON else 0)) <= 1


@settings(deadline=None, max_examples=60)
@given(duties)
def test_a_constant_duty_is_given_to_one_shortest_pulse_over_100_periods(duty):
    modulation = Modulation(STEADY)
    schedules = [modulation.modulate((1 + number) * PERIOD, duty) for number in range(100)]
    assert np.all(np.abs(full_thrust(schedules) - 100 * 0.1 * duty) <= BIT + 1e-6)


@settings(deadline=None, max_examples=60)
@given(st.lists(duties, min_size=30, max_size=30))
def test_changing_duties_are_given_to_one_shortest_pulse_in_all(sequence):
    """With a last period in which nothing is asked for: one at full duty has no room for what is still owed."""
    modulation = Modulation(STEADY)
    sequence = [*sequence, np.zeros(COUNT)]
    schedules = [modulation.modulate((1 + number) * PERIOD, duty) for number, duty in enumerate(sequence)]
    assert np.all(np.abs(full_thrust(schedules) - 0.1 * np.sum(sequence, axis=0)) <= BIT + 1e-6)


def test_what_a_full_period_cannot_make_up_for_is_not_forgotten_however_often_it_happens():
    modulation = Modulation(STEADY)
    sequence = [np.full(COUNT, 1.0 if number % 2 == 0 else 0.078125) for number in range(100)]
    schedules = [modulation.modulate((1 + number) * PERIOD, duty) for number, duty in enumerate(sequence)]
    assert np.all(np.abs(full_thrust(schedules) - 0.1 * np.sum(sequence, axis=0)) <= BIT + 1e-6)


def test_a_full_duty_stays_open_from_period_to_period():
    modulation = Modulation(STEADY)
    for number in range(5):
        pulses = on_times(modulation.modulate((1 + number) * PERIOD, np.ones(COUNT)))
        assert np.all(pulses == [0, PERIOD])


def test_a_schedule_that_comes_early_cuts_the_pulse_off_and_what_is_missing_is_owed():
    modulation = Modulation(STEADY)
    modulation.modulate(PERIOD, np.full(COUNT, 0.4))  # open from 29.5 to 70.5 ms
    late = on_times(modulation.modulate(PERIOD + 50_000_000, np.full(COUNT, 0.4)))
    # Of 20 ms wanted until then 19.5 were given (late opening booked); the valve is still open.
    assert late[0, 1] - late[0, 0] == pytest.approx(41_000_000 + 500_000, abs=2)


def test_after_a_long_silence_nothing_is_owed():
    modulation = Modulation(STEADY)
    modulation.modulate(PERIOD, np.full(COUNT, 0.05))
    modulation.modulate(2 * PERIOD, np.full(COUNT, 0.05))
    assert np.all(on_times(modulation.modulate(9 * PERIOD, np.full(COUNT, 0.05))) == 0)


def test_a_shortest_pulse_that_would_not_open_the_valve_is_lengthened():
    slow = with_thrusters(maximum_sag=0.0, opening_delay=0.012, rise_time=0.008, minimum_on=0.005)
    pulses = on_times(Modulation(slow).modulate(PERIOD, np.full(COUNT, 0.2)))
    assert Modulation(slow).parameters[0]["minimum_on"] == 15_000_000
    assert np.all(pulses[:, 1] - pulses[:, 0] >= 15_000_000)


@pytest.mark.parametrize("minimum_on", [0.05, 0.06, 0.09, 0.0999])
def test_pulses_longer_than_half_the_period_leave_what_room_there_is(minimum_on):
    slow = Modulation(with_thrusters(maximum_sag=0.0, minimum_on=minimum_on))
    duty = np.linspace(0.0, 1.0, COUNT)
    schedules = [slow.modulate((1 + number) * PERIOD, duty) for number in range(100)]
    for schedule in schedules:
        length = np.diff(on_times(schedule)).ravel()
        assert np.all((length == 0) | (length >= round(minimum_on * 1e9)))
    assert np.all(np.abs(full_thrust(schedules) - 10.0 * duty) <= minimum_on)


@pytest.mark.parametrize("duty", [0.1, 0.3, 0.5])
def test_late_opening_and_early_closing_are_compensated(duty):
    early = with_thrusters(maximum_sag=0.0, opening_delay=0.02, closing_delay=0.004)
    pulses = on_times(Modulation(early).modulate(PERIOD, np.full(COUNT, duty)))
    length = (pulses[:, 1] - pulses[:, 0]) / 1e9
    assert length == pytest.approx(np.full(COUNT, 0.1 * duty + 0.016), abs=2e-9)
