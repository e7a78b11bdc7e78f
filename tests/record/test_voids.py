"""Declaring tries void after the session."""

from datetime import UTC, datetime

import pytest

from testbed.record.voids import add_void, read_voids

NOW = datetime(2026, 11, 25, 9, 30, tzinfo=UTC)


def test_a_declaration_comes_back_as_an_event(tmp_path):
    add_void(tmp_path / "voids.jsonl", "line", 2, " A cable touched it. ", "Mira", NOW)
    (event,) = read_voids(tmp_path / "voids.jsonl")
    assert (event.kind, event.run, event.attempt) == ("void", "line", 2)
    assert event.data == {"reason": "A cable touched it.", "name": "Mira"}


@pytest.mark.parametrize(
    ("reason", "name", "now"), [("", "Mira", NOW), ("why", " ", NOW), ("why", "Mira", NOW.replace(tzinfo=None))]
)
def test_nothing_is_void_without_reason_name_and_time(tmp_path, reason, name, now):
    with pytest.raises(ValueError, match=r"void|time"):
        add_void(tmp_path / "voids.jsonl", "line", 1, reason, name, now)
    assert read_voids(tmp_path / "voids.jsonl") == ()
