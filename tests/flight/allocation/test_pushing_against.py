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


def largest_scale(layout, stuck, held, rows):
    """HiGHS: the largest scale up to 1 with all that stuck valves push made up for; None where that cannot be."""
    columns, against = np.column_stack([layout.matrix, -rows]), -layout.matrix @ held
    bounds = [(0.0, float(used and not out)) for used, out in zip(layout.in_service, stuck, strict=True)]
    if linprog(layout.flow, A_eq=layout.matrix, b_eq=against, bounds=bounds, method="highs").status != 0:
        return None
    cost = np.append(np.zeros(len(held)), -1.0)
    return float(linprog(cost, A_eq=columns, b_eq=against, bounds=[*bounds, (0.0, 1.0)], method="highs").x[-1])


def test_what_stuck_valves_push_is_made_up_for_before_anything_else():
    cancelled, saturated, unreachable = 0, 0, 0
    for layout, stuck, held, wrench in stuck_layouts(201, 200):
        rows = layout.scaled(wrench)
        duty, scale, outcome = allocate(layout, stuck, held, wrench)
        assert not duty[stuck].any()
        assert np.all((duty >= 0.0) & (duty <= layout.in_service))
        largest = largest_scale(layout, stuck, held, rows)
        if largest is None:
            continue
        given = layout.matrix @ duty
        cancelled += held.any()
        np.testing.assert_allclose(given + layout.matrix @ held, scale * rows, atol=1e-8 * (1.0 + np.abs(rows).max()))
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
    """As HiGHS finds it, too."""
    less = 0
    for layout, stuck, held, wrench in stuck_layouts(203, 100):
        sound = Allocation(layout.vehicle, layout.place, layout.axes)
        other = Allocation(layout.vehicle, layout.place, layout.axes)
        state, valves = other.state[0], len(stuck)
        state["stuck"][:valves], state["held"][:valves], state["stuck_count"] = stuck, held, stuck.sum()
        longest = 4.0 * sound.authority(wrench)
        share = largest_scale(layout, stuck, held, longest * layout.scaled(wrench))
        if share is not None:
            assert abs(other.authority(wrench) - share * longest) < 1e-6 * longest
            less += share < 0.24
    assert less > 10
