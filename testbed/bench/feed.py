"""What one vehicle hears during a session flown in the engine, to be fed to it again in a measurement."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from testbed.description import messages
from testbed.description.air import celsius
from testbed.description.maneuver import Maneuver
from testbed.description.messages import TICK_NS
from testbed.plan.configuration import Configuration
from testbed.rehearsal.lockstep import LockstepRehearsal
from testbed.rehearsal.wiring import IMU, RANGES, SCHEDULE, STEP_TICKS


@dataclass(frozen=True)
class Feed:
    """Inputs of one vehicle, tick by tick. imu (ticks,); the others at some ticks, by the stamp (ns) of their sending.

    permitted_from: stamp from which on valves may open, and a maneuver is flown. schedules: what the vehicle answered.
    """

    imu: NDArray[np.void]
    ranges: dict[int, NDArray[np.void]]
    air_celsius: float
    states: dict[int, str]
    maneuvers: dict[int, Maneuver]
    schedules: dict[int, NDArray[np.void]]
    permitted_from: int

    def shifted(self, offset: int) -> Feed:
        """The same at other times; `offset` in ns, whole seconds, so that everything stays due when it was."""

        def moved(records: dict[int, Any]) -> dict[int, Any]:
            return {stamp + offset: _later(record, offset) for stamp, record in records.items()}

        return replace(
            self,
            imu=_later(self.imu, offset),
            ranges=moved(self.ranges),
            states={stamp + offset: _state_later(text, offset) for stamp, text in self.states.items()},
            maneuvers={
                stamp + offset: one.model_copy(update={"start": one.start + offset, "expiry": one.expiry + offset})
                for stamp, one in self.maneuvers.items()
            },
            schedules=moved(self.schedules),
            permitted_from=self.permitted_from + offset,
        )


def record_feed(configuration: Configuration, vehicle: str, seconds: float) -> Feed:
    """Fly the beginning of a session in the engine and keep what one vehicle heard and answered.

    Raises:
        ValueError: within this time the vehicle was not permitted to fire.

    """
    rehearsal = LockstepRehearsal(configuration)
    v = rehearsal.names.index(vehicle)
    imu: list[NDArray[np.void]] = []
    feed = Feed(np.zeros(0, messages.IMU), {}, celsius(configuration.beacons.air_temperature), {}, {}, {}, 0)
    for step in range(round(seconds / (STEP_TICKS * TICK_NS * 1e-9))):
        if step:
            rehearsal.step()
        _keep_step(rehearsal, v, vehicle, imu, feed)
    permitted = [stamp for stamp, text in feed.states.items() if json.loads(text)["permit"]]
    if not permitted:
        raise ValueError(f"{vehicle} was not permitted to fire within {seconds} s")
    return replace(feed, imu=np.concatenate(imu), permitted_from=min(permitted))


def _keep_step(rehearsal: LockstepRehearsal, v: int, vehicle: str, imu: list[NDArray[np.void]], feed: Feed) -> None:
    tape, commands = rehearsal.tape, rehearsal.commands
    imu.append(tape.imu[v, : tape.counts[v, IMU]].copy())
    cycle = rehearsal.configuration.beacons.cycle_ns
    for row in range(tape.counts[v, RANGES]):
        record = tape.ranges[v, row : row + 1].copy()
        feed.ranges[int(record[0]["stamp"]) + cycle] = record
    for row in range(tape.counts[v, SCHEDULE]):
        feed.schedules[int(tape.schedule_at[v, row])] = tape.schedule[v, row : row + 1].copy()
    feed.states[rehearsal.stamp] = commands.state.to_json()
    if vehicle in commands.maneuvers:
        feed.maneuvers[rehearsal.stamp] = commands.maneuvers[vehicle]


def _later(records: NDArray[np.void], offset: int) -> NDArray[np.void]:
    records = records.copy()
    records["stamp"] += offset
    return records


def _state_later(text: str, offset: int) -> str:
    state = json.loads(text)
    return json.dumps(state | {"stamp": state["stamp"] + offset})
