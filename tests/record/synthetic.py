"""A session made up for tests: the real sequence and configuration, and vehicles that follow their maneuvers on rails.

Everything passes through the encoders and the writer: the recording looks like one of the engine, without compiling it.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, field

import numpy as np

from testbed.description import messages
from testbed.description.maneuver import Phase
from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S, PERIOD_NS
from testbed.plan.commands import Event
from testbed.plan.observation import Contact, Observation, Request, contacts_to_json
from testbed.plan.sequence import Sequence
from testbed.record import encode
from testbed.record.types import message, serialize
from testbed.record.writer import RecordingWriter
from tests.record.example import batteries

STEP_NS = PERIOD_NS["/plan/state"]
ODOMETRY_NS = PERIOD_NS["odometry"]
SIGMA = 0.002
"""Standard deviation of the made-up estimate, m and rad."""


@dataclass
class Faults:
    """What goes wrong, and when (s after the start of the session); None or empty: nothing."""

    stop_at: float | None = None
    plant_dies_at: float | None = None
    cut_at: float | None = None
    interrupt_at: float | None = None
    drift: dict[tuple[str, int], float] = field(default_factory=dict)
    """Constant position error m of all vehicles in a run and try."""
    contacts: dict[tuple[str, int], float] = field(default_factory=dict)
    """Peak force N of one contact in a run and try."""
    requests: dict[float, Request] = field(default_factory=dict)
    lie: bool = False
    """The conductor's criterion events say less than what it measured."""


class Rail:
    """One vehicle that goes straight to its goal with a smooth profile."""

    def __init__(self, index, vehicle, place):
        self.position = np.array([2.0 * index, 0.0, vehicle.shape.floor_height])
        self.heading = 0.0
        self.maneuver = None
        self.begin = (self.position, self.heading)
        self.mass = 0.11
        self.vehicle = vehicle
        self.place = place

    def put(self, place):
        self.position = np.array(place.position)
        self.heading = 2.0 * math.atan2(place.orientation[2], place.orientation[3])
        self.maneuver = None

    def give(self, maneuver):
        self.maneuver, self.begin = maneuver, (self.position.copy(), self.heading)

    def goal(self):
        one = self.maneuver
        if one is None:
            return self.position, self.heading
        if one.waypoints:
            last = one.waypoints[-1]
            return np.array([last.x, last.y, self.position[2]]), math.radians(last.heading_deg)
        position = self.begin[0] if one.position is None else np.array(one.position)
        turned = one.orientation
        heading = self.begin[1] if turned is None else 2.0 * math.atan2(turned[2], turned[3])
        return position, heading

    def advance(self, stamp):
        """Pose at a stamp; whether the goal is reached."""
        if self.maneuver is None or stamp < self.maneuver.start:
            return False
        position, heading = self.goal()
        distance = np.linalg.norm(position - self.begin[0])
        turn = abs(heading - self.begin[1])
        one = self.maneuver
        duration = one.waypoints[-1].time if one.waypoints else 2.0 * max(distance / 0.06, turn / one.rate_limit, 0.1)
        share = min(1.0, (stamp - one.start) / NS_PER_S / duration)
        smooth = share**3 * (10 - 15 * share + 6 * share**2)
        self.position = self.begin[0] + smooth * (position - self.begin[0])
        self.heading = self.begin[1] + smooth * (heading - self.begin[1])
        return share >= 1.0


def write_session(folder, configuration, faults=None, speed=1):
    """Write a whole session into `folder` and return its sequence. Truth and odometry come at 50 Hz."""
    session = _Session(folder, configuration, faults or Faults())
    session.run()
    return session.sequence


