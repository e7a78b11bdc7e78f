"""Formations that are too narrow, too fast or in the way of something, or that cannot be reached in time."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import combinations
from typing import Final

import numpy as np

from testbed.description.errors import Problem
from testbed.flight.formation import FormationTask, Outcome, slots
from testbed.plan.checks.subject import Subject
from testbed.plan.flight_limits import fastest_planned
from testbed.plan.formation_schema import Formation, LeaderFrame, MovingFrame, PlaceList, PointFrame
from testbed.plan.formation_slots import places
from testbed.plan.formations import area, formation_task, keeping
from testbed.plan.keep_out import KeepOut
from testbed.plan.leg import Leg
from testbed.plan.maneuvers import FormationStep
from testbed.plan.schema import Run

Where = tuple[str | int, ...]

DECISION: Final = 1.0
"""Time from the start of a maneuver to that of its plan, s, at most: half a second for each, decision and lead."""
LOOKED_AT: Final = 0.25
"""Time step at which places are looked at, s."""
ROUNDING: Final = 1e-9


def shapes(subject: Subject) -> Iterator[Problem]:
    """Look at where places are and how they move."""
    for name, formation in subject.configuration.plan.formations.items():
        yield from _spacing(subject, name, formation)
    for index, run, poses, _ in subject.runs:
        for name in poses.places:
            task = formation_task(subject.configuration, run, poses, name)
            fast = [] if task.frame is None else list(_frame_speed(subject, run, task))
            yield from fast
            for where, leg in _legs(subject, index, name):
                problem = next(_place(subject, where, task, leg), None)
                if problem is not None and not fast:
                    yield problem
                    break


def ways(subject: Subject) -> Iterator[Problem]:
    """Look at whether every place is reached in time; places and where vehicles start must be sound."""
    for index, run, poses, _ in subject.runs:
        for name in poses.places:
            changes: dict[float, list[tuple[Where, Leg]]] = {}
            for where, leg in _legs(subject, index, name):
                changes.setdefault(leg.begin, []).append((where, leg))
            for legs in changes.values():
                yield from _arrival(subject, *max(legs, key=lambda one: _late(one[1])))
            if run.together:
                yield from _goes_on(subject, index, name)


def _legs(subject: Subject, index: int, name: str) -> Iterator[tuple[Where, Leg]]:
    """All legs of a formation in a run that were planned, and where in the plan their maneuvers are."""
    for vehicle, legs in subject.timelines[index].legs.items():
        for number, leg in enumerate(legs):
            if isinstance(leg.step, FormationStep) and leg.step.formation == name and leg.way is not None:
                yield ("runs", index, "maneuvers", vehicle, number), leg


def _spacing(subject: Subject, name: str, formation: Formation) -> Iterator[Problem]:
    """Places, and a leader's own, are as far apart as plans keep vehicles."""
    keep = keeping(subject.configuration)
    points = [place.position[: subject.dimensions] for place in places(formation)]
    leads = isinstance(formation.frame, LeaderFrame)
    every = [*enumerate(points), *([(-1, (0.0,) * subject.dimensions)] if leads else [])]
    apart, first, second = min(
        ((math.dist(a, b), i, j) for (i, a), (j, b) in combinations(every, 2)), default=(math.inf, 0, 0)
    )
    if apart >= keep.planned - ROUNDING:
        return
    base, whose = keep.required, f"that the {subject.place} requires"
    if keep.undisturbed > keep.required + keep.margin:
        base, whose = keep.undisturbed - keep.margin, "at which the safety filter lets two stand"
    really = f"{keep.margin:g} m for where two vehicles really are"
    needed = f"at least {keep.planned:.4g} m: {base:.4g} m {whose} and {really}"
    if second == -1:
        where: Where = ("formations", name, "slots")
        yield subject.source.problem(where, f"{apart:.3g} m from the leader", needed)
    elif isinstance(formation.slots, PlaceList):
        where = ("formations", name, "slots", "places", second)
        yield subject.source.problem(where, f"{apart:.3g} m from place {first}", needed)
    else:
        yield subject.source.problem(("formations", name, "slots", "spacing"), formation.slots.spacing, needed)


