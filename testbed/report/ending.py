"""How a session ended, and what is known of the valves after it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Final

from testbed.description.messages import NS_PER_S
from testbed.plan.commands import Event
from testbed.record.load import Recording, VehicleRecord

PLANT: Final = "plant"
STALE_NS: Final = NS_PER_S // 2
"""Valve states older than this at the end of a recording say nothing about its end."""


class How(StrEnum):
    """What ended a session."""

    FINISHED = "finished"
    STOPPED = "stopped"
    INTERRUPTED = "interrupted"
    PROCESS_DIED = "process died"
    NO_ANSWER = "no answer"
    CUT = "recording cut"


class ValveState(StrEnum):
    """What is known of a vehicle's valves at the end."""

    CLOSED = "closed"
    OPEN = "open"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class Ending:
    """How a session ended: in a sentence or two, when (stamp ns), who died, where vehicles were predicted to end up."""

    how: How
    text: str
    stamp: int
    died: tuple[tuple[str, str], ...] = ()
    coast: Mapping[str, Any] = field(default_factory=dict)
    valves: Mapping[str, ValveState] = field(default_factory=dict)
    open_valves: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def plant_lost(self) -> bool:
        """Whether the plant itself is among those who died."""
        return any(process == PLANT for process, _ in self.died)


def ending(recording: Recording) -> Ending:
    """Find out how a session ended, the gravest cause first."""
    by_kind: dict[str, list[Event]] = {}
    for event in recording.events:
        by_kind.setdefault(event.kind, []).append(event)
    died = tuple((str(event.data["process"]), str(event.data["how"])) for event in by_kind.get("process_died", ()))
    how, text, stamp = _cause(recording, by_kind, died)
    valves = {name: valve_state(recording, vehicle, how, died) for name, vehicle in recording.vehicles.items()}
    stop = by_kind.get("stop", [])
    return Ending(
        how=how,
        text=text,
        stamp=stamp,
        died=died,
        coast=stop[-1].data.get("ends", {}) if stop else {},
        valves=valves,
        open_valves={name: open_at_end(vehicle) for name, vehicle in recording.vehicles.items()},
    )


def _cause(
    recording: Recording, events: Mapping[str, list[Event]], died: tuple[tuple[str, str], ...]
) -> tuple[How, str, int]:
    if died:
        names = ", ".join(f"{process} ({how})" for process, how in died)
        text = f"A process died: {names}. Every holder of valves was told to stop."
        return How.PROCESS_DIED, text, events["process_died"][0].stamp
    if found := events.get("interrupted"):
        return How.INTERRUPTED, f"Interrupted by {found[0].data.get('signal', 'a signal')}. {STOPPED}", found[0].stamp
    if found := events.get("no_answer"):
        return How.NO_ANSWER, f"The conductor no longer answered. {STOPPED}", found[0].stamp
    if found := events.get("stop"):
        reason = found[0].data.get("reason", "")
        return How.STOPPED, f"Stopped: {reason}. {STOPPED}", found[0].stamp
    if found := events.get("finished"):
        return How.FINISHED, f"Finished in order: {found[0].data.get('reason', '')}.", found[0].stamp
    if recording.stops:
        return How.STOPPED, f"A stop was given. {STOPPED}", recording.stops[0]
    text = "The recording ends without an end of the session: the recorder or the whole machine failed."
    return How.CUT, text, recording.end


STOPPED: Final = "Valves were told to close, and vehicles coasted."


def valve_state(
    recording: Recording, vehicle: VehicleRecord, how: How, died: tuple[tuple[str, str], ...]
) -> ValveState:
    """What is known of a vehicle's valves at the end: nothing where whoever holds them is gone or fell silent."""
    stamps = vehicle.valves.stamps
    newest = recording.states[-1].stamp if recording.states else recording.end
    if how is How.CUT or any(process == PLANT for process, _ in died) or not len(stamps):
        return ValveState.UNKNOWN
    if newest - int(stamps[-1]) > STALE_NS:
        return ValveState.UNKNOWN
    return ValveState.OPEN if vehicle.valves.open[-1].any() else ValveState.CLOSED


def open_at_end(vehicle: VehicleRecord) -> tuple[str, ...]:
    """Valves that were open in the last recorded state."""
    if not len(vehicle.valves.stamps):
        return ()
    return tuple(name for name, is_open in zip(vehicle.valves.names, vehicle.valves.open[-1], strict=True) if is_open)
