"""What sagging supply and late valves take away is made up for: valves in the plant give what they are meant to."""

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from testbed.flight.modulation import Modulation
from testbed.flight.modulation.replay import replay
from testbed.flight.modulation.supply import LEAST, strength_giving, strength_under
from tests.drawn.sagging import mean_strength
from tests.flight.fired import fired, with_thrusters

PERIOD = 100_000_000
START = 10 * PERIOD
COUNT = 12
SAGS = (0.0, 0.12, 0.3)

duties = st.lists(st.floats(0.0, 0.7), min_size=COUNT, max_size=COUNT).map(np.array)


def one_period(vehicle, duty):
    """Seconds of nominal thrust that the plant gives in one period."""
    return fired(vehicle, [Modulation(vehicle).modulate(START, duty)[0]])[0]


@pytest.mark.parametrize("sag", SAGS)
@pytest.mark.parametrize("open_valves", range(1, 9))
@pytest.mark.parametrize("duty", [0.12, 0.2, 0.4])
def test_one_period_gives_its_impulse_to_half_a_percent_however_many_valves_are_open(sag, open_valves, duty):
    wanted = np.zeros(COUNT)
    wanted[:open_valves] = duty * np.linspace(1.0, 1.3, open_valves)
    assert one_period(with_thrusters(maximum_sag=sag), wanted) == pytest.approx(0.1 * wanted, rel=5e-3)


def test_without_compensation_eight_valves_would_give_a_fifth_less():
    """The plant sags as much as believed: on-times of a steady supply in it fall short."""
    wanted = np.zeros(COUNT)
    wanted[:8] = 0.5
    schedule = Modulation(with_thrusters(maximum_sag=0.0)).modulate(START, wanted)[0]
    given_time, _ = fired(with_thrusters(maximum_sag=0.12), [schedule])
    assert given_time[:8].sum() < 0.85 * 0.1 * wanted.sum()


@settings(deadline=None, max_examples=25)
@given(duties, st.sampled_from(SAGS), st.sampled_from([(0.006, 0.005), (0.012, 0.004), (0.003, 0.008)]))
def test_what_is_booked_is_what_the_plant_gives(duty, sag, delays):
    vehicle = with_thrusters(maximum_sag=sag, opening_delay=delays[0], closing_delay=delays[1])
    modulation = Modulation(vehicle)
    schedule = modulation.modulate(START, duty)[0]
    booked = modulation.state[0]["pulses"]["given"][:COUNT]
    assert fired(vehicle, [schedule])[0] == pytest.approx(booked, abs=3e-5)


@settings(deadline=None, max_examples=8)
@given(duties, st.sampled_from(SAGS))
@example(np.array([0.0] * 8 + [0.5, 0.5, 0.6875, 0.6171875]), 0.3)  # starts below rest, ends just before the pause
def test_a_constant_duty_is_given_to_one_shortest_pulse_over_100_periods(duty, sag):
    vehicle = with_thrusters(maximum_sag=sag)
    modulation = Modulation(vehicle)
    supply = modulation.parameters[0]["supply"]
    duty = duty * min(1.0, 3.0 / max(duty.sum(), 1e-9))
    # So that the sagging supply can give it, also as pulses, that draw less evenly than the optimum.
    assume(duty.max() <= 0.97 * mean_strength(supply, supply["draw"][:COUNT] @ duty))
    schedules = [modulation.modulate(START + number * PERIOD, duty)[0] for number in range(100)]
    bit = modulation.parameters[0]["bit"]
    assert np.all(np.abs(fired(vehicle, schedules)[0] - 10.0 * duty) <= bit + 3e-4)


@pytest.mark.parametrize("sag", SAGS)
@pytest.mark.parametrize("duty", [0.05, 0.1, 0.2, 0.5])
def test_the_strength_in_the_long_run_is_the_bound_on_that_of_any_pulses(sag, duty):
    p = Modulation(with_thrusters(maximum_sag=sag)).parameters[0]["supply"]
    given = float(p["draw"][:COUNT].sum()) * duty
    strength = strength_giving(p, given)
    if mean_strength(p, given) > 0.0:
        assert strength == pytest.approx(mean_strength(p, given), rel=1e-12)
        assert strength == pytest.approx(strength_under(p, given / strength), rel=1e-12)
    else:
        assert strength == LEAST


@settings(deadline=None, max_examples=25)
@given(st.lists(duties, min_size=2, max_size=4), st.sampled_from(SAGS))
def test_told_again_what_the_pulses_gave_is_the_same(sequence, sag):
    """When a schedule comes just in time, what it finds booked is what a replay of the pulses finds."""
    modulation = Modulation(with_thrusters(maximum_sag=sag))
    for number, duty in enumerate(sequence):
        modulation.modulate(START + number * PERIOD, duty)
        booked = modulation.state["pulses"][0].copy()
        replay(modulation.parameters[0], modulation.state["pulses"][0], modulation.state[0]["strength"], PERIOD)
        again = modulation.state["pulses"][0]
        assert again["given"] == pytest.approx(booked["given"], abs=2e-8)
        assert np.all(again["goes_on"] == booked["goes_on"])
        assert again["supply"]["strength"] == pytest.approx(booked["supply"]["strength"], abs=1e-7)


@pytest.mark.parametrize("early", [30_000_000, 50_000_000, 90_000_000])
def test_a_schedule_that_comes_early_cuts_pulses_off_and_the_sum_stays_right(early):
    """The plant takes the second schedule in place of what is left of the first; both together give what was wanted."""
    vehicle = with_thrusters(maximum_sag=0.12)
    modulation = Modulation(vehicle)
    duty = np.where(np.arange(COUNT) < 4, 0.4, 0.0)
    schedules = [modulation.modulate(START, duty)[0], modulation.modulate(START + early, duty)[0]]
    schedules += [modulation.modulate(START + early + n * PERIOD, duty)[0] for n in range(1, 4)]
    given_time, _ = fired(vehicle, schedules)
    assert given_time == pytest.approx(duty * (early * 1e-9 + 0.4), abs=modulation.parameters[0]["bit"])
