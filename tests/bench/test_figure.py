"""A figure keeps its bound or misses it, and the table says so."""

import io

import pytest
from rich.console import Console

from testbed.bench import Figure
from testbed.bench.figure import median, percentile
from testbed.cli.bench import bound, number, table


@pytest.mark.parametrize(
    ("figure", "kept"),
    [
        (Figure("x", 1.0, "s"), None),
        (Figure("x", 1.5, "×", at_most=1.5), True),
        (Figure("x", 1.51, "×", at_most=1.5), False),
        (Figure("x", 100.0, "×", at_least=100.0), True),
        (Figure("x", 99.9, "×", at_least=100.0), False),
        (Figure("x", 0, "ticks", at_most=0), True),
        (Figure("x", float("nan"), "s", at_most=1.0), False),
    ],
)
def test_a_bound_is_kept_or_missed(figure, kept):
    assert figure.kept is kept
    assert figure.to_dict()["kept"] is kept


def test_half_exceed_the_median_and_one_in_a_hundred_the_99th_percentile():
    values = range(1, 102)
    assert median(values) == 51.0
    assert percentile(values, 99) == 100.0


def test_the_table_marks_a_missed_bound():
    figures = [Figure("loop", 1.6, "×", at_most=1.5), Figure("engine", 313.2, "×", 1.0, "real time", at_least=100.0)]
    console = Console(width=120, file=io.StringIO())
    console.print(table(figures))
    lines = console.file.getvalue().splitlines()
    assert "≤ 1.5 missed" in next(line for line in lines if "loop" in line)
    assert "≥ 100 kept" in next(line for line in lines if "engine" in line)
    assert bound(Figure("x", 1.0, "s")) == ""


@pytest.mark.parametrize(("value", "text"), [(0, "0"), (0.0123, "0.0123"), (9.996, "10"), (1234.5, "1234")])
def test_numbers_show_three_digits(value, text):
    assert number(value) == text