def _frame_speed(subject: Subject, run: Run, task: FormationTask) -> Iterator[Problem]:
    """A moving frame carries its places no faster, and turns and bends their ways no more, than vehicles may fly."""
    assert task.frame is not None
    frame = subject.configuration.plan.formations[task.name].frame
    if not isinstance(frame, MovingFrame):
        return
    most = fastest_planned(subject.configuration, run)
    for vehicle, place in task.places.items():
        limits, slot = task.limits[vehicle], place.slot(task.frame)
        speed, own = slots.fastest([slot]), math.hypot(*frame.velocity)
        turn, arm = math.hypot(*task.frame.rate), math.hypot(*place.position[:2])
        key = "velocity" if own > limits.speed else "turn_deg"
        where: Where = ("formations", task.name, "frame", key)
        value = list(frame.velocity) if key == "velocity" else frame.turn_deg
        if speed > limits.speed * (1.0 + ROUNDING):
            allowed = f"so slow that {vehicle} moves at most {limits.speed:.3g} m/s in its place; here {speed:.3g} m/s"
            yield subject.source.problem(where, value, allowed)
        elif turn > most[vehicle].rate:
            rate = math.degrees(most[vehicle].rate)
            yield subject.source.problem(where, value, f"at most {rate:.3g} degrees/s, as {vehicle} is planned to turn")
        elif turn**2 * arm > limits.acceleration:
            least = math.degrees(math.sqrt(limits.acceleration / arm))
            allowed = f"at most {least:.3g} degrees/s, for which {vehicle} has the thrust {arm:.2g} m from the origin"
            yield subject.source.problem(where, value, allowed)
        else:
            continue
        return


def _place(subject: Subject, where: Where, task: FormationTask, leg: Leg) -> Iterator[Problem]:
    """A vehicle's place while a maneuver lasts: in the area, clear of zones, and no faster than it."""
    assert leg.way is not None
    vehicle = str(where[3])
    times = np.append(np.arange(leg.begin, leg.end, LOOKED_AT), leg.end)
    positions, velocities, _ = leg.way.place.at(times)
    points = positions[:, : subject.dimensions]
    still = bool(np.ptp(points, axis=0).max() < ROUNDING)

    def wrong(needs: str, moment: int, finding: str) -> Problem:
        told = ", ".join(f"{value:.2f}" for value in points[moment])
        when = "" if still else f", after {times[moment]:.0f} s,"
        allowed = f"a formation in which the place of {vehicle} {needs}; at ({told}){when} {finding}"
        return subject.source.problem((*where, "formation"), task.name, allowed)

    beyond = area(subject.configuration).excess(points)
    worst = int(np.argmax(beyond))
    if beyond[worst] > ROUNDING:
        yield wrong("is in the working area", worst, f"it is {beyond[worst]:.2f} m outside")
    for name, zone in KeepOut.of(subject.configuration).zones.items():
        distance, least = zone.distance(points), task.keeping.clearance
        worst = int(np.argmin(distance))
        if distance[worst] < least - ROUNDING:
            told = f"it is {distance[worst]:.2f} m from it" if distance[worst] > 0.0 else "it is in it"
            yield wrong(f"is {least:g} m or more from {name}", worst, told)
    speed, limit = np.linalg.norm(velocities, axis=1), task.limits[vehicle].speed
    worst = int(np.argmax(speed))
    if task.leader is not None and speed[worst] > limit * (1.0 + 1e-6):
        needs = f"moves at most {limit:.3g} m/s with {task.leader}"
        yield wrong(needs, worst, f"it is carried at {speed[worst]:.3g} m/s")


def _late(leg: Leg) -> float:
    """How much later than at its end a vehicle is in its place, s; negative where it is there in time."""
    assert leg.way is not None
    decision = DECISION if leg.way.arrives > leg.begin else 0.0
    return leg.way.arrives + decision - leg.end


def _arrival(subject: Subject, where: Where, leg: Leg) -> Iterator[Problem]:
    assert leg.way is not None
    assert isinstance(leg.step, FormationStep)
    if leg.way.outcome == Outcome.STAY:
        allowed = (
            "a formation that can be reached from where its vehicles are: no ways were found that keep "
            f"{subject.separation:g} m from every vehicle and clear of zones"
        )
        yield subject.source.problem((*where, "formation"), leg.step.formation, allowed)
        return
    if _late(leg) > ROUNDING:
        takes = leg.step.duration + _late(leg)
        allowed = f"at least {math.ceil(10.0 * takes) / 10.0:g} s, which {where[3]} takes to its place"
        yield subject.source.problem((*where, "duration"), leg.step.duration, allowed)


def _goes_on(subject: Subject, index: int, name: str) -> Iterator[Problem]:
    """What moves on while others are still busy is no longer where the plan has it."""
    frame, legs = subject.configuration.plan.formations[name].frame, subject.timelines[index].legs
    if isinstance(frame, PointFrame) or (isinstance(frame, MovingFrame) and not any((*frame.velocity, frame.turn_deg))):
        return
    for where, leg in _legs(subject, index, name):
        number = int(where[4])
        counted = [frame.vehicle] if isinstance(frame, LeaderFrame) else list(legs)
        others = {other: legs[other][number].end for other in counted if number < len(legs[other])}
        last = max(others, key=lambda one: others[one], default=None)
        if last is not None and others[last] > leg.end + ROUNDING:
            needed = math.ceil(10.0 * (others[last] - leg.begin)) / 10.0
            allowed = f"at least {needed:g} s, which {last} takes at the same time: the formation moves on meanwhile"
            yield subject.source.problem((*where, "duration"), leg.end - leg.begin, allowed)
