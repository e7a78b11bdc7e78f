"""Time and memory of each flight component beside what the vehicle's computer can spend (its file's key `computer`).

Inputs are those of a session, cold start included; beside them the hard cases: ranges that fit no pose, so that every
acquisition goes through all its steps, wrenches far beyond the valves, allocations stopped at their cap, and partners
so near that the safety filter looks for a way out at every step. Each input is given again and again to a fresh
component; the shortest time of each counts, which leaves out what the machine did meanwhile, and the worst step is the
longest of those.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from testbed.bench.figure import Figure, median
from testbed.description import messages
from testbed.description.messages import MAX_BEACONS
from testbed.description.own_parts import OwnParts
from testbed.flight.estimation import Estimator, Heard
from testbed.flight.guidance import Guidance
from testbed.flight.separation import MAX_PARTNERS
from testbed.flight.thruster_driver import ThrusterDriver
from testbed.plan.configuration import Configuration
from testbed.plan.flight_limits import flight_limits
from testbed.plan.separation import company
from testbed.rehearsal.lockstep import LockstepRehearsal

STEPS: Final = 100_000
"""Steps of each component that are timed, at least."""
FAR: Final = 30.0
"""Factor by which wrenches of the saturated case are beyond those of the session."""
LOW_CAP: Final = 4
"""Steps of the allocation in the case where its cap is met."""
ODOMETRIES_A_PERIOD: Final = 3
"""Most odometry ticks in a control period of 50 ms."""
APART: Final = 2.5
BESET: Final = 0.56
"""Distance of partners that let a vehicle be, and of those that do not, m."""


Given = tuple[NDArray[np.void], ...]
"""A maneuver; or odometry, disturbance, and the wrench that was answered; for the driver the partners, too."""


class ListeningEstimator(Estimator):
    """Ours, and everything that it has heard."""

    def __init__(self, *arguments: Any) -> None:
        super().__init__(*arguments)
        self.log: list[Heard] = []

    def step(self, heard: Heard, odometry: NDArray[np.void]) -> None:
        """Keep what was heard, and go on."""
        self.log.append(heard)
        super().step(heard, odometry)


class ListeningGuidance(Guidance):
    """Ours, and everything that it was given and has answered: maneuvers, or odometry, disturbance and wrench."""

    def __init__(self, *arguments: Any) -> None:
        super().__init__(*arguments)
        self.log: list[Given] = []

    def accept_maneuver(self, maneuver: NDArray[np.void]) -> bool:
        """Keep the maneuver, and take it."""
        self.log.append((maneuver,))
        return super().accept_maneuver(maneuver)

    def step(self, odometry: Any, disturbance: Any, wrench: Any, reference: Any, status: Any) -> None:
        """Keep inputs and wrench."""
        super().step(odometry, disturbance, wrench, reference, status)
        self.log.append((odometry, disturbance, wrench.copy()))


@dataclass(frozen=True)
class Spent:
    """Shortest time of each step, ms, how many steps were timed, bytes of parameters and state, and beyond them."""

    steps: NDArray[np.float64]
    timed: int
    own_bytes: int
    extra_bytes: int

    @property
    def worst(self) -> float:
        """The longest step, ms."""
        return float(self.steps.max())


def budget(configuration: Configuration, tell: Callable[[str], None], steps: int = STEPS) -> list[Figure]:
    """Figures of the first vehicle of a session; times are those expected of its computer."""
    name, vehicle = next(iter(configuration.vehicles.items()))
    tell("budget: flying a session")
    heard, guided = _listen(configuration, name)
    place, axes = configuration.place, configuration.active_axes
    tell("budget: estimator")
    believed = vehicle, configuration.beacons, configuration.noise, place, axes, configuration.room
    confused = [one._replace(ranges=_confused(one.ranges)) for one in heard]
    estimator = _join(_estimate(lambda: Estimator(*believed), one, steps // 2) for one in (heard, confused))
    tell("budget: guidance")
    guidance = _guide(lambda: Guidance(vehicle, place, axes), guided, steps)
    tell("budget: thruster driver")
    answered = [one for one in guided if len(one) == 3]
    drives = [(*one, _around(one[0], APART)) for one in answered]

    def driver(cap: int | None = None) -> ThrusterDriver:
        around = company(configuration, name)
        one = ThrusterDriver(vehicle, place, axes, flight_limits(configuration, name), company=around)
        if cap is not None:
            one.parameters[0]["allocation"]["iteration_cap"] = cap
        return one

    far = [
        (odometry, disturbance, _stronger(wrench), _around(odometry, BESET))
        for odometry, disturbance, wrench in answered
    ]
    cases = ((driver, drives), (driver, far), (lambda: driver(LOW_CAP), far))
    driven = _join(_drive(build, inputs, steps // 3 + 1) for build, inputs in cases)
    return _figures(configuration, name, {"estimator": estimator, "guidance": guidance, "thruster driver": driven})


def _figures(configuration: Configuration, name: str, spent: dict[str, Spent]) -> list[Figure]:
    computer = configuration.vehicles[name].computer
    slow = computer.slowdown
    budgets = {
        "estimator": computer.estimator_ms,
        "guidance": computer.guidance_ms,
        "thruster driver": computer.thruster_driver_ms,
    }
    figures = []
    for part, one in spent.items():
        note = f"{one.timed} steps, here {1e3 * one.worst:.1f} µs, {slow:g} times slower there"
        what = f"budget, {name}: worst step of {_PARTS[part]}"
        value, usual = slow * one.worst, slow * median(one.steps)
        figures.append(Figure(what, value, "ms", usual, "median step", at_most=budgets[part], note=note))
    several = np.convolve(spent["estimator"].steps, np.ones(ODOMETRIES_A_PERIOD), "valid").max()
    period = slow * (several + spent["guidance"].worst + spent["thruster driver"].worst)
    note = f"{ODOMETRIES_A_PERIOD} steps of the estimator and one of each other"
    what = f"budget, {name}: worst control period"
    figures.append(Figure(what, float(period), "ms", at_most=computer.period_ms, note=note))
    for part, one in spent.items():
        what = f"budget, {name}: memory of the {part}"
        note = f"parameters and state; {one.extra_bytes / 1e6:.3f} MB more at most while it works"
        figures.append(Figure(what, one.own_bytes / 1e6, "MB", note=note))
    total = sum(one.own_bytes + one.extra_bytes for one in spent.values()) / 1e6
    figures.append(Figure(f"budget, {name}: memory in all", total, "MB", at_most=computer.memory_mb))
    return figures


_PARTS: Final = {
    "estimator": "the estimator",
    "guidance": "guidance",
    "thruster driver": "safety filter, guard, allocation and modulation",
}


def _listen(configuration: Configuration, name: str) -> tuple[list[Heard], list[Given]]:
    """Fly the session; what the vehicle's estimator and guidance were given."""
    own = OwnParts(guidance=f"{__name__}:ListeningGuidance", estimator=f"{__name__}:ListeningEstimator")
    vehicles = {**configuration.vehicles, name: configuration.vehicles[name].model_copy(update={"own": own})}
    rehearsal = LockstepRehearsal(replace(configuration, vehicles=vehicles))
    while not rehearsal.sequence.finished:
        rehearsal.step()
    index = rehearsal.names.index(name)
    estimator: Any = rehearsal.own.estimators[index].part
    guidance: Any = rehearsal.own.guidances[index].part
    return estimator.log, guidance.log


