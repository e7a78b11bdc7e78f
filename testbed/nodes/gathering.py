"""Collects what the conductor observes: truth, estimates, references, statuses, supply, battery, contacts."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sensor_msgs.msg import BatteryState, FluidPressure, Temperature

from testbed.description import messages
from testbed.description.air import kelvin
from testbed.description.messages import LOCKSTEP_START_NS, PERIOD_NS
from testbed.description.status import status_record
from testbed.description.ticks import due
from testbed.nodes.contract import Contract
from testbed.nodes.follower import Inbox, Needed
from testbed.nodes.topics import to_nanoseconds
from testbed.plan.commands import Event
from testbed.plan.configuration import Configuration
from testbed.plan.observation import Contact, Observation, Request, contacts_from_json


class Gathering:
    """Inboxes of the conductor and the observation made from them at each step.

    In lockstep only what is due counts: a status published on change may or may not have arrived, so the conductor
    decides on those of the 2 Hz ticks. On wall time whatever has arrived counts.
    """

    def __init__(self, configuration: Configuration, contract: Contract, arrived: Callable[[], None]) -> None:
        self._lockstep = contract.lockstep
        self._arrived = arrived
        self._names = list(configuration.vehicles)
        self._supplies = ["supply/pressure", "supply/temperature"]
        self._supplies += ["carriage/pressure"] if configuration.table is not None else []
        rows = ("truth", "odometry", "reference", "maneuver/status", *self._supplies, "battery")
        self._inboxes: dict[str, dict[str, Inbox]] = {row: {name: {} for name in self._names} for row in rows}
        self._latest: dict[str, dict[str, Any]] = {row: {} for row in rows}
        self._contacts: Inbox = {}
        self._live_faults: list[str] = []
        self._observed = 0
        for name in self._names:
            for row in ("truth", "odometry", "reference"):
                contract.subscribe_records(row, self._taker(row, name, _odometry), name)
            contract.subscribe_text(
                "maneuver/status", status_record, self._taker("maneuver/status", name, _status), name
            )
            for row in self._supplies:
                read = _temperature if row == "supply/temperature" else _pressure
                contract.subscribe(row, self._taker(row, name, read), name)
            contract.subscribe("battery", self._taker("battery", name, _battery), name)
        contract.subscribe_text("/contacts", _contacts, self._on_contacts)
        contract.subscribe_text("/plan/events", Event.from_json, self._on_event)

    def needed(self, stamp: int) -> Needed:
        """Inputs due at this tick and since the last."""
        yield self._contacts, stamp
        first = max(stamp - PERIOD_NS["/plan/state"] + messages.TICK_NS, LOCKSTEP_START_NS)
        for name in self._names:
            for tick in range(first, stamp + 1, messages.TICK_NS):
                if due(tick, PERIOD_NS["truth"]):
                    yield self._inboxes["truth"][name], tick
            yield self._inboxes["odometry"][name], stamp
            yield self._inboxes["reference"][name], stamp
            if due(stamp, PERIOD_NS["maneuver/status"]):
                yield self._inboxes["maneuver/status"][name], stamp
            if due(stamp, PERIOD_NS["supply"]):
                for row in self._supplies:
                    yield self._inboxes[row][name], stamp
            if due(stamp, PERIOD_NS["battery"]):
                yield self._inboxes["battery"][name], stamp

    def observe(self, stamp: int, requests: tuple[Request, ...], ready: bool, reason: str) -> Observation:
        """Everything that has come in up to this step, as the sequence wants it."""
        self._observed = stamp
        truth = {name: self._new("truth", name, stamp) for name in self._names}
        reference = {name: self._new("reference", name, stamp) for name in self._names}
        for row in ("odometry", "maneuver/status", *self._supplies, "battery"):
            for name in self._names:
                self._keep_latest(row, name, stamp)
        supply = {
            name: (pressure, self._latest["supply/temperature"][name])
            for name, pressure in self._latest["supply/pressure"].items()
            if name in self._latest["supply/temperature"]
        }
        contacts = [contact for key in sorted(self._contacts) if key <= stamp for contact in self._contacts.pop(key)]
        return Observation(
            stamp=stamp,
            truth=truth,
            odometry=dict(self._latest["odometry"]),
            reference=reference,
            status=dict(self._latest["maneuver/status"]),
            supply=supply,
            carriage=dict(self._latest.get("carriage/pressure", {})),
            battery=dict(self._latest["battery"]),
            contacts=tuple(contacts),
            live_faults=tuple(self._live_faults),
            requests=requests,
            ready=ready,
            not_ready_reason=reason,
        )

    def _taker(self, row: str, name: str, read: Callable[[Any], tuple[int, Any]]) -> Callable[[Any], None]:
        inbox = self._inboxes[row][name]

        def take(message: Any) -> None:
            key, value = read(message)
            if self._is_new(key):
                inbox[key] = value
            if self._lockstep:
                self._arrived()

        return take

    def _on_contacts(self, heard: tuple[int, tuple[Contact, ...]]) -> None:
        stamp, contacts = heard
        if self._is_new(stamp):
            self._contacts[stamp] = contacts
        self._arrived()

    def _on_event(self, event: Event) -> None:
        """Note the faults that someone sets at the plant; nobody waits for them."""
        if not event.data.get("live"):
            return
        fault = str(event.data["fault"])
        if event.kind == "fault_began":
            self._live_faults.append(fault)
        elif fault in self._live_faults:
            self._live_faults.remove(fault)

    def _is_new(self, stamp: int) -> bool:
        """Whether a message does not belong to a step that is over; in lockstep those are sent again."""
        return stamp > self._observed or not self._lockstep

    def _counts(self, inbox: Inbox, stamp: int) -> Iterator[int]:
        return (key for key in sorted(inbox) if key <= stamp or not self._lockstep)

    def _new(self, row: str, name: str, stamp: int) -> NDArray[np.void]:
        """Records that have come in since the last step, in order of their stamps; shape (n,)."""
        inbox = self._inboxes[row][name]
        records = [inbox.pop(key) for key in list(self._counts(inbox, stamp))]
        joined = np.empty(len(records), messages.ODOMETRY)
        for index, record in enumerate(records):  # much faster than np.concatenate, which compares every field
            joined[index] = record[0]
        return joined

    def _keep_latest(self, row: str, name: str, stamp: int) -> None:
        inbox = self._inboxes[row][name]
        for key in list(self._counts(inbox, stamp)):
            value = inbox.pop(key)
            if row != "maneuver/status" or not self._lockstep or due(key, PERIOD_NS["maneuver/status"]):
                self._latest[row][name] = value[0] if isinstance(value, np.ndarray) else value


def _odometry(record: NDArray[np.void]) -> tuple[int, NDArray[np.void]]:
    return int(record[0]["stamp"]), record


def _status(record: NDArray[np.void]) -> tuple[int, NDArray[np.void]]:
    return int(record[0]["stamp"]), record


def _contacts(text: str) -> tuple[int, tuple[Contact, ...]]:
    return int(json.loads(text)["stamp"]), contacts_from_json(text)


def _pressure(message: FluidPressure) -> tuple[int, float]:
    return to_nanoseconds(message.header.stamp), message.fluid_pressure


def _temperature(message: Temperature) -> tuple[int, float]:
    return to_nanoseconds(message.header.stamp), kelvin(message.temperature)


def _battery(message: BatteryState) -> tuple[int, tuple[float, float]]:
    return to_nanoseconds(message.header.stamp), (message.percentage, message.voltage)
