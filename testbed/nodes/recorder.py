"""Recorder node: every topic of the contract as it is sent, straight to disk."""

from __future__ import annotations

import struct
import time
from collections.abc import Sequence as Arguments
from pathlib import Path
from typing import Any, Final

from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus, KeyValue
from lifecycle_msgs.msg import TransitionEvent
from rcl_interfaces.msg import Log, ParameterEvent
from rclpy.node import Node
from rclpy.qos import QoSDurabilityPolicy, QoSProfile
from rosgraph_msgs.msg import Clock
from std_msgs.msg import Header

from testbed.description.messages import LOCKSTEP_START_NS
from testbed.nodes import process
from testbed.nodes.contract import declare_configuration
from testbed.nodes.topics import all_topics, publisher_qos, subscriber_qos, to_time, topic
from testbed.record.writer import RecordingWriter

LINGER_SECONDS: Final = 0.7
"""How long the recorder goes on after the launcher has gone, so that the closing of the valves is recorded."""

QUIET_SECONDS: Final = 0.25
"""Told to end, the recorder goes on until nothing has come for so long: faster than real time it may be behind."""
LONGEST_END: Final = 4.0
"""But no longer than this; the launcher waits 5 s."""
DEPTH: Final = 20_000
"""Queue depth: deep enough to be behind by many seconds without losing anything."""

AWAITED: Final = (
    "imu",
    "truth",
    "odometry",
    "reference",
    "wrench",
    "valves/schedule",
    "valves/state",
    "supply/pressure",
)
"""Rows that must be heard of every vehicle before a session starts: at least one from each publishing node."""
PERIOD: Final = 0.5
"""Seconds between two reports on `/diagnostics`."""

_STAMP: Final = struct.Struct("<4xiI")
"""Encapsulation, then the seconds and nanoseconds that begin a message with a header or a time."""


def type_name(message_type: Any) -> str:
    """Name such as sensor_msgs/msg/Imu of a message class."""
    package, folder, *_ = message_type.__module__.split(".")
    return f"{package}/{folder}/{message_type.__name__}"


def begins_with_time(message_type: Any) -> bool:
    """Whether a message begins with a header or a time, which is its publish time."""
    first = next(iter(message_type.get_fields_and_field_types().values()), "")
    return first in ("std_msgs/Header", "builtin_interfaces/Time")


class RecorderNode(Node):
    """Writes raw messages; log time is receipt on the session's clock: `/clock` in lockstep, else system time."""

    def __init__(self) -> None:
        super().__init__("recorder")
        configuration, self._lockstep = declare_configuration(self)
        self.declare_parameter("folder", "")
        self._writer = RecordingWriter(Path(self.get_parameter("folder").value))
        self._now = LOCKSTEP_START_NS
        self._newest: dict[str, int] = {}
        self._events = 0
        self._told_to_end: float | None = None
        self._last_arrival = 0.0
        names = tuple(configuration.vehicles)
        for name, row in all_topics(names):
            self._record(name, row.type, subscriber_qos(row, self._lockstep, DEPTH))
        reliable = QoSProfile(depth=DEPTH)
        latched = QoSProfile(depth=DEPTH, durability=QoSDurabilityPolicy.TRANSIENT_LOCAL)
        self._record("/rosout", Log, latched)
        self._record("/parameter_events", ParameterEvent, reliable)
        for holder in ("/plant", *(f"/{name}/thruster_driver" for name in names)):
            self._record(f"{holder}/transition_event", TransitionEvent, reliable)
        self._newest = {topic(row).full_name(name): 0 for row in AWAITED for name in names}
        row = topic("/diagnostics")
        self._diagnostics = self.create_publisher(row.type, row.name, publisher_qos(row))
        self.create_timer(PERIOD, self._report)

    def _report(self) -> None:
        """Say what has not been heard yet, until which stamp all has been heard, and how many events.

        Until everything is heard a session does not start, and until everything is written it does not end.
        """
        unheard = sorted(name for name, stamp in self._newest.items() if not stamp)
        text = "recording" if not unheard else f"recording, but has not heard {len(unheard)} topics yet"
        found = {"unheard": ", ".join(unheard), "until": min(self._newest.values()), "events": self._events}
        values = [KeyValue(key=key, value=str(value)) for key, value in found.items()]
        name = self.get_fully_qualified_name()
        status = DiagnosticStatus(level=DiagnosticStatus.OK, name=name, message=text, values=values)
        self._diagnostics.publish(DiagnosticArray(header=Header(stamp=to_time(time.time_ns())), status=[status]))

    def _record(self, name: str, message_type: Any, qos: QoSProfile) -> None:
        written_type = type_name(message_type)
        self._writer.add_topic(name, written_type, latched=qos.durability == QoSDurabilityPolicy.TRANSIENT_LOCAL)
        has_time = begins_with_time(message_type) or message_type is Log
        is_clock, is_event = message_type is Clock, name == "/plan/events"

        def write(data: bytes) -> None:
            stamp = 0
            if has_time:
                seconds, nanoseconds = _STAMP.unpack_from(data)
                stamp = seconds * 1_000_000_000 + nanoseconds
            if is_clock:
                self._now = max(self._now, stamp)
            now = self._now if self._lockstep else time.time_ns()
            self._writer.write(name, written_type, data, now, stamp or now)
            self._last_arrival = time.monotonic()
            self._events += is_event
            if name in self._newest:
                first, self._newest[name] = not self._newest[name], stamp
                if first and all(self._newest.values()):
                    self._report()

        self.create_subscription(message_type, name, write, qos, raw=True)

    def done(self) -> bool:
        """Told to end: whether everything that was on its way has been written."""
        now = time.monotonic()
        if self._told_to_end is None:
            self._told_to_end = now
        return now - max(self._told_to_end, self._last_arrival) > QUIET_SECONDS or now - self._told_to_end > LONGEST_END

    def close(self) -> None:
        """Complete the recording."""
        self._writer.close()


def main(arguments: Arguments[str] | None = None) -> int:
    """Record until told to end."""
    process.begin(arguments)
    node = RecorderNode()
    process.spin([node], done=node.done, linger=LINGER_SECONDS, at_end=node.close)
    return 0
