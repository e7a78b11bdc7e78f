"""Lemma S: who brakes and holds its place stays within reach of its way, however its estimate lies (drawn/stops.py)."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.drawn.stops import drawn_stop


@pytest.mark.parametrize("place", ["table", "cabin"])
@settings(deadline=None, max_examples=60)
@given(seed=st.integers(0, 9_999))
def test_nobody_leaves_the_way_on_which_it_was_foreseen_to_stop(place, seed):
    by_itself, by_a_partner, _, _ = drawn_stop(place, np.random.default_rng(seed))
    assert by_itself <= 0.0
    assert by_a_partner <= 0.0


def nothing(p):
    pass


def positions_are_certain(p):
    p["position_error"] = p["partners"]["position_error"] = 0.0


def nothing_is_left_of_a_place_held(p):
    p["hold"] = p["partners"]["hold"] = 0.0


def no_place_is_held(p):
    p["stiffness"] = 0.0


def a_partner_does_not_thrust(p):
    p["partners"]["thrust"] = 0.0


@pytest.mark.parametrize(
    ("change", "errors", "left"),
    [
        (nothing, (0.008, 0.005), (False, False)),
        (positions_are_certain, (0.008, 0.0002), (True, False)),
        (nothing_is_left_of_a_place_held, (0.008, 0.005), (True, True)),
        (no_place_is_held, (0.008, 0.005), (True, True)),
        (a_partner_does_not_thrust, (1e-5, 1e-5), (False, True)),
    ],
    ids=lambda value: getattr(value, "__name__", ""),
)
def test_each_part_of_the_reach_is_needed(change, errors, left):
    """With a part of what is reckoned with taken away, some of the same stops do leave it."""
    found = np.array(
        [drawn_stop("table", np.random.default_rng(seed), errors=errors, change=change) for seed in range(200)]
    )
    assert tuple(found[:, :2].max(axis=0) > 0.0) == left
