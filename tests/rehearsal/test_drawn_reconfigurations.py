"""A few drawn changes of formation in the engine; tests/prove/test_flown_reconfigurations.py flies a thousand."""

import pytest

from tests.drawn.flown_reconfigurations import fly_drawn, kept
from tests.drawn.reconfigurations import RUN_LIMIT

SEED = 600


@pytest.mark.parametrize("number", [1, 2, 3, 5, 6, 65], ids=["zone", "five", "six", "lag", "five again", "valve"])
def test_nobody_comes_too_close_and_everybody_arrives(number):
    _, flown = fly_drawn(number, SEED)
    assert flown.separation >= kept().required
    assert flown.clearance >= kept().body
    assert flown.arrived <= RUN_LIMIT
