"""Runs nodes in a process: one executor, orderly ends, and a pipe from the launcher whose end means stop."""

from __future__ import annotations

import gc
import os
import select
import signal
import time
from collections.abc import Callable, Sequence

import rclpy
from rclpy._rclpy_pybind11 import RCLError
from rclpy.executors import Executor, ExternalShutdownException, SingleThreadedExecutor
from rclpy.node import Node
from rclpy.signals import SignalHandlerOptions
from rclpy.task import Future

from testbed.nodes import shared_memory

LIFELINE_VARIABLE = "TESTBED_LIFELINE"
"""Environment variable with the file descriptor of the launcher's pipe; unset when started by hand."""
LOADED_VARIABLE = "TESTBED_LOADED"
"""Likewise of the pipe on which a process says with one byte that it is loaded."""
GO_VARIABLE = "TESTBED_GO"
"""Likewise of the pipe whose end means that all processes are loaded."""

TOGETHER_SECONDS = 20.0
"""Longest wait for the other processes to load."""
LOOK_PERIOD = 0.1
"""Seconds between looks at the launcher's pipe."""
_received: list[int] = []
"""Signals that this process has been sent."""


def begin(arguments: Sequence[str] | None) -> None:
    """Start ROS in this process; under a launcher together with all others, because then they find each other at once.

    A process that joins a second after the others is found only by their next periodic announcement, seconds later.
    Signals are only noted, and `spin` ends: rclpy's own handlers would leave no way to send a last word.
    """
    loaded, go = os.environ.get(LOADED_VARIABLE), os.environ.get(GO_VARIABLE)
    if loaded and go:
        os.write(int(loaded), b".")
        select.select([int(go)], [], [], TOGETHER_SECONDS)
    rclpy.init(args=[*(arguments or ())], signal_handler_options=SignalHandlerOptions.NO)
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda received, _: _received.append(received))


def make_executor() -> Executor:
    """The events executor where rclpy has it, else the single-threaded one."""
    try:
        from rclpy.experimental import EventsExecutor
    except ImportError:
        return SingleThreadedExecutor()
    return EventsExecutor()


class Lifeline:
    """The launcher's end of a pipe: when it closes, the launcher is gone."""

    def __init__(self) -> None:
        text = os.environ.get(LIFELINE_VARIABLE)
        self._descriptor = int(text) if text else None

    @property
    def held(self) -> bool:
        """Whether a launcher has started this process."""
        return self._descriptor is not None

    def cut(self) -> bool:
        """Whether the launcher has gone."""
        if self._descriptor is None:
            return False
        readable, _, _ = select.select([self._descriptor], [], [], 0.0)
        return bool(readable) and os.read(self._descriptor, 1) == b""


def spin(
    nodes: Sequence[Node],
    until: Callable[[], bool] = lambda: False,
    timeout: Callable[[], float] = lambda: 0.2,
    poll: Callable[[], None] | None = None,
    at_end: Callable[[], None] = lambda: None,
    done: Callable[[], bool] = lambda: True,
    linger: float = 0.0,
) -> None:
    """Spin the nodes until a signal, `until`, or the launcher's end; then shut down in order.

    poll: called after every event, or without one after `timeout` seconds. at_end: called once at the end, while the
    nodes can still publish. done: after a signal, go on until this is so. linger: how long to go on after the end of
    the launcher, s.
    """
    lifeline = Lifeline()
    executor = make_executor()
    for node in nodes:
        executor.add_node(node)
    if lifeline.held:
        shared_memory.note_own()
    gc.collect()
    gc.freeze()  # a full collection over all that is loaded would take 35 ms, three ticks
    next_look, end = 0.0, float("inf")
    try:
        while rclpy.ok() and not until() and time.monotonic() < end and not (_received and done()):
            if poll is None:
                # To stay in the executor costs a quarter less for each message than to come back here after it.
                executor.spin_until_future_complete(Future(), LOOK_PERIOD)
            else:
                executor.spin_once(timeout_sec=timeout())
                poll()
            if time.monotonic() > next_look:
                next_look = time.monotonic() + LOOK_PERIOD
                if end == float("inf") and lifeline.cut():
                    end = time.monotonic() + linger
    except (KeyboardInterrupt, ExternalShutdownException):
        pass
    except RCLError:
        if rclpy.ok():  # otherwise a signal came between a callback's start and its publishing
            raise
    finally:
        at_end()
        rclpy.try_shutdown()
        if lifeline.cut():  # the launcher was killed, and cannot tidy up after itself
            shared_memory.remove_left_behind()
