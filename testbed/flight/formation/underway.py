"""One formation under way: whose plan is in force, when it is made anew, and what each vehicle is told of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from testbed.description.messages import MAX_KNOTS, NS_PER_S
from testbed.flight.formation.course import Course, Replanning, begin, deviations, redirect, watch
from testbed.flight.formation.frame import Frame, Slot
from testbed.flight.formation.given import FormationTask
from testbed.flight.formation.known import Known
from testbed.flight.formation.order import Order, Planned, Why
from testbed.flight.formation.record import trajectory_record
from testbed.flight.formation.task import Limits, Task
from testbed.flight.formation.trajectories import Followed, Motion
from testbed.flight.formation.turn import Turn

Array = NDArray[np.float64]

STEP: Final = 2.0
"""Time between knots where the goals' motion is told, s: at 0.1 rad/s and 1 m a cubic strays 4 µm from a circle."""
STRAY_SHARE: Final = 0.25
"""Of what plans keep beyond what is required, a vehicle may stray so much before all is planned anew.

Not beside a leader: what it does of itself is followed closely.
"""
RENEWED: Final = 15.0
"""So long before its end, s, a trajectory that is to go on is told anew."""


@dataclass(frozen=True)
class Scene:
    """What is known at a planning tick: `time` s, all vehicles, and the motions of those that are not planned for."""

    time: float
    known: Mapping[str, Known]
    others: tuple[Motion, ...]


@dataclass(frozen=True)
class Flight:
    """A course with its vehicles, their turns, and the records that tell it, up to `until` s."""

    course: Course
    names: tuple[str, ...]
    turns: tuple[Turn, ...]
    begin: float
    until: float

    @cached_property
    def goes_on(self) -> bool:
        """Whether the vehicles move or turn on when all are in place."""
        late = self.course.plan.trajectories.at(self.course.plan.trajectories.end)[1]
        return bool(np.any(late)) or any(np.any(turn.slot.frame.rate) for turn in self.turns)

    def record(self, name: str, number: int, zero: int) -> NDArray[np.void]:
        """What a vehicle is told, for its maneuver of that number; times count from the stamp `zero`, ns."""
        index = self.names.index(name)
        times, positions, velocities, _ = self.course.plan.trajectories.points(self.until, STEP, self.begin)
        return trajectory_record(number, zero, times, positions[index], velocities[index], self.turns[index])


