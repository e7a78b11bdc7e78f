"""Limits that contradict each other, the table or the vehicles, and windows that nothing falls into."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from testbed.description.errors import Problem
from testbed.plan.checks.subject import Subject
from testbed.plan.criteria_schema import (
    AnyAbort,
    AnyCriterion,
    AttitudeError,
    ContactForce,
    ContactForceAbove,
    KeptOut,
    LowBattery,
    PositionError,
    PositionErrorAbove,
    Separation,
    SeparationBelow,
    Spin,
    Window,
)
from testbed.plan.geometry import angles_deg
from testbed.plan.poses import RunPoses
from testbed.plan.timeline import Timeline

Where = tuple[str | int, ...]


def check(subject: Subject) -> Iterator[Problem]:
    """Look at every criterion and every abort criterion."""
    plan = subject.configuration.plan
    yield from _aborts(subject, ("abort",), plan.abort)
    for index, run, poses, times in subject.runs:
        if run.abort is not None:
            yield from _aborts(subject, ("runs", index, "abort"), run.abort)
        for number, criterion in enumerate(run.criteria):
            where: Where = ("runs", index, "criteria", number)
            yield from _against_the_rest(subject, where, criterion)
            yield from _never_missed(subject, where, criterion, plan.aborts(run))
            wrong_window = list(_window(subject, where, criterion, run.time_limit, times))
            yield from wrong_window or _never_met(subject, where, criterion, poses, times)


def _aborts(subject: Subject, where: Where, aborts: Sequence[AnyAbort]) -> Iterator[Problem]:
    vehicles = subject.configuration.vehicles
    for number, abort in enumerate(aborts):
        here = (*where, number)
        if isinstance(abort, SeparationBelow) and len(vehicles) > 1:
            radii = sorted(vehicle.contact_radius(subject.place) for vehicle in vehicles.values())[-2:]
            if abort.minimum <= sum(radii):
                allowed = f"more than {sum(radii):g} m, at which two vehicles touch"
                yield subject.source.problem((*here, "minimum"), abort.minimum, allowed)
            elif abort.minimum > subject.separation:
                allowed = f"at most {subject.separation:g} m, the separation that the {subject.place} requires"
                yield subject.source.problem((*here, "minimum"), abort.minimum, allowed)
        for name, vehicle in vehicles.items():
            if isinstance(abort, ContactForceAbove) and abort.limit > vehicle.limits.contact_force:
                allowed = f"at most {vehicle.limits.contact_force:g} N, the contact_force of {name}"
                yield subject.source.problem((*here, "limit"), abort.limit, allowed)
            if isinstance(abort, LowBattery) and abort.minimum_voltage is not None:
                cutoff, full = vehicle.battery.cutoff_voltage, vehicle.battery.open_circuit_points[-1][1]
                if not cutoff <= abort.minimum_voltage < full:
                    allowed = f"{cutoff:g} V, at which {name} closes its valves, to less than its {full:g} V when full"
                    yield subject.source.problem((*here, "minimum_voltage"), abort.minimum_voltage, allowed)
            if isinstance(abort, Spin) and abort.limit_deg > vehicle.limits.rate_deg:
                allowed = f"at most {vehicle.limits.rate_deg:g} degrees/s, the rate_deg of {name}"
                yield subject.source.problem((*here, "limit_deg"), abort.limit_deg, allowed)


def _window(
    subject: Subject, where: Where, criterion: AnyCriterion, time_limit: float, times: Timeline
) -> Iterator[Problem]:
    window = criterion.window
    if window is None:
        return
    for key in ("last", "begin", "end"):
        value = getattr(window, key)
        if value is not None and value > time_limit:
            yield subject.source.problem((*where, "window", key), value, f"at most the time_limit of {time_limit:g} s")
            return
    # a run may take longer than planned, never shorter
    if window.end is not None and math.isfinite(times.duration) and window.end > times.duration:
        allowed = f"at most {times.duration:.1f} s; the run may be over then"
        yield subject.source.problem((*where, "window", "end"), window.end, allowed)
    elif window.last is not None and math.isfinite(times.duration) and window.last > times.duration:
        allowed = f"at most {times.duration:.1f} s; the run may be no longer"
        yield subject.source.problem((*where, "window", "last"), window.last, allowed)


def _against_the_rest(subject: Subject, where: Where, criterion: AnyCriterion) -> Iterator[Problem]:
    vehicles = subject.configuration.vehicles
    if isinstance(criterion, Separation):
        if len(vehicles) < 2:
            yield subject.source.problem(where, criterion.name, "a separation only where there are two vehicles")
        elif criterion.minimum < subject.separation:
            allowed = f"at least {subject.separation:g} m, the separation that the {subject.place} requires"
            yield subject.source.problem((*where, "minimum"), criterion.minimum, allowed)
    if isinstance(criterion, KeptOut) and not subject.configuration.plan.keep_out:
        yield subject.source.problem(where, criterion.name, "a keep_out only where the plan has keep-out zones")
    if isinstance(criterion, ContactForce):
        least = min(vehicle.limits.contact_force for vehicle in vehicles.values())
        if criterion.limit > least:
            yield subject.source.problem((*where, "limit"), criterion.limit, f"at most {least:g} N, as vehicles allow")


def _never_missed(
    subject: Subject, where: Where, criterion: AnyCriterion, aborts: Sequence[AnyAbort]
) -> Iterator[Problem]:
    """A criterion that is looser than what ends the try can never be what a try fails by."""
    for abort in aborts:
        match criterion, abort:
            case PositionError(against="reference"), PositionErrorAbove() if criterion.limit > abort.limit:
                allowed = f"at most {abort.limit:g} m, at which a try is aborted"
                yield subject.source.problem((*where, "limit"), criterion.limit, allowed)
            case Separation(), SeparationBelow() if criterion.minimum < abort.minimum:
                allowed = f"at least {abort.minimum:g} m, at which a try is aborted"
                yield subject.source.problem((*where, "minimum"), criterion.minimum, allowed)
            case ContactForce(), ContactForceAbove() if criterion.limit > abort.limit:
                allowed = f"at most {abort.limit:g} N, at which a try is aborted"
                yield subject.source.problem((*where, "limit"), criterion.limit, allowed)


def _never_met(
    subject: Subject, where: Where, criterion: AnyCriterion, poses: RunPoses, times: Timeline
) -> Iterator[Problem]:
    """A goal that the plan itself has the vehicle away from while the criterion already looks."""
    if not isinstance(criterion, PositionError | AttitudeError) or criterion.against != "goal":
        return
    if not math.isfinite(times.duration):
        return
    moment = _opens(criterion.window, times.duration)
    for name in criterion.vehicles or poses.start:
        leg = times.leg(name, moment) if name in poses.start else None
        if leg is None:
            continue
        goal = poses.goal(name)
        if isinstance(criterion, PositionError):
            apart = math.dist(leg.position(moment)[: subject.dimensions], goal.position[: subject.dimensions])
            away, limit, unit = apart, criterion.limit, " m"
        else:
            turned = angles_deg(np.array([leg.after.orientation]), np.array(goal.orientation))[0]
            away, limit, unit = max(float(turned), leg.angle_left(moment)), criterion.limit_deg, "°"
        if away > limit:
            allowed = (
                f"a window that opens when {name} is at its goal; "
                f"after {moment:.1f} s the plan has it {away:.2f}{unit} away, and {limit:g}{unit} is the limit"
            )
            yield subject.source.problem((*where, "window"), criterion.window and _written(criterion.window), allowed)


def _opens(window: Window | None, duration: float) -> float:
    """When a criterion starts to look, s after the try began, at the latest."""
    if window is None:
        return 0.0
    return max(0.0, duration - window.last) if window.last is not None else window.begin or 0.0


def _written(window: Window) -> dict[str, float]:
    return window.model_dump(exclude_none=True)
