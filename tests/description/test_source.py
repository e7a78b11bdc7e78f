"""Reading a YAML file: its text, hash, values and lines."""

import hashlib
from pathlib import Path

import pytest

from testbed.description.errors import ConfigurationError
from testbed.description.source import MOST_VALUES, parse, read, written

TEXT = """# a comment
name: floor
vehicles:
  wren: {file: a.yaml}
  siskin:
    file: b.yaml
list:
  - 1
  - - 2
    - x: 3
"""
FILE = Path("a.yaml")


def problem(text: str) -> str:
    with pytest.raises(ConfigurationError) as error:
        parse(text, FILE)
    (one,) = error.value.problems
    return str(one)


def test_the_text_and_its_hash_are_kept(tmp_path):
    path = tmp_path / "a.yaml"
    path.write_bytes(TEXT.encode())
    source = read(path)
    assert source.text == TEXT
    assert source.sha256 == hashlib.sha256(TEXT.encode()).hexdigest()
    assert source.path == path


def test_a_byte_order_mark_is_no_part_of_the_text(tmp_path):
    path = tmp_path / "a.yaml"
    path.write_bytes(b"\xef\xbb\xbf" + TEXT.encode())
    assert read(path).text == TEXT


@pytest.mark.parametrize(
    ("location", "line"),
    [
        ((), 2),
        (("name",), 2),
        (("vehicles", "wren", "file"), 4),
        (("vehicles", "siskin"), 5),
        (("vehicles", "siskin", "file"), 6),
        (("list", 1, 1, "x"), 10),
        (("vehicles", "dunlin", "file"), 3),
        (("list", 7), 7),
    ],
)
def test_each_value_has_the_line_on_which_a_person_finds_it(location, line):
    assert parse(TEXT, FILE).line(*location) == line


def test_a_location_is_written_as_a_person_reads_it():
    assert written(("runs", 0, "start", "wren", "x")) == "runs[0].start.wren.x"
    assert written(()) == "file"


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("a: 1e-3", 1e-3),
        ("a: 0.5e-3", 0.5e-3),
        ("a: 0x10", 16),
        ("a: yes", "yes"),
        ("a: 2026-01-01", "2026-01-01"),
        ("a: '1'", "1"),
        ("a: ~", None),
        ("a: true", True),
    ],
)
def test_values_are_those_of_yaml_1_2_and_dates_stay_texts(text, value):
    assert parse(text, FILE).value == {"a": value}


def test_aliases_may_repeat_a_part():
    assert parse("a: &x [1, 2]\nb: *x\n", FILE).value == {"a": [1, 2], "b": [1, 2]}


def test_aliases_may_not_multiply_without_end():
    lines = ["a0: &a0 [1, 1, 1, 1, 1, 1, 1, 1, 1, 1]"]
    lines += [f"a{n}: &a{n} [{', '.join(10 * [f'*a{n - 1}'])}]" for n in range(1, 9)]
    assert str(MOST_VALUES) in problem("\n".join(lines))


def test_every_duplicate_key_is_told():
    with pytest.raises(ConfigurationError) as error:
        parse("a: 1\nb: {c: 1, c: 2}\na: 3\n", FILE)
    assert [one.line for one in error.value.problems] == [2, 3]


def test_a_tab_within_a_text_is_no_indentation():
    assert parse('a: "x\ty"\n', FILE).value == {"a": "x\ty"}


def test_a_missing_file_is_told(tmp_path):
    with pytest.raises(ConfigurationError, match="No such file"):
        read(tmp_path / "nowhere.yaml")


def test_a_folder_is_no_file(tmp_path):
    with pytest.raises(ConfigurationError, match=r"Is a directory|not readable"):
        read(tmp_path)
