"""The engine's recording: what the nodes would have published, encoded in blocks and written in order of time."""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from testbed.description.messages import BATTERY, LOCKSTEP_START_NS, NS_PER_S, PERIOD_NS, TICK_NS, TRAJECTORY
from testbed.description.ticks import due
from testbed.flight.estimation import innovations_of
from testbed.model.edges import EDGE
from testbed.plan.observation import contacts_to_json
from testbed.record import encode
from testbed.record.block import Block
from testbed.record.writer import RecordingWriter
from testbed.rehearsal.cameras import Cameras
from testbed.rehearsal.joints import Joints
from testbed.rehearsal.wiring import STEP_TICKS, TAPE_COLUMNS

if TYPE_CHECKING:
    from testbed.rehearsal.lockstep import LockstepRehearsal

FLUSH_NS: Final = 20 * NS_PER_S
"""Emulated time between two writes, ns."""


class EngineRecording:
    """Keeps the messages of a LockstepRehearsal; `keep` after every `step` or `run(tell=True)`, `close` at the end."""

    def __init__(self, folder: Path, rehearsal: LockstepRehearsal) -> None:
        self._rehearsal = rehearsal
        self._writer = RecordingWriter(folder)
        configuration = rehearsal.configuration
        self._encoders = [encode.VehicleEncoder(one, configuration.place) for one in configuration.vehicles.values()]
        self._cameras = Cameras(configuration, rehearsal.plant, rehearsal.draws)
        self._joints = Joints(configuration, rehearsal.plant)
        self._tapes: list[dict[str, list[NDArray[Any]]]] = [defaultdict(list) for _ in self._encoders]
        self._rows: list[dict[str, list[Any]]] = [defaultdict(list) for _ in self._encoders]
        self._heard: list[dict[str, list[Any]]] = [defaultdict(list) for _ in self._encoders]
        self._texts: dict[str, list[tuple[int, str]]] = defaultdict(list)
        self._ticks: list[int] = []
        self._flushed = LOCKSTEP_START_NS
        self._text("/plan/configuration", LOCKSTEP_START_NS, configuration.to_json())

    def keep(self) -> None:
        """Keep what the steps since the last call (or the first tick) have produced."""
        one = self._rehearsal
        stamp, place = one.stamp, one.configuration.place
        stamps = [stamp + (k + 1 - one.steps) * STEP_TICKS * TICK_NS for k in range(one.steps)]
        first = self._ticks[-1] + TICK_NS if self._ticks else max(LOCKSTEP_START_NS, self._flushed)
        self._ticks += range(first, stamp + 1, TICK_NS)
        for v in range(len(self._encoders)):
            self._keep_tape(v)
            self._keep_readings(v, stamps)
            if v in self._cameras.indices and due(stamp, PERIOD_NS["camera"]):
                self._rows[v]["camera"].append((stamp, self._cameras.picture(v, stamp)))
        for at, heard in one.heard:
            for r in range(len(self._encoders)):
                self._rows[r]["heard"].append((at, np.delete(heard["stamp"][r], r)))
            for r, s in np.argwhere(heard["stamp"] > 0):
                self._heard[r][one.names[s]].append((at, heard[r, s]))
        for quiet in stamps[:-1]:
            self._text("/contacts", quiet, contacts_to_json(quiet, ()))
        self._text("/contacts", stamp, contacts_to_json(stamp, tuple(one.observation.contacts)))
        if self._joints.news(stamp):
            for index in self._joints.indices:
                self._rows[index]["ports"].append((stamp, self._joints.held(index)))
            self._text("/joined", stamp, self._joints.joined(stamp))
        for name, trajectory in one.formation.sent.items():
            self._rows[one.names.index(name)]["trajectory"].append(trajectory[0])
        for name, placed in one.commands.places.items():
            self._rows[one.names.index(name)]["place"].append((stamp, placed.position, placed.orientation))
        for name, maneuver in one.commands.maneuvers.items():
            self._text(f"/{name}/maneuver", stamp, maneuver.model_dump_json())
        for event in (*one.guard_events, *one.formation.events):
            self._text("/plan/events", event.stamp, event.to_json())
        for event in one.commands.events:
            self._text("/plan/events", stamp, event.to_json())
        for state in one.states:
            self._text("/plan/state", state.stamp, state.to_json())
        if stamp - self._flushed >= FLUSH_NS:
            self._flush(place)

    def go_on(self) -> None:
        """Let the rehearsal go on, and keep what it produces: pictures show the plant as it is, so step by step."""
        if self._cameras.indices:
            self._rehearsal.step()
        else:
            self._rehearsal.run(tell=True)
        self.keep()

    def close(self) -> None:
        """Write the rest and complete the recording."""
        if self._rehearsal.sequence.finished:
            self._keep_closing()
        self._flush(self._rehearsal.configuration.place)
        self._writer.close()

    def _keep_closing(self) -> None:
        """Keep that the plant closes what is open: permission to fire ends with the session."""
        one = self._rehearsal
        for v, kept in enumerate(self._tapes):
            edge = np.zeros(1, EDGE)
            one.plant.fill_open(v, one.stamp, edge[0])
            if edge["open"].any():
                edge["open"] = 0
                kept["edge"].append(edge)

    def _text(self, topic: str, stamp: int, text: str) -> None:
        self._texts[topic].append((stamp, text))

    def _keep_tape(self, v: int) -> None:
        tape, kept = self._rehearsal.tape, self._tapes[v]
        for column, kind in enumerate(TAPE_COLUMNS):
            count = tape.counts[v, column]
            if count:
                kept[kind].append(getattr(tape, kind)[v, :count].copy())
                if kind == "schedule":
                    kept["schedule_at"].append(tape.schedule_at[v, :count].copy())

    def _keep_readings(self, v: int, stamps: list[int]) -> None:
        """Keep what slower topics say, each at those of the steps at which it is due."""
        one, rows = self._rehearsal, self._rows[v]
        for k, stamp in enumerate(stamps):
            reading = one.tape.readings[k, v]
            if due(stamp, PERIOD_NS["supply"]):
                rows["supply"].append((stamp, float(reading["pressure"]), float(reading["temperature"])))
                if one.configuration.table is not None:
                    rows["carriage"].append((stamp, float(reading["carriage_pressure"])))
            if due(stamp, PERIOD_NS["battery"]):
                rows["battery"].append(reading["battery"].copy())
            if due(stamp, PERIOD_NS["estimate"]) and (health := self._health(v, reading)) is not None:
                bias, innovations = health
                rows["estimate"].append((stamp, bias, reading["disturbance"].copy(), innovations))

    def _health(self, v: int, reading: Any) -> tuple[NDArray[np.float64], NDArray[np.void]] | None:
        """Gyro bias and innovations of a vehicle's estimator, from its READING; None from a user's own that failed."""
        if v in self._rehearsal.own.estimators:
            return self._rehearsal.own.health.get(v)
        return reading["gyro_bias"].copy(), innovations_of(reading)

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
            if told := self._rows[v].get("heard"):
                partners = [name for name in self._rehearsal.names if name != self._rehearsal.names[v]]
                at, newest = (np.array(column) for column in zip(*told, strict=True))
                blocks.append(encoder.heard(partners, at, newest))
            for partner, heard in self._heard[v].items():
                stamps, records = np.array([at for at, _ in heard]), np.array([record for _, record in heard])
                blocks.append(encoder.partner(partner, records, stamps))
            self._heard[v].clear()
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
    if carriage := rows.get("carriage"):
        stamps, pressures = (np.array(column) for column in zip(*carriage, strict=True))
        blocks.append(encoder.carriage_pressure(stamps, pressures))
    if ports := rows.get("ports"):
        stamps, held = (np.array(column) for column in zip(*ports, strict=True))
        blocks.append(encoder.port_states(stamps, held))
    if battery := rows.get("battery"):
        blocks.append(encoder.battery(np.array(battery, BATTERY)))
    if estimate := rows.get("estimate"):
        stamps, biases, forces = (np.array([row[k] for row in estimate]) for k in range(3))
        blocks += [encoder.bias(stamps, biases), encoder.disturbance(stamps, forces)]
        blocks.append(encoder.innovations(stamps, [row[3] for row in estimate]))
    if pictures := rows.get("camera"):
        stamps, grey = (np.array(column) for column in zip(*pictures, strict=True))
        blocks += encoder.pictures(stamps, grey)
    if trajectories := rows.get("trajectory"):
        told = np.array(trajectories, TRAJECTORY)
        blocks.append(encoder.trajectories(told, told["stamp"]))
    if places := rows.get("place"):
        stamps, positions, orientations = (np.array(column) for column in zip(*places, strict=True))
        blocks.append(encoder.pose("place", stamps, positions, orientations))
    return blocks
