"""Children are watched, ended in order, and end by themselves when whoever started them is gone."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from testbed.nodes import children as module
from testbed.nodes.children import Children

NODE = """
import os, select, signal, sys
{prologue}
os.write(int(os.environ["TESTBED_LOADED"]), b".")
select.select([int(os.environ["TESTBED_GO"])], [], [])
print("going", flush=True)
select.select([int(os.environ["TESTBED_LIFELINE"])], [], [])
print("cut", flush=True)
"""
"""A stand-in for a node: loads, waits for the others, then until its lifeline is cut."""

PATIENCE = 10.0


def until(condition, what):
    deadline = time.monotonic() + PATIENCE
    while not condition():
        assert time.monotonic() < deadline, f"waited {PATIENCE:g} s until {what}"
        time.sleep(0.01)


@pytest.fixture
def start(tmp_path, monkeypatch):
    """Children of which each runs a small program instead of a node."""
    monkeypatch.setattr(module, "TERM_SECONDS", 0.5)
    family = Children(tmp_path, dict(os.environ))
    original = subprocess.Popen

    def popen(command, **options):
        return original([sys.executable, "-c", programs.pop(0)], **options)

    programs = []

    def run(name, prologue="", program=None):
        programs.append(program or NODE.format(prologue=prologue))
        monkeypatch.setattr(module.subprocess, "Popen", popen)
        family.start(name, "plant", [])
        monkeypatch.setattr(module.subprocess, "Popen", original)

    run.family = family
    yield run
    family.close()


def log(tmp_path, name):
    return (tmp_path / "logs" / f"{name}.txt").read_text()


def test_nobody_begins_before_all_have_loaded(start, tmp_path):
    start("quick")
    start("slow", prologue="import time; time.sleep(0.5)")
    until((tmp_path / "logs" / "quick.txt").exists, "the first one has started")
    assert log(tmp_path, "quick") == ""
    start.family.begin_together()
    for name in ("quick", "slow"):
        until(lambda name=name: "going" in log(tmp_path, name), f"{name} begins")


def test_a_child_that_dies_while_loading_holds_up_nobody(start, tmp_path):
    start("good")
    start("bad", program="import sys; sys.exit('no such plan')")
    began = time.monotonic()
    start.family.begin_together()
    assert time.monotonic() - began < PATIENCE
    assert start.family.newly_dead() == [("bad", "exit code 1: no such plan")]


def test_a_killed_child_is_noticed_once_and_by_name(start):
    start("one")
    start("two")
    start.family.begin_together()
    assert start.family.newly_dead() == []
    os.kill(start.family.pid("two"), signal.SIGKILL)
    told = []
    until(lambda: told.extend(start.family.newly_dead()) or told, "the death is noticed")
    assert told == [("two", "killed by SIGKILL")]
    assert start.family.newly_dead() == []


def test_who_was_asked_to_end_is_not_reported_as_dead(start):
    start("one")
    start.family.begin_together()
    start.family.end(["one"])
    assert start.family.newly_dead() == []


def test_who_does_not_end_when_asked_is_killed(start):
    start("deaf", prologue="signal.signal(signal.SIGTERM, signal.SIG_IGN)")
    start.family.begin_together()
    pid = start.family.pid("deaf")
    start.family.end(["deaf"])
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)


def test_only_those_named_are_ended(start):
    start("recorder")
    start("plant")
    start("wren")
    start.family.begin_together()
    start.family.end(name for name in start.family.names if name != "recorder")
    assert alive(start.family.pid("recorder"))
    assert not alive(start.family.pid("plant"))
    assert not alive(start.family.pid("wren"))


PARENT = """
import os, sys
from pathlib import Path
from testbed.nodes import children as module
node = {node!r}
real = module.subprocess.Popen
module.subprocess.Popen = lambda command, **options: real([sys.executable, "-c", node], **options)
family = module.Children(Path({folder!r}), dict(os.environ))
family.start("orphan", "plant", [])
family.begin_together()
print(family.pid("orphan"), flush=True)
os.read(0, 1)
"""


def test_when_the_parent_is_killed_its_children_s_lifeline_is_cut(tmp_path):
    program = PARENT.format(node=NODE.format(prologue=""), folder=str(tmp_path))
    with subprocess.Popen(
        [sys.executable, "-c", program], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as parent:
        orphan = int(parent.stdout.readline())
        until(lambda: "going" in log(tmp_path, "orphan"), "the child runs")
        parent.kill()
        parent.wait()
    until(lambda: "cut" in log(tmp_path, "orphan"), "the child notices")
    until(lambda: not alive(orphan), "the child ends")


def alive(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except FileNotFoundError:
        return False
