"""Keys typed while a rehearsal runs, on a real pseudo-terminal."""

import os
import pty
import sys

import pytest

from testbed.cli.keys import requests


@pytest.fixture
def terminal(monkeypatch):
    """Types into a terminal that is this process's standard input."""
    master, slave = pty.openpty()
    with os.fdopen(slave, "r") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        yield lambda text: os.write(master, text.encode())
    os.close(master)


def test_each_key_is_one_request_in_order_though_all_were_typed_at_once(terminal):
    with requests() as asked:
        assert asked() == ""
        terminal("hg?n")
        assert [asked() for _ in range(5)] == ["hold", "release", "skip", "", ""]


def test_a_stop_overtakes_what_was_typed_before_it(terminal):
    with requests() as asked:
        terminal("hhh ")
        assert asked() == "stop"
        assert asked() == ""


def test_without_a_terminal_nothing_is_asked(monkeypatch, tmp_path):
    with (tmp_path / "empty").open("w+") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        with requests() as asked:
            assert asked() == ""
