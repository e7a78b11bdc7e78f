"""Assignment of slots, held against every other one."""

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbed.flight.formation.assignment import assign


def brute_force(vehicles, slots, pinned):
    """Least sum of squared distances over all assignments that keep what is pinned."""
    every = permutations(range(len(slots)), len(vehicles))
    kept = (one for one in every if all(one[v] == s for v, s in pinned.items()))
    return min(sum(float(np.sum((vehicles[v] - slots[s]) ** 2)) for v, s in enumerate(one)) for one in kept)


@given(st.integers(0, 2**32 - 1), st.integers(1, 6), st.integers(0, 1), st.integers(0, 3))
def test_no_other_assignment_is_better(seed, count, spare, pins):
    generator = np.random.default_rng(seed)
    vehicles, slots = generator.normal(size=(count, 3)), generator.normal(size=(count + spare, 3))
    taken = generator.permutation(count + spare)[:count]
    pinned = {v: int(taken[v]) for v in range(min(pins, count))}
    chosen = assign(vehicles, slots, pinned)
    assert len(set(chosen.tolist())) == count
    assert all(chosen[v] == s for v, s in pinned.items())
    assert np.sum((vehicles - slots[chosen]) ** 2) == pytest.approx(brute_force(vehicles, slots, pinned), rel=1e-12)


@given(st.integers(0, 2**32 - 1), st.integers(2, 8))
def test_points_on_straight_ways_to_their_slots_never_meet(seed, count):
    generator = np.random.default_rng(seed)
    vehicles, slots = generator.normal(size=(count, 3)), generator.normal(size=(count, 3))
    goals = slots[assign(vehicles, slots)]
    apart, wanted = vehicles[:, None] - vehicles[None], goals[:, None] - goals[None]
    assert np.min(np.sum(apart * wanted, axis=2)) >= -1e-9


@pytest.mark.parametrize(
    ("slots", "pinned"), [(np.zeros((1, 3)), {}), (np.zeros((3, 3)), {0: 1, 1: 1})], ids=["too few", "one for two"]
)
def test_every_vehicle_needs_a_slot_of_its_own(slots, pinned):
    with pytest.raises(ValueError, match="slot of its own"):
        assign(np.zeros((2, 3)), slots, pinned)