def _estimate(build: Callable[[], Estimator], heard: list[Heard], steps: int) -> Spent:
    odometry = np.zeros(1, messages.ODOMETRY)

    def step(one: Estimator, given: Heard) -> None:
        one.step(given, odometry)

    return _measure(build, step, heard, steps)


def _guide(build: Callable[[], Guidance], guided: Sequence[Given], steps: int) -> Spent:
    wrench, reference, status = (np.zeros(1, kind) for kind in (messages.WRENCH, messages.ODOMETRY, messages.STATUS))

    def step(one: Guidance, given: Given) -> None:
        if len(given) == 1:
            one.accept_maneuver(given[0])
        else:
            one.step(given[0], given[1], wrench, reference, status)

    return _measure(build, step, guided, steps)


def _drive(build: Callable[[], ThrusterDriver], inputs: Sequence[Given], steps: int) -> Spent:
    schedule = np.zeros(1, messages.SCHEDULE)

    def step(one: ThrusterDriver, given: Given) -> None:
        one.step(given[0], given[2], True, schedule, given[3])

    return _measure(build, step, inputs, steps)


def _measure(build: Callable[[], Any], step: Callable[[Any, Any], None], inputs: Sequence[Any], steps: int) -> Spent:
    """Time a step on each input, on fresh components, as often as it takes for so many steps."""
    shortest, replays = np.full(len(inputs), np.inf), 1 + steps // len(inputs)
    clock, extra = time.perf_counter_ns, 0
    for replay in range(replays + 1):
        one, before = build(), _begin_peak()
        for index, given in enumerate(inputs):
            began = clock()
            step(one, given)
            taken = clock() - began
            if replay and taken < shortest[index]:  # the first time loads kernels and touches memory
                shortest[index] = taken
        if replay:
            extra = max(extra, _peak() - before)
    return Spent(1e-6 * shortest, replays * len(inputs), one.parameters.nbytes + one.state.nbytes, extra)


def _join(cases: Iterable[Spent]) -> Spent:
    """Several cases of one component."""
    spent = list(cases)
    return Spent(
        np.concatenate([one.steps for one in spent]),
        sum(one.timed for one in spent),
        max(one.own_bytes for one in spent),
        max(one.extra_bytes for one in spent),
    )


def _confused(ranges: NDArray[np.void]) -> NDArray[np.void]:
    """The same ranges, each said to come from the next beacon."""
    changed = ranges.copy()
    for one in changed:
        count = int(one["count"])
        beacons = one["beacon"][:count]
        one["beacon"][:count] = np.roll(np.arange(MAX_BEACONS), 1)[beacons] % (beacons.max(initial=0) + 1)
    return changed


def _around(odometry: NDArray[np.void], distance: float) -> NDArray[np.void]:
    """Partners that move as the vehicle does, evenly all around it."""
    partners = np.repeat(odometry, MAX_PARTNERS)
    angles = 2.0 * np.pi * np.arange(MAX_PARTNERS) / MAX_PARTNERS
    partners["position"][:, :2] += distance * np.column_stack([np.cos(angles), np.sin(angles)])
    return partners


def _stronger(wrench: NDArray[np.void]) -> NDArray[np.void]:
    """A wrench beyond the valves, along the same direction."""
    changed = wrench.copy()
    changed["force"] *= FAR
    changed["torque"] *= FAR
    return changed


def _begin_peak() -> int:
    """Let the kernel count this process's peak of memory anew; resident bytes now."""
    try:
        Path("/proc/self/clear_refs").write_text("5")
    except OSError:
        return _peak()  # a system that forbids it: then nothing more than before is seen
    return _status("VmRSS")


def _peak() -> int:
    return _status("VmHWM")


def _status(field: str) -> int:
    """Bytes, as Linux tells them in /proc/self/status."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(f"{field}:"):
            return 1024 * int(line.split()[1])
    return 0
