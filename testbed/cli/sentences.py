"""Events of a session as one line each, for the terminal."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from testbed.description.maneuver import Maneuver
from testbed.plan.commands import Event
from testbed.plan.criteria import CriterionResult
from testbed.plan.ends_of_motion import told_hold, told_stop
from testbed.plan.formation_events import told_formation
from testbed.plan.formatting import value_and_limit
from testbed.plan.guard_events import told_guard
from testbed.plan.progress import told
from testbed.plan.separation_events import told_separation
from testbed.plan.valve_events import told_valve

Data = Mapping[str, Any]


def sentence(event: Event) -> str:
    """One event in words."""
    where = f"{event.run}, try {event.attempt}: " if event.run and event.attempt else ""
    say = _SENTENCES.get(event.kind)
    return where + (say(event.data) if say else _plainly(event))


def _criterion(data: Data) -> str:
    result = CriterionResult(**data)
    value, limit = value_and_limit(result)
    who = f" ({result.vehicle})" if result.vehicle else ""
    return f"  {'met   ' if result.passed else 'MISSED'} {result.name}{who}: {value}, {limit} asked for"


def _hold(data: Data) -> str:
    return f"braking under control. {told_hold(data['ends'])}" if data["in_control"] else "valves stay closed"


def _plainly(event: Event) -> str:
    details = ", ".join(f"{key} {value}" for key, value in event.data.items() if isinstance(value, (str, int, float)))
    return event.kind.replace("_", " ") + (f": {details}" if details else "")


_SENTENCES: Final[dict[str, Callable[[Data], str]]] = {
    "session_started": lambda data: f"session {data['plan']} started, seed {data['seed']}",
    "run_started": lambda data: f"run started: {data['purpose']}",
    "placed": lambda data: f"{data['vehicle']} put at ({data['position'][0]:.2f}, {data['position'][1]:.2f})",
    "try_started": lambda data: f"started, at most {data['time_limit']:.0f} s",
    "maneuver_given": lambda data: told(data["vehicle"], Maneuver.model_validate(data["maneuver"])),
    "criterion": _criterion,
    "touched_down": lambda data: f"{data['vehicle']} has TOUCHED DOWN: its carriage is out of air",
    "verdict": lambda data: f"{data['verdict'].upper()}: {data['reason']}",
    "run_finished": lambda data: (
        f"run {'passed' if data['passed'] else 'skipped' if data['skipped'] else 'not passed'}"
    ),
    "finished": lambda data: f"session over, {data['reason']}",
    "abort": lambda data: f"ABORT, braking under control: {data['reason']}",
    "fault_began": lambda data: f"BROKEN from now on{' (live)' if data.get('live') else ''}: {data['fault']}",
    "fault_over": lambda data: f"whole again: {data['fault']}",
    "guard": told_guard,
    "separation": told_separation,
    "valve": told_valve,
    "formation": told_formation,
    "gas_warning": lambda data: f"WARNING: {data['text']}",
    "own_part_failed": lambda data: f"FAILED, everything stops: {data['text']}",
    "retry": lambda data: f"once more, because: {data['reason']}",
    "hold": lambda data: f"HOLD ({data['reason']}): {_hold(data)}",
    "stop": lambda data: f"STOP ({data['reason']}): valves closed, coasting. {told_stop(data['ends'])}",
    "process_died": lambda data: f"{data['process']} DIED ({data['how']}): stop given to every holder of valves",
}
