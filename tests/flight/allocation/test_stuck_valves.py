"""Allocation with valves that are stuck: the others push against them first, as HiGHS would."""

import numpy as np
from scipy.optimize import linprog

from testbed.flight.allocation import Allocation, Outcome
from tests.drawn.layouts import drawn_wrench, spanning_layout


def stuck_layouts(seed, count):
    """Layouts with some valves stuck, open ones giving `held`, and a wrench for each."""
    generator = np.random.default_rng(seed)
    for _ in range(count):
        layout = spanning_layout(generator)
        valves = len(layout.flow)
        stuck = np.zeros(valves, bool)
        stuck[generator.permutation(valves)[: generator.integers(1, 3)]] = True
        held = stuck * generator.choice([0.0, 1.0], valves) * generator.uniform(0.7, 1.0)
        yield layout, stuck, held, drawn_wrench(generator, layout)


def allocate(layout, stuck, held, wrench):
    """Duties, scale and outcome."""
    allocation = Allocation(layout.vehicle, layout.place, layout.axes)
    state, valves = allocation.state[0], len(stuck)
    state["stuck"][:valves], state["held"][:valves], state["stuck_count"] = stuck, held, stuck.sum()
    return allocation.allocate(wrench)


def most(layout, stuck, held, rows, goal):
    """HiGHS: the largest goal @ (duties, what of the stuck ones is made up for, scale up to 1); or None."""
    columns = np.column_stack([layout.matrix, layout.matrix, -rows])
    bounds = [(0.0, float(used and not out)) for used, out in zip(layout.in_service, stuck, strict=True)]
    bounds += [(0.0, one) for one in held] + [(0.0, 1.0)]
    return linprog(-goal, A_eq=columns, b_eq=np.zeros(len(rows)), bounds=bounds, method="highs")


def test_what_stuck_valves_push_is_made_up_for_before_anything_else():
    cancelled, saturated, unreachable = 0, 0, 0
    for layout, stuck, held, wrench in stuck_layouts(201, 200):
        rows, valves = layout.scaled(wrench), len(stuck)
        duty, scale, outcome = allocate(layout, stuck, held, wrench)
        assert not duty[stuck].any()
        assert np.all((duty >= 0.0) & (duty <= layout.in_service))
        goal = np.concatenate([np.zeros(valves), np.ones(valves), [0.0]])
        best = -most(layout, stuck, held, rows, goal).fun
        given = layout.matrix @ duty
        if best < held.sum() - 1e-6:
            continue
        cancelled += held.any()
        np.testing.assert_allclose(given + layout.matrix @ held, scale * rows, atol=1e-8 * (1.0 + np.abs(rows).max()))
        first = np.concatenate([np.zeros(valves), 1e4 * np.ones(valves), [1.0]])
        largest = most(layout, stuck, held, rows, first).x[-1]
        assert abs(scale - largest) < 1e-6
        assert (outcome == Outcome.ATTAINED) == (largest > 1.0 - 1e-9)
        saturated += outcome == Outcome.SATURATED
        unreachable += outcome == Outcome.UNREACHABLE
    assert cancelled > 60
    assert saturated > 20
    assert unreachable > 0, "without a valve some layouts no longer span their space"


def test_where_nothing_is_asked_for_the_push_is_made_up_for_with_the_least_gas():
    seen = 0
    for layout, stuck, held, _ in stuck_layouts(202, 200):
        duty, scale, outcome = allocate(layout, stuck, held, np.zeros(6))
        bounds = [(0.0, float(used and not out)) for used, out in zip(layout.in_service, stuck, strict=True)]
        least = linprog(layout.flow, A_eq=layout.matrix, b_eq=-layout.matrix @ held, bounds=bounds, method="highs")
        if least.status == 0:
            seen += held.any()
            assert (scale, outcome) == (1.0, Outcome.ATTAINED)
            assert layout.flow @ duty <= least.fun * (1.0 + 1e-6) + 1e-9
            np.testing.assert_allclose(layout.matrix @ (duty + held), 0.0, atol=1e-8)
    assert seen > 60


def test_what_can_be_given_against_a_stuck_valve_is_less():
    """One valve a side pushes along x: with one stuck open, of both senses only what is left of the others."""
    less = 0
    for layout, stuck, held, wrench in stuck_layouts(203, 60):
        sound = Allocation(layout.vehicle, layout.place, layout.axes)
        other = Allocation(layout.vehicle, layout.place, layout.axes)
        state, valves = other.state[0], len(stuck)
        state["stuck"][:valves], state["held"][:valves], state["stuck_count"] = stuck, held, stuck.sum()
        goal = np.concatenate([np.zeros(valves), 1e4 * np.ones(valves), [1.0]])
        length = sound.authority(wrench)
        rows = 2.0 * length * layout.scaled(wrench)
        expected = 2.0 * length * most(layout, stuck, held, rows, goal).x[-1]
        assert abs(other.authority(wrench) - expected) < 1e-5 * (1.0 + length) or expected > 2.0 * length - 1e-9
        less += expected < length - 1e-6
    assert less > 10
