"""A thousand changes of formation by 3 to 6 vehicles: nobody comes too close, and everybody arrives."""

import math
from dataclasses import replace

import numpy as np
import pytest

from testbed.flight.formation.planner import Outcome
from tests.drawn.reconfigurations import KEEPING, OUTLINE, RULE, RUN_LIMIT, drawn, fly

FIRST_SEED = 7_000
COUNT = 1_000


@pytest.fixture(scope="module")
def session():
    """Every draw of the session with how it was flown; none is left out."""
    draws = []
    for number in range(COUNT):
        generator = np.random.default_rng([FIRST_SEED, number])
        draw = drawn(number, generator)
        draws.append((draw, fly(draw, generator)))
    return draws


def test_the_draws_are_hard(session, figure):
    """What was promised of them: crowded, crossing, and with faults."""
    draws = [draw for draw, _ in session]
    crossing = sum(draw.crossing for draw in draws)
    blind = sum(draw.straight_separation() < KEEPING.required for draw in draws)
    faulty = sum(draw.fault is not None for draw in draws)
    again = sum(len(flown.planning) > 1 for draw, flown in session if draw.fault is not None)
    discs = 6 * math.pi * (0.5 * KEEPING.required) ** 2 / OUTLINE
    figure(
        "reconfigurations: how hard",
        f"{COUNT} draws, straight ways cross in {crossing}, {blind} would come too close on them; a lag or a failed"
        f" valve in {faulty}, planned anew in {again} of these; discs of 6 cover {100 * discs:.1f} % of the table",
    )
    assert {len(draw.starts) for draw in draws} == {3, 4, 5, 6}
    assert discs >= 0.1
    assert crossing >= 0.3 * COUNT
    assert blind >= 0.3 * COUNT
    assert faulty == 0.2 * COUNT


def test_no_two_vehicles_ever_come_closer_than_required(session, figure):
    """By the truth of the world they fly in."""
    violations = sum(flown.separation < KEEPING.required for _, flown in session)
    least = min(flown.separation for _, flown in session)
    figure(
        f"reconfigurations: separations below {KEEPING.required} m",
        f"{violations} of {COUNT}{rule_of_three(violations)}; least {least:.3f} m,"
        f" {min(flown.separation for draw, flown in session if draw.fault is None):.3f} m without a fault",
    )
    assert violations == 0


def test_without_planning_anew_some_would_have(session, figure):
    """The same faulty draws and worlds, flown by the first plan alone: the proof can fail."""
    faulty = [number for number, (draw, _) in enumerate(session) if draw.fault is not None]
    once, least = 0, math.inf
    for number in faulty:
        generator = np.random.default_rng([FIRST_SEED, number])
        flown = fly(drawn(number, generator), generator, rule=replace(RULE, deviation=math.inf))
        once += flown.separation < KEEPING.required
        least = min(least, flown.separation)
    figure(
        "reconfigurations: the faulty ones by the first plan alone",
        f"{once} of {len(faulty)} below {KEEPING.required} m, least {least:.3f} m",
    )
    assert once > 0


def test_no_vehicle_runs_into_a_zone(session, figure):
    """The zone's edge is kept at the vehicle's own radius."""
    with_zone = [flown for draw, flown in session if draw.zones]
    hit = sum(flown.clearance < KEEPING.body for flown in with_zone)
    least, beyond = min(flown.clearance for flown in with_zone), max(flown.beyond for _, flown in session)
    figure(
        "reconfigurations: zones entered",
        f"{hit} of {len(with_zone)}; centre to zone at least {least:.3f} m ({KEEPING.body} m required);"
        f" centres at most {1e3 * beyond:.0f} mm beyond the working area",
    )
    assert hit == 0


def test_everyone_arrives_within_the_limit(session, figure):
    """A deadlock is a run in which not all are in their slots by the end."""
    late = sum(flown.arrived > RUN_LIMIT for _, flown in session)
    arrived = [flown.arrived for _, flown in session]
    figure(
        f"reconfigurations: deadlocks longer than {RUN_LIMIT:g} s",
        f"{late} of {COUNT}{rule_of_three(late)}; all there after {np.median(arrived):.0f} s (median),"
        f" {max(arrived):.0f} s at most",
    )
    assert late == 0


def test_planning_takes_a_moment(session, figure):
    """Time that plans took on the machine of the test, and how they were found."""
    first = [flown.planning[0] for _, flown in session]
    six = [flown.planning[0] for draw, flown in session if len(draw.starts) == 6]
    again = [took for _, flown in session for took in flown.planning[1:]]
    outcomes = [outcome for _, flown in session for outcome in flown.outcomes]
    ways = ", ".join(f"{outcomes.count(one)} {one.name.lower().replace('_', ' ')}" for one in Outcome)
    figure(
        "reconfigurations: planning time",
        f"median {1e3 * np.median(first):.0f} ms, {1e3 * np.median(six):.0f} ms for six vehicles, longest"
        f" {max(first):.2f} s; planned anew {len(again)} times, median {1e3 * np.median(again):.0f} ms, longest"
        f" {max(again):.2f} s; {ways}; {sum(flown.tight for _, flown in session)} without all of the margin",
    )
    assert np.median(first) < 1.0


def rule_of_three(failures):
    """The bound that none of COUNT gives: with 95 % confidence fewer than 3 in COUNT."""
    return f" (rule of three: below {100 * 3 / COUNT:g} % with 95 % confidence)" if failures == 0 else ""
