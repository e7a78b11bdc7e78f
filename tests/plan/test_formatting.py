"""Numbers as a reader wants them."""

import pytest

from testbed.plan.criteria import CriterionResult
from testbed.plan.formatting import clock, quantity, value_and_limit


@pytest.mark.parametrize(
    ("value", "unit", "shown"),
    [
        (0.0123, "m", "12.3 mm"),
        (0.00412, "m", "4.12 mm"),
        (0.52, "m", "0.520 m"),
        (1.5, "°", "1.50°"),
        (12.34, "g", "12.3 g"),
        (0.0, "N", "0 N"),
        (None, "m", "not measured"),
    ],
)
def test_a_quantity(value, unit, shown):
    assert quantity(value, unit) == shown


@pytest.mark.parametrize(("seconds", "shown"), [(None, "–"), (0.0, "0:00.0"), (59.96, "1:00.0"), (321.94, "5:21.9")])
def test_a_time_in_the_recording(seconds, shown):
    assert clock(seconds) == shown


@pytest.mark.parametrize(
    ("kind", "value", "limit", "unit", "shown"),
    [
        ("position_error", 0.104, 0.03, "m", ("104.0 mm", "≤ 30 mm")),
        ("separation", 0.796, 0.52, "m", ("0.796 m", "≥ 0.52 m")),
        ("attitude_error", 1.0, 2.0, "°", ("1.00°", "≤ 2°")),
        ("contact_force", 5.0, 0.0, "N", ("5.00 N", "≤ 0 N")),
        ("position_error", None, 0.03, "m", ("not measured", "≤ 30 mm")),
    ],
)
def test_value_and_limit_have_the_same_unit(kind, value, limit, unit, shown):
    assert value_and_limit(CriterionResult("a", kind, "wren", value, limit, unit, True, None)) == shown