class UnderWay:
    """State of one formation in one try. Times in s count from the stamp `zero`, ns.

    `news`: the plans made by the last `step`.
    """

    def __init__(self, task: FormationTask, attempt: int, zero: int, rule: Replanning) -> None:
        self.task, self.attempt = task, attempt
        self._zero, self._rule = zero, rule
        room = task.keeping.planned - task.keeping.required if task.leader is None else 0.0
        self._lag_rule = replace(rule, deviation=max(rule.deviation, STRAY_SHARE * room))
        self._present: Flight | None = None
        self._coming: Flight | None = None
        self._numbers: dict[str, int] = {}
        self._told: dict[str, NDArray[np.void]] = {}
        self._frame_zero: float | None = None
        self._paused: float | None = None
        self._kept: dict[str, Slot] = {}
        self.news: list[Planned] = []

    @property
    def flight(self) -> Flight | None:
        """The newest plan."""
        return self._coming or self._present

    def motion(self, name: str) -> Motion | None:
        """How a vehicle is to move, if it is planned for."""
        if self.flight is None or name not in self.flight.names:
            return None
        return Followed(self.flight.course.plan.trajectories, self.flight.names.index(name))

    def step(self, scene: Scene | None, time: float, orders: Mapping[str, Order]) -> dict[str, NDArray[np.void]]:
        """The newest messages.TRAJECTORY, shape (1,), of each vehicle that has one, stamped at its first knot.

        `orders`: of those that fly the formation at `time` s; scene: None where not everyone knows where it is.
        """
        self.news, before = [], self.flight
        names = tuple(name for name in self.task.places if name in orders)
        numbers = {name: orders[name].number for name in names}
        renumbered, self._numbers = numbers != self._numbers, numbers
        self._keep_time(time, [self._seconds(orders[name].start) for name in names])
        if self._coming is not None and time >= self._coming.begin:
            self._present, self._coming = self._coming, None
        if not names:
            self._present = self._coming = None
        elif scene is not None and (self.flight is None or self.flight.names != names):
            self._plan(scene, names, orders)
        elif scene is not None and self._coming is None:
            self._look(scene)
        if self._coming is None and self._present is not None:
            self._renew(self._present, time)
        if renumbered or self.flight is not before:
            self._tell()
        return self._told

    # ---- the frame

    def _keep_time(self, time: float, starts: list[float]) -> None:
        """The frame's time runs from the first start on, and stands still while nobody flies the formation."""
        if not starts:
            if self._frame_zero is not None and self._paused is None:
                self._paused = time - self._frame_zero
        elif self._frame_zero is None or self._paused is not None:
            self._frame_zero = min(starts) - (self._paused or 0.0)
            self._paused = None

    def _slots(self, scene: Scene, names: tuple[str, ...]) -> tuple[Slot, ...]:
        """The vehicles' slots; the same ones as before where the frame is the same."""
        frame = self._frame(scene)
        if not self._kept or next(iter(self._kept.values())).frame != frame:
            self._kept = {name: place.slot(frame) for name, place in self.task.places.items()}
        return tuple(self._kept[name] for name in names)

    def _frame(self, scene: Scene) -> Frame:
        task = self.task
        if task.leader is not None:
            return scene.known[task.leader].frame(task.axes)
        assert task.frame is not None, "a formation has a leader or a frame"
        return replace(task.frame, time=task.frame.time + (self._frame_zero or 0.0))

    # ---- plans

    def _plan(self, scene: Scene, names: tuple[str, ...], orders: Mapping[str, Order]) -> None:
        """Plan for these vehicles together: who was planned for goes on from there, unless it is elsewhere."""
        new = [name for name in names if self.flight is None or name not in self.flight.names]
        start = max(scene.time + self._rule.lead, *(self._seconds(orders[name].start) for name in new), 0.0)
        positions, velocities = self._departures(scene, names, start)
        limits = tuple(self._limits(name) for name in names)
        task = Task(
            start, positions, velocities, self._slots(scene, names), limits, self.task.keeping, self.task.area,
            self.task.zones, scene.others, self.task.axes,
        )  # fmt: skip
        course = begin(task)
        self._adopt(replace(course, limits=tuple(self.task.limits[name] for name in names)), scene, names, Why.MEMBERS)

    def _departures(self, scene: Scene, names: tuple[str, ...], start: float) -> tuple[Array, Array]:
        """Positions m and velocities m/s (V, 3) that vehicles are expected to have at `start` s."""
        positions, velocities = np.zeros((len(names), 3)), np.zeros((len(names), 3))
        flight, lagging = self.flight, set(self._lagging(scene))
        for row, name in enumerate(names):
            one = scene.known[name]
            positions[row] = one.position + (start - scene.time) * one.velocity
            velocities[row] = one.velocity
            if flight is not None and name in flight.names and name not in lagging:
                there = flight.course.plan.trajectories.at(start)
                index = flight.names.index(name)
                positions[row], velocities[row] = there[0][index], there[1][index]
        return positions, velocities

    def _lagging(self, scene: Scene) -> tuple[str, ...]:
        """Who is not where the plan in force has it."""
        flight = self._present
        if flight is None:
            return ()
        states = _states(scene, flight.names)
        late = deviations(flight.course, scene.time, *states, self._lag_rule.ahead) > self._lag_rule.deviation
        return tuple(name for name, lags in zip(flight.names, late, strict=True) if lags)

    def _limits(self, name: str) -> Limits:
        flight = self.flight
        if flight is not None and name in flight.names:
            return flight.course.task.limits[flight.names.index(name)]
        return self.task.limits[name]

    def _look(self, scene: Scene) -> None:
        """Plan anew where someone lags or the leader moves otherwise."""
        flight = self._present
        assert flight is not None, "there is a plan in force where none is coming"
        course, names, rule = flight.course, flight.names, self._rule
        slots = self._slots(scene, names)
        aimed = replace(course, task=replace(course.task, goals=slots))
        if (new := watch(aimed, scene.time, *_states(scene, names), scene.others, self._lag_rule)) is not None:
            self._adopt(new, scene, names, Why.LAG)
        elif self.task.leader is not None:
            led = replace(course, task=replace(course.task, others=scene.others))
            if (new := redirect(led, scene.time, slots, rule)) is not None:
                self._adopt(new, scene, names, Why.FRAME)

    def _renew(self, flight: Flight, time: float) -> None:
        """Tell in time how a flight that does not end at rest goes on."""
        if flight.goes_on and flight.until - time < RENEWED:
            start = time + self._rule.lead
            self._coming = replace(flight, begin=start, until=_until(flight.course, flight.turns, start, True))

    def _adopt(self, course: Course, scene: Scene, names: tuple[str, ...], why: Why) -> None:
        """Make a course the coming one, with each vehicle's turn."""
        lagging = self._lagging(scene) if why is Why.LAG else ()
        start, plan = course.task.time, course.plan
        slots = self._slots(scene, names)
        duration = plan.trajectories.end - start
        turns = tuple(self._turn(name, slot, scene, start, duration) for name, slot in zip(names, slots, strict=True))
        flight = Flight(course, names, turns, start, start)
        self._coming = replace(flight, until=_until(course, turns, start, flight.goes_on))
        self.news.append(Planned(
            self.task.run, self.attempt, self.task.name, why, names, lagging, plan.outcome, self._stamp(start),
            duration, plan.findings.least(), plan.tight,
        ))  # fmt: skip

    def _turn(self, name: str, slot: Slot, scene: Scene, start: float, duration: float) -> Turn:
        """From the attitude that the plan so far has at `start` s, or that is known, to the slot's."""
        flight, one = self.flight, scene.known[name]
        orientation, rate = one.orientation, one.body_rate
        if flight is not None and name in flight.names:
            there = flight.turns[flight.names.index(name)].at(start)
            (x, y, z, w), (p, q, r) = there[0].tolist(), there[1].tolist()
            orientation, rate = (x, y, z, w), (p, q, r)
        turn = Turn(slot, orientation, rate, start, duration)
        return replace(turn, duration=max(duration, self.task.time_to_turn(turn.angle)))

    # ---- what is told

    def _tell(self) -> None:
        flight = self.flight
        self._told = {}
        if flight is not None:
            self._told = {
                name: flight.record(name, self._numbers[name], self._zero)
                for name in flight.names
                if name in self._numbers
            }

    def _seconds(self, stamp: int) -> float:
        return (stamp - self._zero) / NS_PER_S

    def _stamp(self, time: float) -> int:
        return self._zero + round(time * NS_PER_S)


def _states(scene: Scene, names: tuple[str, ...]) -> tuple[Array, Array]:
    """Positions m and velocities m/s of some vehicles, (V, 3) each."""
    known = [scene.known[name] for name in names]
    return np.array([one.position for one in known]), np.array([one.velocity for one in known])


def _until(course: Course, turns: tuple[Turn, ...], begin: float, goes_on: bool) -> float:
    """How far, s, a record tells a course from `begin` s on: until all is at rest, else as far as its knots reach."""
    times = course.plan.trajectories.times
    ahead = times[times > begin]
    last = float(ahead[-1]) if len(ahead) else begin
    reach = last + (MAX_KNOTS - 1 - len(ahead)) * STEP
    at_rest = max(last, *(turn.time + turn.duration for turn in turns))
    return reach if goes_on else min(reach, at_rest)
