"""Formation node: everybody's odometry and maneuvers in; a trajectory for each vehicle that flies a formation out."""

from __future__ import annotations

import time
from collections.abc import Sequence as Arguments
from functools import partial
from typing import Final

import numpy as np
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus, KeyValue
from numpy.typing import NDArray
from rclpy.node import Node
from std_msgs.msg import Header, String

from testbed.description.maneuver import Maneuver
from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S, PERIOD_NS
from testbed.flight.formation import Formations
from testbed.nodes import convert, process
from testbed.nodes.contract import declare_configuration, session_contract
from testbed.nodes.follower import Follower, Inbox, Needed, Slots, forget_before
from testbed.nodes.markers import Markers
from testbed.nodes.plan_state import PlanStates
from testbed.nodes.topics import to_time
from testbed.plan.formation_events import formation_event, order_of, told_formation
from testbed.plan.formations import formation_tasks

KEPT_NS: Final = 500_000_000
"""On wall time an odometry older than this is none."""


class FormationNode(Node):
    """Shell of flight.formation.Formations; works at the first odometry of each planning period."""

    def __init__(self) -> None:
        super().__init__("formation")
        configuration, lockstep = declare_configuration(self)
        contract = session_contract(self, configuration, lockstep)
        self._place, self._names, self._lockstep = configuration.place, list(configuration.vehicles), lockstep
        tasks = formation_tasks(configuration)
        self._formations = Formations(tasks)
        self._markers = Markers(contract, configuration.place, tasks)
        self._odometry: dict[str, Inbox] = {name: {} for name in self._names}
        self._maneuvers: dict[str, Inbox] = {name: {} for name in self._names}
        self._plan = PlanStates(contract, self._poll)
        self._slots = Slots(PERIOD_NS["trajectory"])
        self._follower = Follower(self, contract, self._needed, self._work)
        members = [name for name in self._names if any(name in task.places for task in tasks.values())]
        self._trajectory_out = {name: contract.publisher("trajectory", name) for name in members}
        self._events_out = contract.publisher("/plan/events")
        self._diagnostics = contract.publisher("/diagnostics")
        for name in self._names:
            contract.subscribe_records("odometry", partial(self._on_odometry, name), name)
            contract.subscribe_text("maneuver", Maneuver.model_validate_json, partial(self._on_maneuver, name), name)

    def _poll(self) -> None:
        self._follower.poll()

    def _on_odometry(self, name: str, record: NDArray[np.void]) -> None:
        stamp = int(record[0]["stamp"])
        starts = self._slots.starts(stamp)
        if starts or not self._lockstep:
            forget_before(self._odometry[name], stamp - KEPT_NS)
            self._odometry[name][stamp] = record
        if starts and (name == self._names[0] or not self._lockstep):
            self._follower.begin(stamp)
        elif starts:
            self._follower.poll()

    def _on_maneuver(self, name: str, maneuver: Maneuver) -> None:
        self._maneuvers[name][maneuver.number] = maneuver
        self._follower.poll()

    def _needed(self, stamp: int) -> Needed:
        """Everybody's odometry, the state of the plan before this tick, and the maneuvers that it names."""
        for inbox in self._odometry.values():
            yield inbox, stamp
        if stamp > LOCKSTEP_START_NS:
            yield from self._plan.needed(stamp)
            for name in self._names:
                if (number := self._plan.maneuver_number(stamp, name)) > 0:
                    yield self._maneuvers[name], number

    def _work(self, stamp: int) -> None:
        begun = time.perf_counter()
        numbers = {name: self._plan.maneuver_number(stamp, name) for name in self._names}
        orders = {name: order_of(self._maneuvers[name].get(number)) for name, number in numbers.items()}
        flown = {name: order for name, order in orders.items() if order is not None and name in self._trajectory_out}
        if self._plan.in_force(stamp) is not None and (seen := self._seen(stamp)) is not None:
            for name, record in self._formations.step(stamp, seen, flown).items():
                message = convert.trajectory_to_message(record[0], self._place, f"{name}/base_link")
                self._follower.publish(self._trajectory_out[name], message)
                self._markers.take(name, record[0], flown[name])
            for planned in self._formations.news:
                event = formation_event(stamp, planned)
                self._follower.publish(self._events_out, String(data=event.to_json()))
                late = 0.0 if self._lockstep else (time.time_ns() - planned.begin) / NS_PER_S
                self._report(told_formation(event.data), time.perf_counter() - begun, late)
        for name, number in numbers.items():
            forget_before(self._maneuvers[name], number)
        self._follower.aside(partial(self._markers.send, stamp))

    def _seen(self, stamp: int) -> dict[str, np.void] | None:
        """Everybody's odometry of this tick; on wall time the newest, None while someone's is missing or old."""
        seen = {}
        for name, inbox in self._odometry.items():
            stamps = [key for key in inbox if (key == stamp if self._lockstep else key > stamp - KEPT_NS)]
            if not stamps:
                return None
            seen[name] = inbox[max(stamps)][0]
        return seen

    def _report(self, text: str, seconds: float, late: float) -> None:
        """Say on `/diagnostics` what was planned, how long that took, and whether it comes after its beginning, s.

        Who is told late joins a way that begins as the one before went on: a second late, that is some millimetres off.
        """
        values = [KeyValue(key="planning time", value=f"{1e3 * seconds:.0f} ms")]
        level = DiagnosticStatus.OK
        if late > 0.0:
            level, text = DiagnosticStatus.WARN, f"{text}; told {late:.1f} s after its beginning"
        name = self.get_fully_qualified_name()
        status = DiagnosticStatus(level=level, name=name, message=text, values=values)
        self._diagnostics.publish(DiagnosticArray(header=Header(stamp=to_time(time.time_ns())), status=[status]))


def main(arguments: Arguments[str] | None = None) -> int:
    """Run the node until told to end."""
    process.begin(arguments)
    process.spin([FormationNode()])
    return 0
