"""The estimate through what interrupts it: lifted and put down elsewhere, beacons silent, a burst of wrong ranges."""

import numpy as np
import pytest

from testbed.description.locate import locate
from testbed.plan.configuration import load_configuration
from tests.drawn.cold_starts import ANGLE_LIMIT, POSITION_LIMIT
from tests.drawn.interruptions import BURST, BURST_SHARE, SILENCE, Interruption, interrupted
from tests.prove.test_many_seeds import told

FIRST_SEED = 50_000
SEEDS = 200
PLANS = {"table": "first-float", "cabin": "cabin-float"}
PLACES = pytest.mark.parametrize("place", ["table", "cabin"])


def followed(place, interruption):
    base = load_configuration(locate(f"plans/{PLANS[place]}.yaml"))
    return [interrupted(seed, base, interruption) for seed in range(FIRST_SEED, FIRST_SEED + SEEDS)]


def good(place, one):
    return one.acquired & (one.distance < POSITION_LIMIT) & (one.angle < ANGLE_LIMIT[place])


@PLACES
def test_lifted_and_put_down_elsewhere_it_is_found_again(place, figure):
    flights = followed(place, Interruption.LIFTED)
    old, again = [], []
    for one in flights:
        after = one.seconds >= 0.0
        elsewhere = after & one.acquired & (one.distance > 0.1)
        old.append(one.seconds[elsewhere].max(initial=0.0))
        found = after & good(place, one)
        again.append(one.seconds[found].min(initial=np.inf))
    within = sum(time <= 5.0 for time in again)
    figure(
        f"{place}: lifted and put down elsewhere, found again within 5 s",
        f"{told(within, SEEDS)}; median {np.median(again):.1f} s; the old pose claimed for {max(old):.1f} s at most",
    )
    assert within >= 0.99 * SEEDS
    assert max(old) < 1.5


@PLACES
def test_it_coasts_through_a_silence_and_says_how_unsure_it_grows(place, figure):
    flights = followed(place, Interruption.SILENCE)
    ends = [int(np.searchsorted(one.seconds, SILENCE)) for one in flights]
    kept = sum(bool(one.acquired[one.seconds >= -2.0].all()) for one in flights)
    error = np.sqrt(np.mean([one.distance[end] ** 2 for one, end in zip(flights, ends, strict=True)]))
    claimed = np.sqrt(np.mean([one.claimed[end] ** 2 for one, end in zip(flights, ends, strict=True)]))
    squared = np.mean([one.squared[end] for one, end in zip(flights, ends, strict=True)])
    figure(
        f"{place}: {SILENCE:.0f} s without beacons, fix kept throughout",
        f"{told(kept, SEEDS)}; then off by {1e3 * error:.0f} mm (root mean square), {1e3 * claimed:.0f} mm claimed",
    )
    assert kept >= 0.99 * SEEDS
    assert squared < 1.5, "the covariance is not optimistic"


@PLACES
def test_a_burst_of_wrong_ranges_is_gated_and_recovered_from(place, figure):
    flights = followed(place, Interruption.BURST)
    worst, back = [], []
    for one in flights:
        during = (one.seconds >= 0.0) & one.acquired
        worst.append(one.distance[during].max())
        wrong = (one.seconds >= 0.0) & ~good(place, one)
        back.append(one.seconds[wrong].max(initial=0.0))
    within = sum(time <= BURST + 5.0 for time in back)
    figure(
        f"{place}: {BURST:.0f} s with {100 * BURST_SHARE:.0f} % of the ranges wrong: good again within 5 s of its end",
        f"{told(within, SEEDS)}; claimed poses off by {1e3 * max(worst):.0f} mm at most",
    )
    assert within >= 0.99 * SEEDS
    assert max(worst) < 0.1
