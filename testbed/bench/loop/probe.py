"""The probe: plays plant and conductor to a vehicle's process and to the bare chain, in turn, and times the answers.

In every tick the vehicle is fed first, some milliseconds later the bare chain, and then the components are called
directly: all three see the same machine in the same state of load.
"""

from __future__ import annotations

import json
import sys
import time
from functools import partial
from pathlib import Path
from typing import Any, Final

import rclpy
from lifecycle_msgs.msg import Transition
from lifecycle_msgs.srv import ChangeState
from rclpy.node import Node
from rclpy.publisher import Publisher
from sensor_msgs.msg import Imu, PointCloud2, Temperature
from std_msgs.msg import Header, String
from trajectory_msgs.msg import JointTrajectory

from testbed.bench.feed import Feed, record_feed
from testbed.bench.loop.bare_chain import NAMESPACE as BARE
from testbed.bench.loop.direct import DirectCalls
from testbed.bench.rows import publisher, subscribe
from testbed.description.messages import NS_PER_S, PERIOD_NS
from testbed.description.ticks import due
from testbed.nodes import convert
from testbed.nodes.process import make_executor
from testbed.nodes.topics import to_nanoseconds, to_time
from testbed.plan.configuration import load_configuration

LIVE_AT: Final = 0
BARE_AT: Final = 4_000_000
DIRECT_AT: Final = 7_000_000
"""When in the tick each is asked, ns."""
PATIENCE: Final = 30.0
"""Longest wait for the processes to find each other and get ready, s."""
LATER: Final = 2 * NS_PER_S
"""From readiness to the first tick, ns."""


class Probe(Node):
    """Publishes the feed and collects when each tick was sent and when its schedule came back, ns, by tick."""

    def __init__(self, vehicle: str, lead: int) -> None:
        super().__init__("probe")
        self.vehicle = vehicle
        self._lead = lead
        self.sent: dict[str, dict[int, int]] = {vehicle: {}, BARE: {}}
        self.answered: dict[str, dict[int, int]] = {vehicle: {}, BARE: {}}
        self.opened = 0
        self._imu = {name: publisher(self, "imu", name) for name in self.sent}
        self._ranges = {name: publisher(self, "ranges", name) for name in self.sent}
        self._air, self.state = publisher(self, "/air/temperature"), publisher(self, "/plan/state")
        self.maneuver = publisher(self, "maneuver", vehicle)
        self._release = publisher(self, "/release")
        self._changes = self.create_client(ChangeState, f"/{vehicle}/thruster_driver/change_state")
        for name in self.sent:
            subscribe(self, "valves/schedule", partial(self._on_schedule, name), name)

    def _on_schedule(self, name: str, message: JointTrajectory) -> None:
        now = time.perf_counter_ns()
        self.answered[name][to_nanoseconds(message.header.stamp) - self._lead] = now
        if name == self.vehicle:
            self.opened += any(value > 0.5 for point in message.points for value in point.positions)

    def connected(self) -> bool:
        """Whether all that will be asked is there."""
        heard: list[Publisher] = [*self._imu.values(), *self._ranges.values(), self._air, self.state, self.maneuver]
        answering = (self.count_publishers(f"/{name}/valves/schedule") > 0 for name in self.sent)
        return (
            all(one.get_subscription_count() > 0 for one in (*heard, self._release))
            and all(answering)
            and self._changes.service_is_ready()
        )

    def change(self, transition: int) -> Any:
        """Ask the thruster driver for a transition; a future."""
        return self._changes.call_async(ChangeState.Request(transition=Transition(id=transition)))

    def release(self) -> None:
        """Clear the stop that the thruster driver starts with."""
        self._release.publish(Header(stamp=to_time(time.time_ns()), frame_id="bench"))

    def send_air(self, stamp: int, celsius: float) -> None:
        """The measured air temperature."""
        self._air.publish(Temperature(header=convert.header(stamp, ""), temperature=celsius))

    def send(self, name: str, stamp: int, ranges: PointCloud2 | None, imu: Imu) -> None:
        """A tick's ranges, where there are any, and then its last message in: imu."""
        if ranges is not None:
            self._ranges[name].publish(ranges)
        self.sent[name][stamp] = time.perf_counter_ns()
        self._imu[name].publish(imu)


