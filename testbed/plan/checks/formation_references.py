"""Formations and keep-out zones that the plan alone shows to be wrong; with such a problem no poses can be planned."""

from __future__ import annotations

from collections.abc import Iterator

from testbed.description.errors import Problem
from testbed.description.load import Loaded
from testbed.description.source import Excerpt
from testbed.plan.formation_schema import Formation, LeaderFrame, MovingFrame, PlaceList
from testbed.plan.maneuvers import FormationStep
from testbed.plan.schema import Plan, Run


def check(loaded: Loaded[Plan]) -> Iterator[Problem]:
    """Look at names, at who may fly what, and at the number of places."""
    plan, source = loaded.description, loaded.source
    zones = [zone.name for zone in plan.keep_out]
    for index, name in enumerate(zones):
        if name in zones[:index]:
            yield source.problem(("keep_out", index, "name"), name, "a name that is not taken yet")
    for name, formation in plan.formations.items():
        yield from _vehicles(loaded, name, formation)
    for index, run in enumerate(plan.runs):
        for vehicle, steps in run.maneuvers.items():
            for number, step in enumerate(steps):
                if isinstance(step, FormationStep):
                    yield from _step(loaded, ("runs", index, "maneuvers", vehicle, number, "formation"), run, step)


def _vehicles(loaded: Loaded[Plan], name: str, formation: Formation) -> Iterator[Problem]:
    plan, source = loaded.description, loaded.source
    known = f"a vehicle of the plan: {', '.join(plan.vehicles)}"
    for index, vehicle in enumerate(formation.vehicles):
        if vehicle not in plan.vehicles:
            yield source.problem(("formations", name, "vehicles", index), vehicle, known)
        elif vehicle in formation.vehicles[:index]:
            yield source.problem(("formations", name, "vehicles", index), vehicle, "each vehicle once")
    if isinstance(formation.frame, LeaderFrame):
        leader = formation.frame.vehicle
        if leader not in plan.vehicles:
            yield source.problem(("formations", name, "frame", "vehicle"), leader, known)
        elif leader in formation.vehicles:
            where = ("formations", name, "vehicles", formation.vehicles.index(leader))
            yield source.problem(
                where, leader, "vehicles that take places; this one is the leader, whose pose is the frame"
            )
    if isinstance(formation.slots, PlaceList):
        count, needed = len(formation.slots.places), len(formation.vehicles)
        if count < needed:
            allowed = f"places for {needed} or more vehicles, as many as may take part"
            yield source.problem(("formations", name, "slots", "places"), Excerpt(f"{count} places"), allowed)
            return
        yield from _owners(loaded, name, formation.slots, formation.vehicles)


def _owners(loaded: Loaded[Plan], name: str, slots: PlaceList, vehicles: tuple[str, ...]) -> Iterator[Problem]:
    """Places that belong to a vehicle, and enough for those that have none of their own."""
    owners = [place.vehicle for place in slots.places]
    for index, owner in enumerate(owners):
        where = ("formations", name, "slots", "places", index, "vehicle")
        if owner is not None and owner not in vehicles:
            allowed = f"one of the formation's vehicles, which are {', '.join(vehicles)}"
            yield loaded.source.problem(where, owner, allowed)
        elif owner is not None and owner in owners[:index]:
            yield loaded.source.problem(where, owner, "a vehicle that has no place of its own yet")


def _step(loaded: Loaded[Plan], where: tuple[str | int, ...], run: Run, step: FormationStep) -> Iterator[Problem]:
    plan, source = loaded.description, loaded.source
    _, index, _, vehicle, number, _ = where
    formation = plan.formations.get(step.formation)
    if formation is None:
        allowed = f"a formation of the plan: {', '.join(plan.formations) or 'there is none'}"
        yield source.problem(where, step.formation, allowed)
        return
    if vehicle not in formation.vehicles:
        allowed = f"one with {vehicle} among its vehicles, which are {', '.join(formation.vehicles)}"
        yield source.problem(where, step.formation, allowed)
    frame = formation.frame
    if isinstance(frame, LeaderFrame | MovingFrame) and not run.together:
        allowed = f"true, as the frame of {step.formation} moves: what begins when must be known"
        yield source.problem(("runs", index, "together"), run.together, allowed)
    if isinstance(frame, LeaderFrame):
        its = run.maneuvers.get(frame.vehicle, ())[int(number) : int(number) + 1]
        for other in its:
            if isinstance(other, FormationStep):
                where = ("runs", index, "maneuvers", frame.vehicle, number, "formation")
                yield source.problem(where, other.formation, f"none while {frame.vehicle} leads {step.formation}")
