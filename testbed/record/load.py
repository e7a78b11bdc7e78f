"""Read a whole recording into arrays: what the report and every other look back needs."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from testbed.description import messages
from testbed.description.air import kelvin
from testbed.description.gas_gauge import TankGauge
from testbed.description.gas_supply import GasSupply
from testbed.description.maneuver import Maneuver
from testbed.description.status import status_record
from testbed.plan.commands import Event, PlanState
from testbed.plan.configuration import Configuration
from testbed.plan.observation import Contact, contacts_from_json
from testbed.plan.samples import GAS
from testbed.record import contract
from testbed.record.columns import batches, in_order, read_records, read_texts
from testbed.record.complaints import Complaint, read_complaints
from testbed.record.contract import Layout
from testbed.record.reader import Channel, RecordingReader
from testbed.record.recover import RecordingError

T = TypeVar("T")

PRESSURE: Final = np.dtype([("stamp", "i8"), ("pressure", "f8")])
TEMPERATURE: Final = np.dtype([("stamp", "i8"), ("temperature", "f8")])
BATTERY: Final = messages.BATTERY
"""As messages.BATTERY, but for the charge in Ah."""
VECTOR: Final = np.dtype([("stamp", "i8"), ("vector", "f8", (3,))])


@dataclass(frozen=True)
class ValveStates:
    """Which valves were open from each stamp (ns) on: `open` has the shape (n, valves)."""

    names: tuple[str, ...]
    stamps: NDArray[np.int64]
    open: NDArray[np.bool_]

    def edges(self) -> int:
        """How many times a valve opened or closed."""
        return int(np.count_nonzero(np.diff(self.open.astype(np.int8), axis=0)))


@dataclass(frozen=True)
class VehicleRecord:
    """All that was recorded of one vehicle, oldest first; dtypes of description.messages, temperatures in K."""

    name: str
    truth: NDArray[np.void]
    odometry: NDArray[np.void]
    reference: NDArray[np.void]
    wrench: NDArray[np.void]
    status: NDArray[np.void]
    maneuvers: tuple[Maneuver, ...]
    trajectories: NDArray[np.void]
    valves: ValveStates
    pressure: NDArray[np.void]
    temperature: NDArray[np.void]
    battery: NDArray[np.void]
    bias: NDArray[np.void]
    disturbance: NDArray[np.void]

    def gas(self, supply: GasSupply) -> NDArray[np.void]:
        """Mass of gas (kg, dtype GAS) in the tank at each pressure, with the latest temperature."""
        gas = np.zeros(len(self.pressure) if len(self.temperature) else 0, GAS)
        if len(gas):
            gas["stamp"] = self.pressure["stamp"]
            after = np.searchsorted(self.temperature["stamp"], gas["stamp"], "right")
            temperature: Any = self.temperature["temperature"][np.clip(after - 1, 0, None)]
            pressure: Any = self.pressure["pressure"]
            gas["mass"] = TankGauge(supply).weigh(gas["stamp"], pressure, temperature)
        return gas


@dataclass(frozen=True)
class Recording:
    """A whole session as it was recorded. Times are stamps in ns on the session's clock."""

    folder: Path
    cut: bool
    start: int
    end: int
    configuration: Configuration | None
    vehicles: Mapping[str, VehicleRecord]
    contacts: tuple[Contact, ...]
    events: tuple[Event, ...]
    states: tuple[PlanState, ...]
    stops: tuple[int, ...]
    """When `/stop` was true, ns of receipt."""
    complaints: tuple[Complaint, ...] = ()
    counts: Mapping[str, int] = field(default_factory=dict)
    """Messages by topic."""

    def seconds(self, stamp: int) -> float:
        """Time in the recording, s after its first message."""
        return (stamp - self.start) / messages.NS_PER_S


def load(folder: Path) -> Recording:
    """Read the recording in `folder`, cut or whole.

    Raises:
        RecordingError: none there, or contents that do not follow the contract.

    """
    reader = RecordingReader(folder)
    try:
        return _load(folder, reader)
    except (ValueError, KeyError, TypeError) as error:
        raise RecordingError(folder, "content", str(error), "messages that follow the topic contract") from error


def _load(folder: Path, reader: RecordingReader) -> Recording:
    channels = reader.channels
    configurations = _texts(channels, "/plan/configuration", Configuration.from_json)
    configuration = configurations[-1] if configurations else None
    names = tuple(configuration.vehicles) if configuration else _vehicles(channels)
    contacts = [contact for some in _texts(channels, "/contacts", contacts_from_json) for contact in some]
    stops = channels.get("/stop")
    return Recording(
        folder=folder,
        cut=reader.cut,
        start=reader.start,
        end=reader.end,
        configuration=configuration,
        vehicles={name: _load_vehicle(name, channels) for name in names},
        contacts=tuple(contacts),
        events=_in_order(_texts(channels, "/plan/events", Event.from_json)),
        states=_in_order(_texts(channels, "/plan/state", PlanState.from_json)),
        stops=_stops(stops) if stops is not None else (),
        complaints=read_complaints(channels),
        counts={topic: len(channel) for topic, channel in channels.items()},
    )


