"""How a mistake in a file is told."""

from pathlib import Path

import pytest

from testbed.description.errors import ConfigurationError, Problem


@pytest.mark.parametrize(
    ("problem", "text"),
    [
        (Problem(Path("a.yaml"), 7, "mass", -1, "more than 0 kg"), "a.yaml:7: mass is -1, allowed: more than 0 kg"),
        (Problem(Path("a.yaml"), None, "mass", -1, "more than 0 kg"), "a.yaml: mass is -1, allowed: more than 0 kg"),
        (Problem(None, None, "mass", "x", "a number"), "mass is 'x', allowed: a number"),
    ],
    ids=["file and line", "file", "neither"],
)
def test_a_problem_names_place_field_value_and_what_is_allowed(problem, text):
    assert str(problem) == text


def test_an_error_holds_every_problem_and_shows_each_on_a_line():
    problems = [Problem(Path("a.yaml"), line, "mass", line, "0") for line in (1, 2)]
    error = ConfigurationError(problem for problem in problems)
    assert error.problems == problems
    assert str(error).splitlines() == [str(problem) for problem in problems]