class _Session:
    def __init__(self, folder, configuration, faults):
        self.configuration, self.faults = configuration, faults
        self.sequence = Sequence(configuration)
        self.names = list(configuration.vehicles)
        self.rails = {n: Rail(i, configuration.vehicles[n], configuration.place) for i, n in enumerate(self.names)}
        self.encoders = {n: encode.VehicleEncoder(configuration.vehicles[n], configuration.place) for n in self.names}
        self.generator = np.random.default_rng(configuration.seed)
        self.writer = RecordingWriter(folder)
        self.kept = {
            name: {topic: [] for topic in ("truth", "odometry", "reference", "status", "wrench", "valves", "mass")}
            for name in self.names
        }
        self.texts = {topic: [] for topic in ("/plan/state", "/plan/events", "/contacts")}
        self.touched = set()
        self.supply = {}

    def run(self):
        stamp, requests = LOCKSTEP_START_NS, (Request("start"),)
        plant = True
        faults = self.faults
        ended = None
        while not self.sequence.finished:
            seconds = (stamp - LOCKSTEP_START_NS) / NS_PER_S
            if faults.cut_at is not None and seconds >= faults.cut_at:
                break
            if faults.stop_at is not None and seconds >= faults.stop_at and ended is None:
                requests, ended = (Request("stop", "asked for in a test", "tester"),), seconds
            for at in [at for at in faults.requests if at <= seconds]:
                requests = (*requests, faults.requests.pop(at))
            if faults.plant_dies_at is not None and seconds >= faults.plant_dies_at and plant:
                plant, ended = False, seconds
                self._tell(stamp, "process_died", process="plant", how="killed by signal 9")
                requests = (Request("stop", "a process died"),)
            if faults.interrupt_at is not None and seconds >= faults.interrupt_at and ended is None:
                ended = seconds
                self._tell(stamp, "interrupted", signal="SIGINT")
                requests = (Request("stop", "interrupted"),)
            if ended is not None and seconds > ended + 1.5:
                break
            seen = self._observe(stamp, requests) if plant else Observation(stamp, requests=requests)
            self._carry_out(stamp, self.sequence.step(seen))
            requests = ()
            stamp += STEP_NS
        self._write(close=faults.cut_at is None)

    def _observe(self, stamp, requests):
        key = (self.sequence.out.run, self.sequence.out.attempt)
        running = self.sequence.phase == "running"
        contacts = ()
        if running and key in self.faults.contacts and key not in self.touched:
            self.touched.add(key)
            contacts = (Contact(stamp, self.names[0], "edge", self.faults.contacts[key], 0.1),)
        self.texts["/contacts"].append((stamp, contacts_to_json(stamp, contacts)))
        drift = self.faults.drift.get(key, 0.0) if running else 0.0
        truth, reference = {}, {}
        for number, name in enumerate(self.names):
            truth[name], reference[name] = self._move(name, number, stamp, drift)
        if stamp % PERIOD_NS["supply"] == 0:
            self.supply = {name: (rail.mass * 296.8 * 293.15 / 0.5e-3, 293.15) for name, rail in self.rails.items()}
        return Observation(
            stamp=stamp,
            truth=truth,
            odometry={name: self.kept[name]["odometry"][-1][-1] for name in self.names},
            reference=reference,
            status={name: self.kept[name]["status"][-1][0] for name in self.names},
            supply=self.supply,
            contacts=contacts,
            requests=requests,
        )

    def _move(self, name, number, stamp, drift):
        rail, kept = self.rails[name], self.kept[name]
        stamps = np.arange(stamp - STEP_NS + ODOMETRY_NS, stamp + 1, ODOMETRY_NS)
        truth = np.zeros(len(stamps), messages.ODOMETRY)
        done = False
        for one, at in zip(truth, stamps, strict=True):
            done = rail.advance(at)
            one["stamp"] = at
            one["position"] = rail.position
            one["orientation"][2:] = math.sin(rail.heading / 2), math.cos(rail.heading / 2)
        reference = truth[-1:].copy()
        phase = 0.3 * stamps / NS_PER_S + number
        truth["position"][:, 0] += 0.004 * np.sin(phase) + drift
        truth["position"][:, 1] += 0.004 * np.cos(phase)
        odometry = truth.copy()
        noise = self.generator.normal(size=(len(stamps), 3)) * SIGMA
        odometry["position"][:, :2] += noise[:, :2]
        turned = np.arctan2(truth["orientation"][:, 2], truth["orientation"][:, 3]) + noise[:, 2] / 2
        odometry["orientation"][:, 2:] = np.column_stack([np.sin(turned), np.cos(turned)])
        odometry["pose_covariance"] = np.diag([SIGMA**2, SIGMA**2, 1e-8, 1e-8, 1e-8, SIGMA**2])
        status = np.zeros(1, messages.STATUS)
        status["stamp"] = stamp
        if rail.maneuver is not None:
            status["number"] = rail.maneuver.number
            status["phase"] = Phase.HOLDING if done else Phase.MOVING
        valves = self.generator.random((2, 12)) < 0.06
        rail.mass -= 0.00024 * float(valves[0].sum()) * 0.05
        kept["valves"] += [(stamp - STEP_NS, valves[0]), (stamp - STEP_NS + 50_000_000, valves[0] & False)]
        for topic, records in (("truth", truth), ("odometry", odometry), ("reference", reference), ("status", status)):
            kept[topic].append(records)
        kept["mass"].append((stamp, rail.mass))
        wrench = np.zeros(1, messages.WRENCH)
        wrench["stamp"] = stamp
        kept["wrench"].append(wrench)
        return truth, reference

    def _carry_out(self, stamp, commands):
        for name, place in commands.places.items():
            self.rails[name].put(place)
        for name, maneuver in commands.maneuvers.items():
            self.rails[name].give(maneuver)
            self.texts.setdefault(f"/{name}/maneuver", []).append((stamp, maneuver.model_dump_json()))
        for event in commands.events:
            self._keep_event(event)
        self.texts["/plan/state"].append((stamp, commands.state.to_json()))

    def _keep_event(self, event):
        if self.faults.lie and event.kind == "criterion" and event.data["value"] is not None:
            event = Event(event.stamp, event.kind, event.run, event.attempt, {**event.data, "value": 0.0})
        self.texts["/plan/events"].append((event.stamp, event.to_json()))

    def _tell(self, stamp, kind, **data):
        self._keep_event(Event(stamp, kind, self.sequence.out.run, self.sequence.out.attempt, data))

    def _write(self, close):
        start = np.array([LOCKSTEP_START_NS])
        blocks = [encode.texts("/plan/configuration", start, [self.configuration.to_json()])]
        for topic, pairs in self.texts.items():
            if pairs:
                blocks.append(encode.texts(topic, np.array([stamp for stamp, _ in pairs]), [text for _, text in pairs]))
        for name, encoder in self.encoders.items():
            blocks += self._vehicle_blocks(encoder, self.kept[name])
        self.writer.write_blocks(blocks)
        if self.faults.stop_at is not None:
            data = serialize(message("std_msgs/msg/Bool", data=True), "std_msgs/msg/Bool")
            self.writer.write("/stop", "std_msgs/msg/Bool", data, self.writer.contents.end, self.writer.contents.end)
        if close:
            self.writer.close()
        else:
            self.writer._stream.close()  # as a kill would leave it

    @staticmethod
    def _vehicle_blocks(encoder, kept):
        stamps, mass = np.array([pair[0] for pair in kept["mass"]]), np.array([pair[1] for pair in kept["mass"]])
        supply = slice(None, None, 2)
        valves = np.array([state for _, state in kept["valves"]])
        return [
            encoder.odometry("truth", np.concatenate(kept["truth"])),
            encoder.odometry("odometry", np.concatenate(kept["odometry"])),
            encoder.odometry("reference", np.concatenate(kept["reference"])),
            encoder.status(np.concatenate(kept["status"])),
            encoder.wrench(np.concatenate(kept["wrench"])),
            encoder.valve_states(np.array([stamp for stamp, _ in kept["valves"]]), valves),
            encoder.pressure(stamps[supply], mass[supply] * 296.8 * 293.15 / 0.5e-3),
            encoder.temperature(stamps[supply], np.full(len(stamps[supply]), 293.15)),
            encoder.battery(batteries(stamps[supply], np.full(len(stamps[supply]), 0.97))),
        ]


def events_of(folder):
    """Contents of /plan/events of a recording, for a look in tests."""
    from testbed.record.load import load

    return [json.loads(event.to_json()) for event in load(folder).events]