def _load_vehicle(name: str, channels: Mapping[str, Channel]) -> VehicleRecord:
    def records(topic: str, dtype: np.dtype[Any], layout: Layout) -> NDArray[np.void]:
        channel = channels.get(f"/{name}/{topic}")
        if channel is None or not len(channel):
            return np.zeros(0, dtype)
        if channel.type != layout.type:
            raise ValueError(f"{channel.topic} holds {channel.type}, allowed: {layout.type}")
        paths = {field: path for field, path in layout.paths.items() if field in (dtype.names or ())}
        return read_records(channel, dtype, paths)

    def texts(topic: str, read: Callable[[str], T]) -> list[T]:
        return _texts(channels, f"/{name}/{topic}", read)

    temperature = records("supply/temperature", TEMPERATURE, contract.TEMPERATURE)
    in_celsius: Any = temperature["temperature"]
    temperature["temperature"] = kelvin(in_celsius)
    statuses = texts("maneuver/status", status_record)
    status = np.concatenate(statuses) if statuses else np.zeros(0, messages.STATUS)
    return VehicleRecord(
        name=name,
        truth=records("truth", messages.ODOMETRY, contract.ODOMETRY),
        odometry=records("odometry", messages.ODOMETRY, contract.ODOMETRY),
        reference=records("reference", messages.ODOMETRY, contract.ODOMETRY),
        wrench=records("wrench", messages.WRENCH, contract.WRENCH),
        status=status[in_order(status["stamp"])],
        maneuvers=tuple(texts("maneuver", Maneuver.model_validate_json)),
        trajectories=_trajectories(name, channels.get(f"/{name}/trajectory")),
        valves=_valves(channels.get(f"/{name}/valves/state")),
        pressure=records("supply/pressure", PRESSURE, contract.PRESSURE),
        temperature=temperature,
        battery=records("battery", BATTERY, contract.BATTERY),
        bias=records("estimate/bias", VECTOR, contract.VECTOR),
        disturbance=records("estimate/disturbance", messages.WRENCH, contract.WRENCH),
    )


def _trajectories(name: str, channel: Channel | None) -> NDArray[np.void]:
    """Those that guidance could read; what it refused, of another sender, does not make a recording unreadable."""
    if channel is None or not len(channel):
        return np.zeros(0, messages.TRAJECTORY)
    if channel.type != contract.TRAJECTORY.type:
        raise ValueError(f"{channel.topic} holds {channel.type}, allowed: {contract.TRAJECTORY.type}")
    records = np.zeros(len(channel), messages.TRAJECTORY)
    read = np.zeros(len(channel), bool)
    for batch in batches(channel):
        points = batch.example.points
        fits = all(len(one.transforms) == len(one.velocities) == 1 for one in points)
        try:
            number = contract.maneuver_of(batch.example.joint_names, f"{name}/base_link")
        except ValueError:
            continue
        if len(points) > messages.MAX_KNOTS or not fits:
            continue
        read[batch.indices] = True
        records["stamp"][batch.indices] = batch.stamps()
        records["number"][batch.indices], records["count"][batch.indices] = number, len(points)
        found = batch.fields(contract.trajectory_paths(len(points))) if points else None
        for k in range(len(points)):
            assert found is not None
            seconds = found[f"time {k} sec"].astype(np.int64)
            records["offset"][batch.indices, k] = seconds * messages.NS_PER_S + found[f"time {k} nanosec"]
            for field_name in ("position", "orientation", "velocity", "rate"):
                records[field_name][batch.indices, k] = found[f"{field_name} {k}"]
    records = records[read]
    return records[in_order(records["stamp"])]


def _valves(channel: Channel | None) -> ValveStates:
    """States by the order of valves in the first message."""
    if channel is None or not len(channel):
        return ValveStates((), np.zeros(0, np.int64), np.zeros((0, 0), bool))
    names: tuple[str, ...] = ()
    stamps = np.zeros(len(channel), np.int64)
    states = np.zeros((len(channel), 0), bool)
    for batch in batches(channel):
        if not names:
            names = tuple(batch.example.name)
            states = np.zeros((len(channel), len(names)), bool)
        order = np.array([names.index(name) for name in batch.example.name], np.intp)
        stamps[batch.indices] = batch.stamps()
        if len(order):
            found = batch.fields({"position": "position"})["position"].reshape(-1, len(order))
            states[np.ix_(batch.indices, order)] = found > 0.5
    kept = in_order(stamps)
    return ValveStates(names, stamps[kept], states[kept])


def _stops(channel: Channel) -> tuple[int, ...]:
    """Only true counts."""
    return tuple(int(channel.log_times[index]) for index in range(len(channel)) if channel.data(index)[4])


def _texts(channels: Mapping[str, Channel], topic: str, read: Callable[[str], T]) -> list[T]:
    channel = channels.get(topic)
    if channel is None:
        return []
    try:
        return [read(text) for text in read_texts(channel)]
    except (ValueError, KeyError, TypeError) as error:
        raise ValueError(f"{topic}: {error}") from error


def _in_order(items: Iterable[Any]) -> tuple[Any, ...]:
    """By stamp, and each once."""
    once = {json.dumps(item.__dict__, sort_keys=True, default=str): item for item in items}
    return tuple(sorted(once.values(), key=lambda item: item.stamp))


def _vehicles(channels: Iterable[str]) -> tuple[str, ...]:
    """Namespaces that hold a truth or an odometry, for a recording without a configuration."""
    return tuple(dict.fromkeys(topic.split("/")[1] for topic in channels if topic.endswith(("/truth", "/odometry"))))
