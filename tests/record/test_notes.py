"""Remarks are appended with time and name, and none is ever lost."""

from datetime import UTC, datetime

import pytest

from testbed.record.notes import Note, add_note, read_notes

NOW = datetime(2026, 5, 4, 3, 2, 1, tzinfo=UTC)


def test_remarks_are_kept_in_the_order_they_were_made(tmp_path):
    file = tmp_path / "notes.jsonl"
    add_note(file, "first", "Mira", NOW)
    add_note(file, " second, with ä\nand a new line ", "Jo", NOW)
    assert read_notes(file) == [
        Note("2026-05-04T03:02:01+00:00", "Mira", "first"),
        Note("2026-05-04T03:02:01+00:00", "Jo", "second, with ä\nand a new line"),
    ]


def test_no_file_means_no_remarks(tmp_path):
    assert read_notes(tmp_path / "notes.jsonl") == []


@pytest.mark.parametrize(("text", "name"), [("", "Mira"), ("  ", "Mira"), ("something", " ")])
def test_a_remark_needs_a_text_and_a_name(tmp_path, text, name):
    with pytest.raises(ValueError, match="text and the name"):
        add_note(tmp_path / "notes.jsonl", text, name, NOW)


def test_a_time_without_a_zone_is_refused(tmp_path):
    with pytest.raises(ValueError, match="zone"):
        add_note(tmp_path / "notes.jsonl", "a", "b", NOW.replace(tzinfo=None))


def test_a_line_that_is_no_remark_is_still_seen(tmp_path):
    file = tmp_path / "notes.jsonl"
    add_note(file, "first", "Mira", NOW)
    with file.open("a") as stream:
        stream.write("written by hand\n")
    assert read_notes(file)[1] == Note("", "unreadable", "written by hand")
