"""A whole rehearsal in the engine: the same sequence, components and messages as on the graph, without ROS."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from testbed.description.air import celsius, kelvin
from testbed.description.messages import LOCKSTEP_START_NS, PERIOD_NS, TICK_NS
from testbed.description.ticks import due
from testbed.flight.guidance import guidance
from testbed.plan.commands import Commands, PlanState
from testbed.plan.configuration import Configuration
from testbed.plan.observation import Observation, Request
from testbed.plan.sequence import Sequence
from testbed.rehearsal.build import build_plant
from testbed.rehearsal.contacts import take_contacts
from testbed.rehearsal.engine import fly_tick, run_step
from testbed.rehearsal.recording import EngineRecording
from testbed.rehearsal.wiring import REFERENCE, STEP_TICKS, TRUTH, Noise, draw, flight_arrays, plant_arrays, tape, wires

SHOWN_EVERY = 50
"""Conductor steps between two calls of `show`."""


class LockstepRehearsal:
    """Explicit state of a rehearsal in the engine; `step` goes on by one step of the conductor (0.1 s)."""

    def __init__(self, configuration: Configuration) -> None:
        self.configuration = configuration
        self.names = list(configuration.vehicles)
        self.plant, self.draws = build_plant(configuration)
        self.plant_arrays = plant_arrays(self.plant)
        self.flight = flight_arrays(configuration)
        self.masses = [one.mass_properties(configuration.place).mass for one in configuration.vehicles.values()]
        self.wires = wires(len(self.names))
        self.tape = tape(len(self.names))
        self.sequence = Sequence(configuration)
        self.stamp = LOCKSTEP_START_NS
        # The way through the message, which carries degrees Celsius, rounds the value.
        self.air = kelvin(celsius(configuration.beacons.air_temperature))
        first, noise = self.stamp, self._first_noise()
        fly_tick(self.plant_arrays, self.flight, self.wires, noise, self.tape, 0, first, first, False, self.air)
        self.observation = self._observe((Request("start"),))
        self.commands = self.sequence.step(self.observation)

    def step(self) -> Commands:
        """Carry out the conductor's commands, go on to its next step, and return what it decides there."""
        self._carry_out(self.commands)
        run_step(
            self.plant_arrays,
            self.flight,
            self.wires,
            draw(self.draws, STEP_TICKS),
            self.tape,
            self.stamp,
            STEP_TICKS,
            LOCKSTEP_START_NS,
            self.commands.state.permit,
            self.air,
        )
        self.stamp += STEP_TICKS * TICK_NS
        self.observation = self._observe(())
        self.commands = self.sequence.step(self.observation)
        return self.commands

    def _first_noise(self) -> Noise:
        """Numbers for sensing the first tick, before anything advances."""
        imu = self.draws.imu(1)
        nothing = np.zeros((1, 0))
        return Noise(imu, nothing.reshape(1, 0, 1, 1), nothing.reshape(1, 0, 1), nothing.reshape(1, 0, 1, 1))

    def _carry_out(self, commands: Commands) -> None:
        for name, place in commands.places.items():
            position, orientation = np.array(place.position), np.array(place.orientation)
            self.plant.place(self.names.index(name), position, orientation, self.stamp)
        for name, maneuver in commands.maneuvers.items():
            index = self.names.index(name)
            record = maneuver.record()[0]
            guidance.accept_maneuver(self.flight.guidance[index], self.flight.guidance_state[index], record)

    def _observe(self, requests: tuple[Request, ...]) -> Observation:
        """What the conductor sees at this tick: only messages that are due, as in lockstep on the graph."""
        tape, wires = self.tape, self.wires
        columns = {"truth": TRUTH, "reference": REFERENCE}
        new = {
            kind: {name: getattr(tape, kind)[v, : tape.counts[v, column]].copy() for v, name in enumerate(self.names)}
            for kind, column in columns.items()
        }
        supply_due = due(self.stamp, PERIOD_NS["supply"])
        if supply_due:
            self._supply = {
                name: (self.plant.tank_pressure(v), kelvin(celsius(self.plant.tank_temperature(v))))
                for v, name in enumerate(self.names)
            }
        return Observation(
            stamp=self.stamp,
            truth=new["truth"],
            odometry={name: wires.odometry[v].copy() for v, name in enumerate(self.names)},
            reference=new["reference"],
            status={name: wires.status_due[v].copy() for v, name in enumerate(self.names)},
            supply=self._supply,
            contacts=take_contacts(self.plant, self.names),
            requests=requests,
        )


def rehearse_in_engine(
    configuration: Configuration, folder: Path | None, show: Callable[[PlanState], None] = lambda state: None
) -> Sequence:
    """Run a session to its end; with a folder, leave a recording there. Returns the sequence with all results."""
    rehearsal = LockstepRehearsal(configuration)
    recording = EngineRecording(folder, rehearsal) if folder is not None else None
    steps = 0
    try:
        if recording is not None:
            recording.keep()
        while not rehearsal.sequence.finished:
            commands = rehearsal.step()
            if recording is not None:
                recording.keep()
            steps += 1
            if steps % SHOWN_EVERY == 0:
                show(commands.state)
    finally:
        if recording is not None:
            recording.close()
    return rehearsal.sequence
