"""Grid files: what they mean, and what is said when one is wrong."""

import numpy as np
import pytest

from testbed.description.errors import ConfigurationError
from testbed.description.grid_file import read_grid, with_heights
from testbed.description.load import load
from testbed.description.table import Table

GRID = """# measured on a Monday
origin, -1.0, -0.5
spacing, 0.5   # m

0, 10, 30.5
-5, 60, 0
"""
TABLE = """name: small
outline: [[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]
working_area: [[-0.9, -0.9], [0.9, 0.9]]
flatness: {file: heights.csv, measured: true}
"""


def write(folder, text, table=TABLE):
    (folder / "heights.csv").write_text(text)
    (folder / "table.yaml").write_text(table)
    return folder / "heights.csv"


def told(path):
    with pytest.raises(ConfigurationError) as wrong:
        read_grid(path)
    return [str(problem).replace(f"{path.parent}/", "") for problem in wrong.value.problems]


def test_rows_go_along_x_from_the_lowest_y(tmp_path):
    write(tmp_path, GRID)
    loaded = load(tmp_path / "table.yaml", Table)
    flatness = with_heights(loaded.description, loaded.source).flatness
    grid = flatness.grid(loaded.description.outline)
    assert grid.origin == (-1.0, -0.5)
    assert grid.spacing == 0.5
    assert grid.heights == pytest.approx(np.array([[0.0, 10e-6, 30.5e-6], [-5e-6, 60e-6, 0.0]]))
    assert flatness.provenance(loaded.description.outline) == "flatness: heights of heights.csv, measured"
    # and what is recorded can be had back without the grid file
    assert type(flatness).model_validate_json(flatness.model_dump_json()) == flatness


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        (
            "30.5",
            "high",
            "heights.csv:5: row is '0, 10, high', allowed: origin, spacing, or heights in micrometres, "
            "each within 100000, with commas between",
        ),
        ("-5, 60, 0", "-5, 60", "heights.csv:6: row is 2 heights, allowed: 3 heights, as before"),
        (
            "spacing, 0.5",
            "spacing, -0.5",
            "heights.csv:3: spacing is '-0.5', allowed: a number above 0 in m",
        ),
        ("origin, -1.0, -0.5", "origin, -1.0", "heights.csv:2: origin is '-1.0', allowed: two numbers x, y in m"),
        (
            "origin, -1.0, -0.5",
            "",
            "heights.csv: origin is missing, allowed: a line with origin and two numbers x, y in m",
        ),
        ("-5, 60, 0", "", "heights.csv: rows is 1, allowed: 2 to 64 rows of heights"),
        ("spacing, 0.5", "spacing, 0.5\nspacing, 0.5", "heights.csv:4: spacing is given twice, allowed: once"),
    ],
    ids=["word", "ragged", "negative", "short", "without", "single", "twice"],
)
def test_what_is_wrong_is_told_with_its_line(tmp_path, old, new, line):
    assert old in GRID
    assert told(write(tmp_path, GRID.replace(old, new))) == [line]


def test_every_wrong_line_is_told_at_once(tmp_path):
    assert len(told(write(tmp_path, GRID.replace("0, 10, 30.5", "nan, 1").replace("-5, 60, 0", "a,b")))) == 2


def test_a_file_that_is_not_text_is_refused(tmp_path):
    path = write(tmp_path, GRID)
    path.write_bytes(b"origin, \xff")
    assert told(path) == ["heights.csv:1: file is not UTF-8, allowed: a text in UTF-8"]


@pytest.mark.parametrize(
    ("change", "error"),
    [
        ("file: nowhere.csv", "table.yaml:4: flatness.file is 'nowhere.csv', allowed: a file that exists"),
        ("file: heights.csv, spacing: 1.0", "table.yaml:4: flatness.spacing is 1.0, allowed: left out where file"),
    ],
    ids=["not there", "both"],
)
def test_a_table_whose_grid_file_cannot_be_used_says_so(tmp_path, change, error):
    write(tmp_path, GRID, TABLE.replace("file: heights.csv", change))
    loaded = load(tmp_path / "table.yaml", Table)
    with pytest.raises(ConfigurationError) as wrong:
        with_heights(loaded.description, loaded.source)
    assert str(wrong.value).replace(f"{tmp_path}/", "").startswith(error)
