"""The engine's recording: what the nodes would have published, encoded in blocks and written in order of time."""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S, PERIOD_NS, TICK_NS
from testbed.description.ticks import due
from testbed.flight.estimation import innovations_of
from testbed.model.edges import EDGE
from testbed.plan.observation import contacts_to_json
from testbed.record import encode
from testbed.record.block import Block
from testbed.record.writer import RecordingWriter
from testbed.rehearsal.wiring import TAPE_COLUMNS

if TYPE_CHECKING:
    from testbed.rehearsal.lockstep import LockstepRehearsal

FLUSH_NS: Final = 20 * NS_PER_S
"""Emulated time between two writes, ns."""


class EngineRecording:
    """Keeps the messages of a LockstepRehearsal step by step; `keep` after every step, `close` at the end."""

    def __init__(self, folder: Path, rehearsal: LockstepRehearsal) -> None:
        self._rehearsal = rehearsal
        self._writer = RecordingWriter(folder)
        configuration = rehearsal.configuration
        self._encoders = [encode.VehicleEncoder(one, configuration.place) for one in configuration.vehicles.values()]
        self._tapes: list[dict[str, list[NDArray[Any]]]] = [defaultdict(list) for _ in self._encoders]
        self._rows: list[dict[str, list[Any]]] = [defaultdict(list) for _ in self._encoders]
        self._texts: dict[str, list[tuple[int, str]]] = defaultdict(list)
        self._ticks: list[int] = []
        self._flushed = LOCKSTEP_START_NS
        self._text("/plan/configuration", LOCKSTEP_START_NS, configuration.to_json())

    def keep(self) -> None:
        """Keep what the last step (or the first tick) has produced."""
        one = self._rehearsal
        stamp, place = one.stamp, one.configuration.place
        first = self._ticks[-1] + TICK_NS if self._ticks else max(LOCKSTEP_START_NS, self._flushed)
        self._ticks += range(first, stamp + 1, TICK_NS)
        for v in range(len(self._encoders)):
            self._keep_vehicle(v, stamp)
        self._text("/contacts", stamp, contacts_to_json(stamp, tuple(one.observation.contacts)))
        for name, placed in one.commands.places.items():
            self._rows[one.names.index(name)]["place"].append((stamp, placed.position, placed.orientation))
        for name, maneuver in one.commands.maneuvers.items():
            self._text(f"/{name}/maneuver", stamp, maneuver.model_dump_json())
        for event in one.commands.events:
            self._text("/plan/events", stamp, event.to_json())
        self._text("/plan/state", stamp, one.commands.state.to_json())
        if stamp - self._flushed >= FLUSH_NS:
            self._flush(place)

    def close(self) -> None:
        """Write the rest and complete the recording."""
        self._flush(self._rehearsal.configuration.place)
        self._writer.close()

    def _text(self, topic: str, stamp: int, text: str) -> None:
        self._texts[topic].append((stamp, text))

    def _keep_vehicle(self, v: int, stamp: int) -> None:
        one = self._rehearsal
        tape, kept, rows = one.tape, self._tapes[v], self._rows[v]
        for column, kind in enumerate(TAPE_COLUMNS):
            count = tape.counts[v, column]
            if count:
                kept[kind].append(getattr(tape, kind)[v, :count].copy())
                if kind == "schedule":
                    kept["schedule_at"].append(tape.schedule_at[v, :count].copy())
        if due(stamp, PERIOD_NS["valves/state"]):
            now = np.zeros(1, EDGE)
            one.plant.fill_open(v, stamp, now[0])
            kept["edge"].append(now)
        if due(stamp, PERIOD_NS["supply"]):
            rows["supply"].append((stamp, one.plant.tank_pressure(v), one.plant.tank_temperature(v)))
        if due(stamp, PERIOD_NS["battery"]):
            rows["battery"].append((stamp, one.plant.battery_energy(v)))
        if due(stamp, PERIOD_NS["estimate"]):
            state, mass = one.flight.estimator_state[v], one.masses[v]
            bias, disturbance = state["now"]["gyro_bias"].copy(), mass * state["now"]["disturbance"]
            rows["estimate"].append((stamp, bias, disturbance, innovations_of(state)))

    def _flush(self, place: str) -> None:
        blocks: list[Block] = []
        if self._ticks:
            ticks = np.array(self._ticks)
            blocks.append(encode.clock(ticks))
            seconds = ticks[[due(int(tick), PERIOD_NS["/air/temperature"]) for tick in self._ticks]]
            if len(seconds):
                blocks.append(encode.air_temperature(seconds, self._rehearsal.air, place))
        for v, encoder in enumerate(self._encoders):
            tapes = {kind: np.concatenate(pieces) for kind, pieces in self._tapes[v].items()}
            blocks += _tape_blocks(encoder, tapes, self._rehearsal.configuration.beacons.cycle_ns)
            blocks += _row_blocks(encoder, self._rows[v])
            self._tapes[v].clear()
            self._rows[v].clear()
        for topic, sent in self._texts.items():
            blocks.append(encode.texts(topic, np.array([stamp for stamp, _ in sent]), [text for _, text in sent]))
        self._writer.write_blocks(blocks)
        self._texts.clear()
        self._ticks.clear()
        self._flushed = self._rehearsal.stamp + TICK_NS


def _tape_blocks(encoder: encode.VehicleEncoder, tapes: dict[str, NDArray[Any]], cycle: int) -> list[Block]:
    """Blocks of what the compiled loop has put on the tape."""
    blocks = [encoder.imu(tapes["imu"])] if "imu" in tapes else []
    for topic in ("truth", "odometry", "reference"):
        if topic in tapes:
            blocks.append(encoder.odometry(topic, tapes[topic]))
    if "ranges" in tapes:
        blocks.append(encoder.ranges(tapes["ranges"], tapes["ranges"]["stamp"] + cycle))
    if "wrench" in tapes:
        blocks.append(encoder.wrench(tapes["wrench"]))
    if "status" in tapes:
        blocks.append(encoder.status(tapes["status"]))
    if "schedule" in tapes:
        blocks.append(encoder.schedules(tapes["schedule"], tapes["schedule_at"]))
    if "edge" in tapes:
        blocks.append(encoder.valve_states(tapes["edge"]["stamp"], tapes["edge"]["open"]))
    return blocks


def _row_blocks(encoder: encode.VehicleEncoder, rows: dict[str, list[Any]]) -> list[Block]:
    """Blocks of what Python has read at the conductor's steps."""
    blocks = []
    if supply := rows.get("supply"):
        stamps, pressures, temperatures = (np.array(column) for column in zip(*supply, strict=True))
        blocks += [encoder.pressure(stamps, pressures), encoder.temperature(stamps, temperatures)]
    if battery := rows.get("battery"):
        stamps, energies = (np.array(column) for column in zip(*battery, strict=True))
        blocks.append(encoder.battery(stamps, energies))
    if estimate := rows.get("estimate"):
        stamps, biases, forces = (np.array([row[k] for row in estimate]) for k in range(3))
        blocks += [encoder.bias(stamps, biases), encoder.disturbance(stamps, forces)]
        blocks.append(encoder.innovations(stamps, [row[3] for row in estimate]))
    if places := rows.get("place"):
        stamps, positions, orientations = (np.array(column) for column in zip(*places, strict=True))
        blocks.append(encoder.pose("place", stamps, positions, orientations))
    return blocks