class Feeder:
    """Readies the processes, then feeds them in real time; `spent` has the ns of the direct calls, by tick."""

    def __init__(self, probe: Probe) -> None:
        self._probe = probe
        self._executor = make_executor()
        self._executor.add_node(probe)
        self.spent: dict[int, int] = {}

    def get_ready(self) -> None:
        """Wait until all are there, and bring the thruster driver to where it may fire."""
        self._until(self._probe.connected, "connect")
        self._change(Transition.TRANSITION_CONFIGURE)
        self._probe.release()
        self._spin_until(time.time_ns() + NS_PER_S // 2)
        self._change(Transition.TRANSITION_ACTIVATE)

    def run(self, feed: Feed, direct: DirectCalls) -> None:
        """All ticks of the feed, whose first lies in the near future."""
        probe = self._probe
        messages = {name: _messages(name, feed) for name in probe.sent}
        for k, record in enumerate(feed.imu):
            stamp = int(record["stamp"])
            self._spin_until(stamp + LIVE_AT)
            if due(stamp, PERIOD_NS["/air/temperature"]):
                probe.send_air(stamp, feed.air_celsius)
            for name, moment in ((probe.vehicle, LIVE_AT), (BARE, BARE_AT)):
                self._spin_until(stamp + moment)
                probe.send(name, stamp, *messages[name][k])
            self._spin_until(stamp + DIRECT_AT)
            if stamp in feed.maneuvers:
                probe.maneuver.publish(String(data=feed.maneuvers[stamp].model_dump_json()))
            if stamp in feed.states:
                probe.state.publish(String(data=feed.states[stamp]))
            spent = direct.tick(k)
            if spent is not None:
                self.spent[stamp] = spent
        self._spin_until(time.time_ns() + NS_PER_S // 5)

    def _change(self, transition: int) -> None:
        future = self._probe.change(transition)
        self._until(future.done, f"make transition {transition}")
        if not future.result().success:
            raise RuntimeError(f"the thruster driver refused transition {transition}")

    def _until(self, done: Any, what: str) -> None:
        deadline = time.monotonic() + PATIENCE
        while not done():
            self._executor.spin_once(timeout_sec=0.05)
            if time.monotonic() > deadline:
                raise TimeoutError(f"the processes did not {what} within {PATIENCE:.0f} s")

    def _spin_until(self, moment: int) -> None:
        while (left := moment - time.time_ns()) > 0:
            self._executor.spin_once(timeout_sec=left / NS_PER_S)


def _messages(name: str, feed: Feed) -> list[tuple[PointCloud2 | None, Imu]]:
    """What is sent in each tick, made beforehand."""
    ranges = {at: convert.ranges_to_message(one[0], f"{name}/base_link") for at, one in feed.ranges.items()}
    return [(ranges.get(int(one["stamp"])), convert.imu_to_message(one, f"{name}/imu_link")) for one in feed.imu]


def main(plan: Path, vehicle: str, seconds: float, answer: Path) -> None:
    """Measure and write what was measured as JSON: per schedule, ns for live, bare and direct."""
    configuration = load_configuration(plan)
    described = configuration.vehicles[vehicle]
    feed = record_feed(configuration, vehicle, seconds)
    rclpy.init()
    probe = Probe(vehicle, round(described.thrusters.schedule_lead * NS_PER_S))
    feeder = Feeder(probe)
    feeder.get_ready()
    feed = feed.shifted((time.time_ns() + LATER) // NS_PER_S * NS_PER_S)
    feeder.run(feed, DirectCalls(configuration, described, feed))
    write(answer, probe, feed, feeder.spent)
    rclpy.try_shutdown()


def write(answer: Path, probe: Probe, feed: Feed, spent: dict[int, int]) -> None:
    """Keep the ticks that all three have answered, from the permission to fire on."""
    stamps = [stamp for stamp in spent if stamp > feed.permitted_from]
    live, bare = probe.vehicle, BARE
    both = [stamp for stamp in stamps if stamp in probe.answered[live] and stamp in probe.answered[bare]]
    found = {
        "due": len(stamps),
        "opened": probe.opened,
        "cycle": [stamp in feed.ranges for stamp in both],
        "live": [probe.answered[live][stamp] - probe.sent[live][stamp] for stamp in both],
        "bare": [probe.answered[bare][stamp] - probe.sent[bare][stamp] for stamp in both],
        "direct": [spent[stamp] for stamp in both],
    }
    answer.write_text(json.dumps(found))


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], float(sys.argv[3]), Path(sys.argv[4]))
