"""The theorem: nobody who keeps to its assumptions comes nearer than what is kept (drawn/encounters.py)."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.drawn.bodies import Asks, Lies, Moves
from tests.drawn.encounters import drawn_burst, drawn_encounter

SECONDS = 20.0
SEEDS = 300
places = pytest.mark.parametrize("place", ["table", "cabin"])


def kept(encounter, seconds, seed, change=None):
    """Least separation over that which is kept, m, and how often it was said that it cannot be guaranteed."""
    keep = encounter.keep
    if change:
        change(encounter.parameters)
    told = encounter.fly(seconds, seed)
    return float(told["least"]) - keep, int(told["said"])


@places
@settings(deadline=None, max_examples=25)
@given(seed=st.integers(0, 9_999), count=st.integers(2, 6))
def test_adversaries_in_place_of_guidance_never_bring_a_fleet_too_near(place, seed, count):
    least, said = kept(drawn_encounter(place, np.random.default_rng(seed), count), SECONDS, seed)
    assert least >= 0.0
    assert said == 0


@places
@settings(deadline=None, max_examples=25)
@given(
    seed=st.integers(0, 9_999),
    moves=st.sampled_from([Moves.COASTS, Moves.VALVE, Moves.HUNTS]),
    begin=st.sampled_from([0.0, 3.0, 8.0]),
)
def test_nor_one_that_coasts_or_whose_valve_is_stuck_however_suddenly(place, seed, moves, begin):
    least, said = kept(drawn_encounter(place, np.random.default_rng(seed), 2, (moves, begin)), SECONDS, seed)
    assert least >= 0.0
    assert said == 0


@places
@settings(deadline=None, max_examples=25)
@given(seed=st.integers(0, 9_999))
def test_nor_a_last_burst_of_thrust(place, seed):
    least, said = kept(drawn_burst(place, np.random.default_rng(seed)), 2.0 * SECONDS, seed)
    assert least >= 0.0
    assert said == 0


@places
@settings(deadline=None, max_examples=25)
@given(
    seed=st.integers(0, 9_999), count=st.integers(3, 6), moves=st.sampled_from([Moves.COASTS, Moves.VALVE, Moves.HUNTS])
)
def test_in_a_crowd_with_one_that_strays_it_is_said_before_the_minimum_is_passed(place, seed, count, moves):
    told = drawn_encounter(place, np.random.default_rng(seed), count, (moves, 3.0)).fly(SECONDS, seed)
    assert told["least_unsaid"] >= 0.0


def nothing(p):
    pass


def no_reaction_time(p):
    p["vehicle"]["lead"], p["vehicle"]["delay"], p["vehicle"]["period"], p["partners"]["reaction"] = 0, 0, 1e-6, 0.0


def positions_are_certain(p):
    p["position_error"] = p["partners"]["position_error"] = 0.0


def velocities_are_certain(p):
    p["velocity_error"] = p["partners"]["velocity_error"] = 0.0


def a_partner_does_not_thrust(p):
    p["partners"]["thrust"] = 0.0


def evading_is_twice_as_strong(p):
    p["partners"]["outrun"] *= 2.0


def nobody_brakes_for_a_partner_that_brakes(p):
    p["braking"], p["partners"]["braking"] = 100.0, 100.0


def burst(seed):
    return drawn_burst("table", np.random.default_rng(seed), errors=(0.004, 0.006))


def sure_burst(seed):
    return drawn_burst("table", np.random.default_rng(seed), errors=(1e-5, 1e-5))


def valve(seed):
    return drawn_encounter("table", np.random.default_rng(seed), 2, (Moves.HUNTS, 0.0), errors=(1e-5, 1e-5))


def crowd(seed):
    return drawn_encounter("table", np.random.default_rng(seed), 6, errors=(1e-5, 1e-5))


@pytest.mark.parametrize(
    ("drawn", "change", "crossed"),
    [
        *((drawn, nothing, False) for drawn in (burst, valve, crowd)),
        (sure_burst, nothing, False),
        (sure_burst, no_reaction_time, True),
        (burst, positions_are_certain, True),
        (burst, velocities_are_certain, True),
        (sure_burst, a_partner_does_not_thrust, True),
        (valve, evading_is_twice_as_strong, True),
        (crowd, nobody_brakes_for_a_partner_that_brakes, True),
    ],
    ids=lambda value: getattr(value, "__name__", str(value)),
)
def test_each_part_of_the_proof_is_needed(drawn, change, crossed):
    """With a part of what is reckoned with taken away, some of the same bodies do come nearer."""
    least = min(
        kept(drawn(seed), SECONDS * 1.5, seed, change)[0] for seed in range(SEEDS if drawn is not crowd else 100)
    )
    assert (least < 0.0) == crossed


class TestStandingStill:
    """Two that are asked for nothing and stand still, their estimates as noisy as stated by a third."""

    def impulse(self, apart, seconds=60.0):
        one = drawn_encounter("table", np.random.default_rng(5), 2, errors=(0.006, 0.003))
        bodies = one.bodies
        bodies["asks"], bodies["lies"], bodies["gain"], bodies["pull"] = Asks.NOTHING, Lies.SWITCHING, 9, 0.0
        bodies["velocity"] = bodies["position"] = 0.0
        bodies["position_error"] /= 3.0
        bodies["velocity_error"] /= 3.0
        bodies[1]["position"][0] = one.minimum + one.keep + apart
        told = one.fly(seconds, 5)
        return float(told["impulse"]), float(told["least"]) - one.keep - apart, int(told["said"])

    def test_far_enough_apart_nothing_is_fired(self):
        impulse, moved, said = self.impulse(0.15)
        assert (impulse, said) == (0.0, 0)
        assert moved == pytest.approx(0.0)

    @pytest.mark.parametrize("apart", [0.03, 0.06])
    def test_nearer_than_may_be_approached_they_settle(self, apart):
        """No more gas than 5 cm to make room take (0.03 m/s twice for two), and no minute of holding against noise."""
        impulse, moved, said = self.impulse(apart)
        assert said == 0
        assert moved > -0.01
        assert impulse < 4 * 13.0 * 0.03
