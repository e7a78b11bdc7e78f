"""A few drawn changes of formation in the engine; tests/prove/test_flown_reconfigurations.py flies a thousand."""

import numpy as np
import pytest

from tests.drawn.flown_reconfigurations import fly_in_engine
from tests.drawn.reconfigurations import KEEPING, RUN_LIMIT, drawn

SEED = 500


@pytest.mark.parametrize("number", [1, 2, 3, 16, 45, 60], ids=["zone", "five", "six", "zone again", "lag", "valve"])
def test_nobody_comes_too_close_and_everybody_arrives(number):
    generator = np.random.default_rng([SEED, number])
    draw = drawn(number, generator)
    flown = fly_in_engine(draw, number, generator)
    assert flown.separation >= KEEPING.required
    assert flown.clearance >= KEEPING.body
    assert flown.arrived <= RUN_LIMIT
