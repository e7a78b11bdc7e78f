"""Faults in words: written, read back, and refused in one clear line."""

import pytest

from testbed.description.faults import KINDS, from_words, in_words, usage, words_of

EXAMPLE = {
    "vehicle": "wren",
    "valve": "front_left_along",
    "receiver": "2",
    "beacon": "3",
    "port": "front",
}


def shortest(kind):
    """The fewest words that make a fault of this kind."""
    fields = KINDS[kind].model_fields
    return " ".join([kind, *(EXAMPLE[name] for name in words_of(KINDS[kind]) if fields[name].is_required())])


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_left_out_has_its_default_and_what_is_written_reads_back_the_same(kind):
    fault = from_words(shortest(kind))
    assert fault.kind == kind
    assert (fault.at, fault.until) == (0.0, None)
    assert from_words(in_words(fault)) == fault


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_says_what_it_does(kind):
    assert KINDS[kind].__doc__
    assert usage(kind).split()[0] == kind


def test_sizes_follow_in_the_order_of_the_fields():
    weak = from_words("valve_weak wren front_left_along 0.25")
    assert (weak.vehicle, weak.valve, weak.factor) == ("wren", "front_left_along", 0.25)
    assert in_words(weak) == "valve_weak wren front_left_along 0.25"
    tilt = from_words("table_tilt -0.5 1")
    assert (tilt.x_mrad, tilt.y_mrad) == (-0.5, 1.0)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("valve_broken wren", "begins with 'valve_broken', allowed: one of valve_stuck_open, "),
        ("", "begins with '', allowed: one of valve_stuck_open, "),
        ("valve_weak wren", "is too short, allowed: valve_weak VEHICLE VALVE [FACTOR]"),
        ("beacon_dead 1 2", "has 2 values, allowed: beacon_dead BEACON"),
        ("beacon_dead one", "beacon is 'one', allowed: a whole number"),
        ("valve_weak wren front_left_along 3", "factor is '3', allowed: a number of at most 2.0"),
        ("gyro_bias wren w", "axis is 'w', allowed: 'x', 'y' or 'z'"),
        ("air_temperature nan", "step is 'nan', allowed: a finite number"),
    ],
)
def test_bad_words_are_told_in_one_line(text, said):
    with pytest.raises(ValueError, match="allowed") as told:
        from_words(text)
    assert said in str(told.value)
    assert "\n" not in str(told.value)
