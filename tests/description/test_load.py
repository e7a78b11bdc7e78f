"""From a file to a frozen description, or to one line per problem."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from testbed.description.beacons import Beacons
from testbed.description.errors import ConfigurationError, Problem
from testbed.description.load import load, load_text
from testbed.description.noise import Noise
from testbed.description.table import Table
from testbed.description.vehicle import Vehicle

CONFIG = Path(__file__).resolve().parents[2] / "config"
WREN = (CONFIG / "vehicles" / "wren.yaml").read_text()


def problems(text: str, kind=Vehicle) -> list[str]:
    with pytest.raises(ConfigurationError) as error:
        load_text(text, Path("a.yaml"), kind)
    return [str(problem) for problem in error.value.problems]


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("vehicles/wren", Vehicle),
        ("vehicles/siskin", Vehicle),
        ("vehicles/dunlin", Vehicle),
        ("tables/floor", Table),
        ("beacons/floor", Beacons),
        ("noise/floor", Noise),
    ],
)
def test_the_demo_lab_loads_and_is_frozen(name, kind):
    loaded = load(CONFIG / f"{name}.yaml", kind)
    assert isinstance(loaded.description, kind)
    with pytest.raises(ValidationError):
        loaded.description.name = "other"


def test_every_problem_of_a_file_is_told_at_once_in_the_order_of_its_lines():
    text = WREN.replace("mass: 5.6", "mass: -1").replace("sides: 8", "sides: many").replace("energy: 4.0e5", "enrgy: 1")
    lines = [int(problem.split(":")[1]) for problem in problems(text)]
    assert len(lines) == 3
    assert lines == sorted(lines)


def test_a_whole_number_does_where_a_number_is_wanted():
    assert load_text(WREN.replace("mass: 5.6", "mass: 6"), Path("a.yaml"), Vehicle).description.flight.mass == 6.0


@pytest.mark.parametrize("value", ["'5.6'", "true", "[5.6]", "5,6", "5.6 kg"])
def test_nothing_else_does(value):
    (problem,) = problems(WREN.replace("mass: 5.6", f"mass: {value}"))
    assert problem.startswith("a.yaml:12: flight.mass is ")
    assert problem.endswith("allowed: a number (Mass, kg)")


def test_a_value_too_long_to_show_is_cut_short():
    (problem,) = problems(WREN.replace("mass: 5.6", f"mass: {'x' * 500}"))
    assert len(problem) < 150


def problems_if_any(text: str) -> list[Problem]:
    try:
        load_text(text, Path("a.yaml"), Vehicle)
    except ConfigurationError as error:
        return error.problems
    return []


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_whatever_is_cut_out_of_a_file_the_answer_is_a_description_or_problems_with_lines(data):
    lines = WREN.splitlines()
    first = data.draw(st.integers(0, len(lines) - 1))
    last = data.draw(st.integers(first, len(lines)))
    told = problems_if_any("\n".join(lines[:first] + lines[last:]))
    assert all(problem.line for problem in told)


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=60), st.integers(0, 2000))
def test_whatever_is_typed_into_a_file_nothing_else_comes_out(typed, position):
    problems_if_any(WREN[:position] + typed + WREN[position:])
