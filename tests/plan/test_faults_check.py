"""Faults of what a session does not have, as plan and live parameter ask for them."""

import pytest

from testbed.description.faults import from_words
from testbed.plan.checks.faults import unknown_part
from tests.plan.world import configuration


@pytest.mark.parametrize("words", ["table_tilt 0.1", "bearing_lost wren"])
def test_what_belongs_to_the_table_cannot_break_in_a_cabin(words):
    kind = words.split()[0]
    assert unknown_part(configuration("cabin-float"), from_words(words)) == (
        "kind",
        kind,
        "a fault that can happen in a cabin",
    )
    assert unknown_part(configuration("first-float"), from_words(words)) is None
