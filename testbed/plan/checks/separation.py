"""A safety filter that cannot keep what the plan asks of it, or would keep vehicles from where they are to be."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import combinations

from testbed.description.errors import Problem
from testbed.description.messages import NS_PER_S
from testbed.flight.separation.memory import OLDEST
from testbed.plan.checks.subject import Subject
from testbed.plan.poses import PlannedPose, RunPoses
from testbed.plan.schema import Run
from testbed.plan.separation import kept_standing, minimum

Where = tuple[str | int, ...]
Kept = dict[str, dict[str, float]]

OFF = "or in limits: separation: {guaranteed: false}, and nobody keeps vehicles apart"


def check(subject: Subject) -> Iterator[Problem]:
    """Look at what the plan states of vehicles and of how near they may come, and at the radio."""
    configuration = subject.configuration
    if len(configuration.vehicles) < 2 or not configuration.plan.limits.separation.guaranteed:
        return
    here = ("limits", "separation")
    if (least := minimum(configuration)) < subject.separation:
        allowed = f"at least {subject.separation:g} m, the separation that the {subject.place} requires"
        yield subject.source.problem((*here, "minimum"), least, allowed)
    kept: Kept = {}
    for name in configuration.vehicles:
        try:
            kept[name] = kept_standing(configuration, name)
        except ValueError as error:
            stray = configuration.plan.limits.separation.stray
            yield subject.source.problem((*here, "stray"), stray, f"what {name} can outrun: {error}; {OFF}")
    yield from _too_rarely(subject)
    if len(kept) == len(configuration.vehicles):
        for index, run, poses, _ in subject.runs:
            yield from _nearer_than_kept(subject, kept, index, run, poses)


def _nearer_than_kept(subject: Subject, kept: Kept, index: int, run: Run, poses: RunPoses) -> Iterator[Problem]:
    """Poses at which two are to stand at once, nearer than their filters let them; of all pairs the first is told."""
    most = max((len(after) for after in poses.after.values()), default=0)
    numbers = range(-1, most) if run.together else (-1, most - 1)
    for number in numbers:
        standing = {name: _after(index, run, poses, name, number) for name in poses.start}
        for pair in combinations(standing, 2):
            apart = subject.apart(*(standing[name][1] for name in pair))
            least = max(kept[one][other] for one, other in (pair, pair[::-1]))
            if subject.separation <= apart < least:
                other, name = sorted(pair, key=lambda name: len(standing[name][0]))
                where, pose = standing[name]
                there = [round(value, 3) for value in pose.position[: subject.dimensions]]
                allowed = f"at least {least:.2f} m from {other}, nearer than which the safety filter lets nobody stand"
                yield subject.source.problem(where, there, f"{allowed}; it is {apart:.2f} m; {OFF}")
                return


def _after(index: int, run: Run, poses: RunPoses, name: str, number: int) -> tuple[Where, PlannedPose]:
    """Where a vehicle stands after its maneuver of that number (-1: at its start) or its last, and what says so."""
    done, here = poses.after[name][: number + 1], ("runs", index)
    if done:
        return (here if run.manual else (*here, "maneuvers", name, len(done) - 1)), done[-1]
    return ((*here, "start", name) if name in run.start else here), poses.start[name]


def _too_rarely(subject: Subject) -> Iterator[Problem]:
    """A radio by which what is heard of a partner is too old even where no message is lost."""
    configuration, radio = subject.configuration, subject.configuration.noise.radio
    period = radio.period_ns
    waits = max(math.ceil(radio.latency * NS_PER_S / period), 1)
    modulations = {round(one.thrusters.modulation_period * NS_PER_S) for one in configuration.vehicles.values()}
    age = (waits * period + max(period - math.gcd(period, one) for one in modulations)) / NS_PER_S
    if age > OLDEST:
        allowed = f"a radio by which the newest of a partner is at most {OLDEST:g} s old, not {age:g} s; {OFF}"
        yield configuration.sources["noise"].problem(("radio", "rate"), radio.rate, allowed)
