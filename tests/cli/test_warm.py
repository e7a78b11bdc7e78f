"""`testbed warm`: kernels are compiled once, with progress, and old ones go."""

import os
import sys
import time
import types
from pathlib import Path

import pytest

from testbed.cli import warm as verb


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of this version's kernels, empty, with a stand-in for the run that compiles them."""
    folder = tmp_path / "kernels/this"
    monkeypatch.setattr(verb, "cache_directory", lambda: folder)
    return folder


@pytest.fixture
def runs(monkeypatch):
    """What the compiling run reported; it really compiles one small kernel."""
    reports = []

    def run(progress) -> None:
        from numba import njit

        progress("the engine")
        reports.append(njit(lambda x: x + 1)(1))

    monkeypatch.setitem(sys.modules, "testbed.rehearsal.warm", types.SimpleNamespace(warm=run))
    return reports


def test_kernels_are_compiled_once(folder, runs, capsys):
    verb.warm()
    assert "kernels compiled in" in capsys.readouterr().out
    verb.warm()
    assert capsys.readouterr().out == f"kernels ready in {folder}\n"
    assert runs == [2]


def test_a_broken_compilation_is_taken_up_again(folder, monkeypatch):
    def broken(progress) -> None:
        raise ZeroDivisionError

    monkeypatch.setitem(sys.modules, "testbed.rehearsal.warm", types.SimpleNamespace(warm=broken))
    for _ in range(2):
        with pytest.raises(ZeroDivisionError):
            verb.warm()
    assert not (folder / "complete").exists()


def test_progress_counts_the_kernels_of_the_package(folder, runs, monkeypatch, capsys):
    monkeypatch.setattr(
        verb, "kernel_sources", lambda package: {"a.py": b"\n@njit\ndef f(): ...\n\n@njit(cache=True)\n"}
    )
    verb.compile_all()
    assert "2/2" in capsys.readouterr().out


def test_kernels_that_nobody_warmed_for_a_month_are_removed(tmp_path):
    ages = {"this": 90, "young": 29, "old": 31}
    for name, days in ages.items():
        (tmp_path / name).mkdir()
        (tmp_path / name / "kernel.nbc").touch()
        then = time.time() - days * 86400
        os.utime(tmp_path / name, (then, then))
    verb.forget_old(tmp_path / "this")
    assert {path.name for path in tmp_path.iterdir()} == {"this", "young"}
