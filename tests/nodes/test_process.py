"""A node's process ends in order: by a signal, by its own end, or because its launcher is gone."""

import os
import signal
import time

import pytest
import rclpy

from testbed.nodes import process
from testbed.nodes.process import GO_VARIABLE, LIFELINE_VARIABLE, LOADED_VARIABLE, Lifeline


@pytest.fixture
def pipe(monkeypatch):
    """A lifeline whose other end this test holds."""
    reading, writing = os.pipe()
    monkeypatch.setenv(LIFELINE_VARIABLE, str(reading))
    held = [writing]
    yield held
    os.close(reading)
    for one in held:
        os.close(one)


@pytest.fixture
def node():
    rclpy.init()
    yield rclpy.create_node("tested")
    rclpy.try_shutdown()


def cut(pipe):
    os.close(pipe.pop())


def test_without_a_launcher_there_is_nothing_to_be_cut(monkeypatch):
    monkeypatch.delenv(LIFELINE_VARIABLE, raising=False)
    assert not Lifeline().held
    assert not Lifeline().cut()


def test_the_lifeline_is_cut_when_the_launcher_s_end_is_closed_and_stays_so(pipe):
    lifeline = Lifeline()
    assert lifeline.held
    assert not lifeline.cut()
    cut(pipe)
    assert lifeline.cut()
    assert lifeline.cut()


def test_begin_says_that_it_is_loaded_and_waits_for_the_others(monkeypatch):
    loaded, say = os.pipe()
    go, hold_back = os.pipe()
    monkeypatch.setenv(LOADED_VARIABLE, str(say))
    monkeypatch.setenv(GO_VARIABLE, str(go))
    order = []
    monkeypatch.setattr(process.select, "select", lambda *_: order.append("waited"))
    monkeypatch.setattr(process.rclpy, "init", lambda args, **_: order.append(("began", args)))
    monkeypatch.setattr(process.signal, "signal", lambda *_: None)
    process.begin(["--ros-args"])
    assert os.read(loaded, 8) == b"."
    assert order == ["waited", ("began", ["--ros-args"])]
    for one in (loaded, say, go, hold_back):
        os.close(one)


def test_started_by_hand_it_begins_at_once(monkeypatch):
    for name in (LOADED_VARIABLE, GO_VARIABLE):
        monkeypatch.delenv(name, raising=False)
    began = []
    monkeypatch.setattr(process.rclpy, "init", lambda args, **_: began.append(args))
    monkeypatch.setattr(process.signal, "signal", lambda *_: None)
    process.begin(None)
    assert began == [[]]


def test_spinning_goes_on_until_told_and_ends_once(node, monkeypatch):
    monkeypatch.delenv(LIFELINE_VARIABLE, raising=False)
    polls, ends = [], []
    process.spin(
        [node],
        until=lambda: len(polls) >= 3,
        timeout=lambda: 0.01,
        poll=lambda: polls.append(1),
        at_end=lambda: ends.append(rclpy.ok()),
    )
    assert len(polls) == 3
    assert ends == [True], "nodes still exist when the end is told"
    assert not rclpy.ok()


def test_when_ros_is_shut_down_it_ends_and_the_end_is_still_told(node, monkeypatch):
    monkeypatch.delenv(LIFELINE_VARIABLE, raising=False)
    ends = []
    process.spin([node], timeout=lambda: 0.01, poll=rclpy.shutdown, at_end=lambda: ends.append(1))
    assert ends == [1]


def test_a_signal_ends_it_and_the_last_word_can_still_be_sent(node, monkeypatch):
    monkeypatch.delenv(LIFELINE_VARIABLE, raising=False)
    received, told, ends = [], [], []
    monkeypatch.setattr(process, "_received", received)

    def done():
        told.append(1)
        return len(told) == 3

    process.spin(
        [node],
        timeout=lambda: 0.01,
        poll=lambda: received.append(signal.SIGTERM),
        at_end=lambda: ends.append(rclpy.ok()),
        done=done,
    )
    assert len(told) == 3, "after the signal it goes on until it is done"
    assert ends == [True], "what is published at the end still goes out"


def test_ctrl_c_in_a_callback_ends_it_in_order(node, monkeypatch):
    monkeypatch.delenv(LIFELINE_VARIABLE, raising=False)
    ends = []

    def interrupt():
        raise KeyboardInterrupt

    process.spin([node], timeout=lambda: 0.01, poll=interrupt, at_end=lambda: ends.append(1))
    assert ends == [1]


def test_an_error_in_a_callback_is_not_swallowed_but_the_end_is_told(node, monkeypatch):
    monkeypatch.delenv(LIFELINE_VARIABLE, raising=False)
    ends = []

    def fail():
        raise ValueError("a mistake")

    with pytest.raises(ValueError, match="a mistake"):
        process.spin([node], timeout=lambda: 0.01, poll=fail, at_end=lambda: ends.append(1))
    assert ends == [1]


@pytest.mark.parametrize("linger", [0.0, 0.3])
def test_when_the_launcher_is_gone_it_ends_after_lingering(node, pipe, tmp_path, monkeypatch, linger):
    monkeypatch.setenv("ROS_LOG_DIR", str(tmp_path))
    cut_at = []

    def poll():
        if not cut_at:
            cut(pipe)
            cut_at.append(time.monotonic())

    process.spin([node], timeout=lambda: 0.01, poll=poll, linger=linger)
    assert time.monotonic() - cut_at[0] >= linger
    assert not rclpy.ok()
