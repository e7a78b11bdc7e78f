"""A thousand changes of formation by 3 to 6 vehicles, flown by the engine; `-k slice_300` runs one slice alone."""

import math

import numpy as np
import pytest

from testbed.flight.formation import Outcome
from tests.drawn.flown_reconfigurations import fly_in_engine
from tests.drawn.reconfigurations import KEEPING, RUN_LIMIT, drawn

FIRST_SEED = 7_000
COUNT, SLICE = 1_000, 50


@pytest.mark.parametrize("first", range(0, COUNT, SLICE), ids=lambda first: f"slice_{first}")
def test_nobody_comes_too_close_and_everybody_arrives(first, figure):
    """By the truth of the emulated plant; the draws are those that tests/prove/test_reconfigurations.py flies."""
    draws, flown = [], []
    for number in range(first, first + SLICE):
        generator = np.random.default_rng([FIRST_SEED, number])
        draws.append(drawn(number, generator))
        flown.append(fly_in_engine(draws[-1], number, generator))
    faulty = [draw.fault is not None for draw in draws]
    closest = [one.separation for one in flown]
    arrived = [one.arrived for one in flown]
    outcomes = [outcome for one in flown for outcome in one.outcomes]
    clearance = min((one.clearance for draw, one in zip(draws, flown, strict=True) if draw.zones), default=math.inf)
    figure(
        f"reconfigurations in the engine, draws {first} to {first + SLICE - 1}",
        f"{sum(one < KEEPING.required for one in closest)} below {KEEPING.required} m, least {min(closest):.3f} m,"
        f" {min(one for one, faulted in zip(closest, faulty, strict=True) if not faulted):.3f} m without a fault;"
        f" {sum(one > RUN_LIMIT for one in arrived)} not there after {RUN_LIMIT:g} s,"
        f" median {np.median(arrived):.0f} s; centre to zone at least {clearance:.3f} m; planned {len(outcomes)} times,"
        f" {outcomes.count(Outcome.STAY)} of them to stay",
    )
    close = [first + k for k, one in enumerate(closest) if one < KEEPING.required]
    late = [first + k for k, one in enumerate(arrived) if one > RUN_LIMIT]
    hit = [first + k for k, one in enumerate(flown) if one.clearance < KEEPING.body]
    assert [close, late, hit] == [[], [], []], "draws: too close, not there, in a zone"
