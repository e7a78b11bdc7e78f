"""Allocation over drawn layouts and wrenches against HiGHS and nnls; tests/prove repeats it 10,000 times."""

from dataclasses import dataclass, field

import numpy as np

from testbed.flight.allocation import Allocation, Outcome
from tests.drawn.layouts import drawn_layout, drawn_wrench, optimum, spanning_layout


@dataclass
class Found:
    """Of each problem: gas over the least gas, and scale over the largest one; counts of what happened."""

    gas: list = field(default_factory=list)
    scale: list = field(default_factory=list)
    saturated: int = 0
    recalled: int = 0
    iterations: int = 0


def compare_with_highs(seed, problems):
    """One wrench each for so many layouts that span their space, after others that have filled the memory of bases."""
    generator, found = np.random.default_rng(seed), Found()
    for _ in range(problems):
        layout = spanning_layout(generator)
        allocation = Allocation(layout.vehicle, layout.place, layout.axes)
        wrench = drawn_wrench(generator, layout)
        for _ in range(generator.integers(3)):
            before = wrench + 0.3 * drawn_wrench(generator, layout) * np.linalg.norm(layout.scaled(wrench))
            allocation.allocate(before)
        work = allocation.state[0]["work"]
        work["iterations"] = -1
        duty, scale, outcome = allocation.allocate(wrench)
        found.recalled += work["iterations"] == -1
        found.iterations = max(found.iterations, int(work["iterations"]))
        rows = layout.scaled(wrench)
        largest, least = optimum(layout, rows)
        assert outcome in (Outcome.ATTAINED, Outcome.SATURATED)
        assert np.all((duty >= 0.0) & (duty <= layout.in_service))
        np.testing.assert_allclose(layout.matrix @ duty, scale * rows, atol=1e-9 * (1.0 + np.abs(rows).max()))
        if largest > 1.0 - 1e-9:
            assert outcome == Outcome.ATTAINED, "infeasible where the optimum is feasible"
        found.saturated += outcome == Outcome.SATURATED
        found.scale.append(scale / largest)
        found.gas.append((layout.flow @ duty) / (layout.flow @ least))
    return found


def count_unreachable(seed, layouts):
    """Layouts that do not span their space; how many of the wrenches drawn for them nothing reaches."""
    generator, unreachable, drawn = np.random.default_rng(seed), 0, 0
    while drawn < layouts:
        layout = drawn_layout(generator)
        if layout.spans():
            continue
        drawn += 1
        wrench = drawn_wrench(generator, layout)
        _, scale, outcome = Allocation(layout.vehicle, layout.place, layout.axes).allocate(wrench)
        reached = layout.reaches(layout.scaled(wrench))
        assert (outcome == Outcome.UNREACHABLE) == (not reached)
        assert (scale == 0.0) == (not reached)
        unreachable += not reached
    return unreachable


def test_gas_and_scale_are_those_of_the_optimum():
    found = compare_with_highs(101, 150)
    assert np.mean(found.gas) <= 1.01
    assert np.max(found.gas) <= 1.05
    assert np.min(found.scale) >= 0.99
    assert 10 < found.saturated < 140, "wrenches of both kinds"
    assert found.recalled > 0, "some from the memory of bases"


def test_what_a_layout_cannot_give_is_reported_as_unreachable():
    assert 10 < count_unreachable(102, 100) < 100


def test_axes_of_which_next_to_nothing_is_wanted_leave_the_wrench_as_asked():
    """As leftovers add to it, from rounding on: pivots on what is almost zero would end with quite another wrench."""
    generator = np.random.default_rng(103)
    for _ in range(400):
        layout = spanning_layout(generator)
        allocation = Allocation(layout.vehicle, layout.place, layout.axes)
        rows = generator.permutation(np.eye(len(layout.matrix))[0])
        for _ in range(5):
            little = 10.0 ** generator.uniform(-18.0, -4.0, len(rows)) * generator.choice((-1.0, 0.0, 1.0), len(rows))
            wrench = np.zeros(6)
            wrench[layout.active] = (rows + little) * layout.row_size
            wrench *= 0.9 * allocation.authority(wrench)
            duty, _, outcome = allocation.allocate(wrench)
            asked = layout.scaled(wrench)
            assert outcome == Outcome.ATTAINED
            np.testing.assert_allclose(layout.matrix @ duty, asked, atol=1e-6 * np.abs(asked).max())
