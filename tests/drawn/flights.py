"""One vehicle flown in the engine through given maneuvers, and what its valves and its true motion tell of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from testbed.description.axes import axis_mask
from testbed.description.effects import Actual, Effect, switch_off
from testbed.description.locate import locate
from testbed.description.maneuver import Maneuver, Phase
from testbed.description.messages import NS_PER_S
from testbed.description.ticks import schedule_due
from testbed.description.vehicle import Vehicle
from testbed.plan.configuration import Configuration, load_configuration
from testbed.plan.schema import Run
from testbed.rehearsal.lockstep import LockstepRehearsal
from testbed.rehearsal.wiring import STATUS, TRUTH, VALVE_EDGE, WRENCH
from tests.drawn.vehicles import drawn_vehicle, drawn_world

PLANS = {"table": "plans/first-float.yaml", "cabin": "plans/cabin-float.yaml"}
PULSE_SHARE = 0.3
"""A push of less than this share of what the valve that does most along an axis gives in its shortest pulse is none."""
LEAST_PAUSE = NS_PER_S
"""Between opposed pulses, ns."""


@dataclass(frozen=True)
class Flight:
    """What was recorded: edges (stamp, open), truth, status, gas released by then (ns, kg), wrenches, maneuvers."""

    configuration: Configuration
    edges: NDArray[np.void]
    truth: NDArray[np.void]
    status: NDArray[np.void]
    released: NDArray[np.float64]
    wrenches: NDArray[np.void]
    maneuvers: tuple[Maneuver, ...]

    @property
    def vehicle(self) -> Vehicle:
        """The only one."""
        return next(iter(self.configuration.vehicles.values()))

    def gas(self, begin: int, end: int) -> float:
        """Mass in kg that the valves let out between two stamps: what has truly left the tank, sag and all."""
        stamps, mass = self.released.T
        return float(np.interp(end, stamps, mass) - np.interp(begin, stamps, mass))

    def opposed(self, begin: int, end: int) -> int:
        """Pulses that begin less than 1 s after the end of one whose push along or about an axis is opposite.

        A pulse is what all valves give in modulation periods that follow on each other.
        """
        count = 0
        last: list[tuple[int, float] | None] = [None] * 6
        for first, final, push in self.pulses(begin, end):
            for axis in np.flatnonzero(np.abs(push) > PULSE_SHARE):
                before = last[axis]
                count += before is not None and before[1] * push[axis] < 0.0 and first - before[0] < LEAST_PAUSE
                last[axis] = final, push[axis]
        return count

    def pulses(self, begin: int, end: int) -> list[tuple[int, int, NDArray[np.float64]]]:
        """Begin ns, end ns and push of each pulse, along the active axes in smallest pushes of one valve.

        They begin and end with the schedules that give them.
        """
        vehicle, place = self.vehicle, self.configuration.place
        matrix = vehicle.thrusters.wrench_matrix(vehicle.mass_properties(place).centre_of_mass)
        smallest = np.abs(matrix).max(axis=1) * 0.9 * vehicle.thrusters.minimum_on
        active = axis_mask(self.configuration.active_axes)
        open_, lasting = self._open(begin, end)
        period = round(vehicle.thrusters.modulation_period * NS_PER_S)
        lead = round(vehicle.thrusters.schedule_lead * NS_PER_S)
        starts = self.edges["stamp"][(self.edges["stamp"] >= begin) & (self.edges["stamp"] <= end)][:-1]
        fired = open_.any(axis=1)
        slots = (starts - lead) // period
        pushes = active * ((open_ * lasting[:, None]) @ matrix.T) / smallest
        found: list[tuple[int, int, NDArray[np.float64]]] = []
        previous = None
        for slot in (int(one) for one in np.unique(slots[fired])):
            push = pushes[slots == slot].sum(axis=0)
            if previous is not None and slot - previous == 1:
                first, _, before = found.pop()
                found.append((first, lead + (slot + 1) * period, before + push))
            else:
                found.append((lead + slot * period, lead + (slot + 1) * period, push))
            previous = slot
        return found

    def opposed_wrenches(self, begin: int, end: int) -> int:
        """Wrenches asked for less than 1 s after one that is opposite along or about an axis.

        Only those count that a schedule answers and that are not slight beside the smallest pulse of one valve.
        """
        vehicle, place = self.vehicle, self.configuration.place
        matrix = vehicle.thrusters.wrench_matrix(vehicle.mass_properties(place).centre_of_mass)
        period = vehicle.thrusters.modulation_period
        smallest = np.abs(matrix).max(axis=1) * 0.9 * vehicle.thrusters.minimum_on / period
        rows = self.wrenches[(self.wrenches["stamp"] >= begin) & (self.wrenches["stamp"] <= end)]
        rows = rows[[schedule_due(int(stamp), round(period * NS_PER_S)) for stamp in rows["stamp"]]]
        asked = np.hstack([rows["force"], rows["torque"]]) / smallest * axis_mask(self.configuration.active_axes)
        count = 0
        for axis in range(6):
            given = np.flatnonzero(np.abs(asked[:, axis]) > PULSE_SHARE)
            apart = np.diff(rows["stamp"][given])
            count += int(np.sum((np.diff(np.sign(asked[given, axis])) != 0.0) & (apart < LEAST_PAUSE)))
        return count

    def _open(self, begin: int, end: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        kept = self.edges[(self.edges["stamp"] >= begin) & (self.edges["stamp"] <= end)]
        valves = len(self.vehicle.thrusters.valves)
        return kept["open"][:-1, :valves].astype(float), np.diff(kept["stamp"]) / NS_PER_S

    def given(self, kind: str) -> Maneuver:
        """The last maneuver of a kind."""
        return [one for one in self.maneuvers if one.kind == kind][-1]

    def phase_begins(self, maneuver: Maneuver, phase: Phase) -> int:
        """Stamp ns from which guidance was in a phase of a maneuver; 0 if never."""
        rows = self.status[(self.status["number"] == maneuver.number) & (self.status["phase"] == phase)]
        return int(rows["stamp"][0]) if len(rows) else 0


def with_maneuvers(
    place: str, maneuvers: list[dict[str, object]], start: dict[str, float], vehicle: Vehicle | None = None
) -> Configuration:
    """A session of one run with one vehicle, as believed."""
    configuration = load_configuration(locate(PLANS[place]))
    name = next(iter(configuration.vehicles))
    run = Run.model_validate(
        {
            "name": "flown",
            "purpose": "fly",
            "time_limit": 3000.0,
            "start": {name: start},
            "maneuvers": {name: maneuvers},
            "criteria": [{"kind": "contact_force", "name": "untouched", "limit": 0.0}],
        }
    )
    plan = configuration.plan.model_copy(update={"runs": (run,), "objectives": ()})
    vehicles = dict(configuration.vehicles) if vehicle is None else {name: vehicle}
    return configuration.__class__(**{**configuration.__dict__, "plan": plan, "vehicles": vehicles})


def fly(configuration: Configuration, seed: int, world: Actual | None = None) -> Flight:
    """To the end of the session."""
    rehearsal = LockstepRehearsal(configuration.with_seed(seed), world)
    edges, truth, status, wrenches, released, maneuvers = [], [], [], [], [], []
    while not rehearsal.sequence.finished:
        commands = rehearsal.step()
        counts, tape = rehearsal.tape.counts[0], rehearsal.tape
        edges.append(tape.edge[0, : counts[VALVE_EDGE]].copy())
        truth.append(tape.truth[0, : counts[TRUTH]].copy())
        status.append(tape.status[0, : counts[STATUS]].copy())
        wrenches.append(tape.wrench[0, : counts[WRENCH]].copy())
        released.append((rehearsal.stamp, float(rehearsal.plant.states[0]["gas_released"])))
        maneuvers += commands.maneuvers.values()
    edges, truth, status, wrenches = (np.concatenate(rows) for rows in (edges, truth, status, wrenches))
    return Flight(configuration, edges, truth, status, np.array(released), wrenches, tuple(maneuvers))


def drawn_flight(
    place: str,
    maneuvers: list[dict[str, object]],
    start: dict[str, float],
    seed: int,
    off: tuple[Effect, ...] = (),
) -> Flight:
    """Flown with a vehicle drawn from the seed, in a world that is not what flight code believes.

    off: effects that it is without.
    """
    generator = np.random.default_rng(seed)
    like = next(iter(load_configuration(locate(PLANS[place])).vehicles.values()))
    configuration = with_maneuvers(place, maneuvers, start, drawn_vehicle(generator, like))
    return fly(configuration, seed, switch_off(off, drawn_world(generator, configuration)))
