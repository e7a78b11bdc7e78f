"""A thousand changes of formation by 3 to 6 vehicles, flown by the engine with all that flies, in drawn worlds."""

import math
import multiprocessing
import os
from concurrent.futures import ProcessPoolExecutor
from functools import partial

import numpy as np
import pytest

from testbed.flight.formation import Outcome
from tests.drawn.flown_reconfigurations import WEAKER, fly_drawn, kept
from tests.drawn.reconfigurations import OUTLINE, RUN_LIMIT

FIRST_SEED = 7_200
COUNT = 1_000


@pytest.fixture(scope="module")
def session():
    """Every draw of the session with how it was flown; none is left out."""
    with ProcessPoolExecutor(os.cpu_count(), multiprocessing.get_context("spawn")) as pool:
        return list(pool.map(partial(fly_drawn, seed=FIRST_SEED), range(COUNT), chunksize=10))


def test_the_draws_are_hard(session, figure):
    """Crowded, crossing, and with faults."""
    draws = [draw for draw, _ in session]
    crossing = sum(draw.crossing for draw in draws)
    blind = sum(draw.straight_separation() < kept().required for draw in draws)
    lags = sum(draw.fault is not None and draw.fault.share < 1.0 for draw in draws)
    valves = sum(draw.fault is not None for draw in draws) - lags
    discs = 6 * math.pi * (0.5 * kept().required) ** 2 / OUTLINE
    figure(
        "reconfigurations in the engine: how hard",
        f"{COUNT} draws, straight ways cross in {crossing}, {blind} would come too close on them; {lags} lag (all"
        f" valves at {0.2 + WEAKER:.1f} to {0.5 + WEAKER:.1f} of their thrust), {valves} have a valve stuck open or"
        f" closed; required discs of 6 cover {100 * discs:.1f} % of the table; places {kept().planned:.2f} m apart",
    )
    assert {len(draw.starts) for draw in draws} == {3, 4, 5, 6}
    assert discs >= 0.1
    assert crossing >= 0.3 * COUNT
    assert lags + valves == 0.2 * COUNT


def test_no_two_vehicles_come_closer_than_required_and_nobody_enters_a_zone(session, figure):
    """By the truth of the emulated plant."""
    close = [number for number, (_, flown) in enumerate(session) if flown.separation < kept().required]
    zones = [flown.clearance for draw, flown in session if draw.zones]
    hit = [number for number, (_, flown) in enumerate(session) if flown.clearance < kept().body]
    least = min(flown.separation for _, flown in session)
    sound = min(flown.separation for draw, flown in session if draw.fault is None)
    figure(
        f"reconfigurations in the engine: separations below {kept().required} m",
        f"{len(close)} of {COUNT}{rule_of_three(len(close))}; least {least:.3f} m, {sound:.3f} m without a fault;"
        f" zones entered: {len(hit)} of {len(zones)}, centre to zone at least {min(zones):.3f} m",
    )
    assert [close, hit] == [[], []], "draws: too close, in a zone"


def test_everyone_arrives_within_the_limit(session, figure):
    """A deadlock is a run in which not all are in their slots by the end."""
    late = [number for number, (_, flown) in enumerate(session) if flown.arrived > RUN_LIMIT]
    arrived = [flown.arrived for _, flown in session]
    figure(
        f"reconfigurations in the engine: deadlocks longer than {RUN_LIMIT:g} s",
        f"{len(late)} of {COUNT}{rule_of_three(len(late))}; all there after {np.median(arrived):.0f} s (median)",
    )
    assert late == []


def test_planning_takes_a_moment(session, figure):
    """Time that plans took on the machine of the test, and how they were found."""
    plans = [took for _, flown in session for took in flown.planning]
    outcomes = [outcome for _, flown in session for outcome in flown.outcomes]
    ways = ", ".join(f"{outcomes.count(one)} {one.name.lower().replace('_', ' ')}" for one in Outcome)
    figure(
        "reconfigurations in the engine: planning time, everybody's processor at work",
        f"median {1e3 * np.median(plans):.0f} ms, longest {max(plans):.2f} s, of {len(plans)} plans; {ways}",
    )
    assert np.median(plans) < 1.0


def rule_of_three(failures):
    """The bound that none of COUNT gives: with 95 % confidence fewer than 3 in COUNT."""
    return f" (rule of three: below {100 * 3 / COUNT:g} % with 95 % confidence)" if failures == 0 else ""
