"""A whole rehearsal in the engine: the same sequence, components and messages as on the graph, without ROS."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from testbed.description.air import celsius, kelvin
from testbed.description.effects import Actual
from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S, PERIOD_NS, TICK_NS
from testbed.description.ticks import due
from testbed.flight.formation import Tasks
from testbed.flight.guidance import guidance
from testbed.model.draws import RADIO_UNIFORMS
from testbed.model.faults import Faults
from testbed.plan.commands import Commands, Event, PlanState
from testbed.plan.configuration import Configuration
from testbed.plan.formations import formation_tasks
from testbed.plan.guard_events import guard_event
from testbed.plan.observation import Observation, Request, Stretch
from testbed.plan.quiet import QuietWatch, take_in
from testbed.plan.separation_events import separation_event
from testbed.plan.sequence import Sequence
from testbed.plan.valve_events import valve_event
from testbed.rehearsal.build import build_plant, build_radio
from testbed.rehearsal.contacts import take_contacts
from testbed.rehearsal.engine import fly_tick, read_step, run_steps
from testbed.rehearsal.flight import flight_arrays
from testbed.rehearsal.formation import FormationStep
from testbed.rehearsal.own_ticks import OwnTicks
from testbed.rehearsal.recording import EngineRecording
from testbed.rehearsal.wiring import (
    CONCERN,
    FINDING,
    REFERENCE,
    STEP_TICKS,
    STRETCH_STEPS,
    STRETCH_TICKS,
    TRUTH,
    VERDICT,
    Heard,
    Noise,
    draw,
    plant_arrays,
    tape,
    wires,
)

STEP_NS: Final = STEP_TICKS * TICK_NS
SHOWN_NS: Final = 5 * NS_PER_S
"""Emulated time between two calls of `show`, ns, at least."""


class LockstepRehearsal:
    """Explicit state of a rehearsal in the engine.

    `step` goes on by one step of the conductor (0.1 s), `run` to the next one that may decide something: both give the
    same. `steps` is how many steps the last call took; `tape` and `states` hold what was sent meanwhile.
    `_tape_stamp`: of the first step on the tape, ns. `tasks`: formations as they are to be flown, instead of how the
    plan has them.
    """

    def __init__(self, configuration: Configuration, world: Actual | None = None, tasks: Tasks | None = None) -> None:
        self.configuration = configuration
        self.names = list(configuration.vehicles)
        self.plant, self.draws = build_plant(configuration, world=world)
        self.faults = Faults(self.plant, list(configuration.vehicles.values()))
        self.plant_arrays = plant_arrays(self.plant)
        self.flight = flight_arrays(configuration)
        self.radio = build_radio(configuration, world)
        self.wires = wires(len(self.names), self.radio)
        self.tape = tape(len(self.names), STRETCH_TICKS * TICK_NS // self.radio.period if self.radio.on else 0)
        self.own = OwnTicks(configuration)
        self._fly_tick: Callable[..., None] = self.own.fly_tick if self.own else fly_tick
        self.sequence = Sequence(configuration)
        self.formation = FormationStep(formation_tasks(configuration) if tasks is None else tasks)
        self._watch = QuietWatch(configuration)
        self._noise, self._row = draw(self.draws, 0), 0
        self.steps = 1
        self.stamp = self._tape_stamp = LOCKSTEP_START_NS
        self._carriage: dict[str, float] = {}
        self._battery: dict[str, tuple[float, float]] = {}
        # The way through the message, which carries degrees Celsius, rounds the value.
        self.air = kelvin(celsius(configuration.beacons.air_temperature))
        first, noise = self.stamp, self._first_noise()
        self._fly_tick(self.plant_arrays, self.flight, self.wires, noise, self.tape, 0, first, first, False, self.air)
        read_step(self.plant_arrays, self.flight, self.wires, self.tape, 0, first)
        self._hear_slow_topics(range(1))
        self.observation = self._observe((Request("start"), *self._stop()))
        self.commands = self.sequence.step(self.observation)
        self.states = [self.commands.state]
        self.guard_events: list[Event] = []

    def step(self) -> Commands:
        """Carry out the conductor's commands, go on to its next step, and return what it decides there."""
        return self._go(1, True)

    def run(self, tell: bool = False) -> Commands:
        """Go on to the next step at which the conductor may decide something; return what it decides there.

        tell: `states` is to hold what it tells at the quiet steps before, too, and the tape every message.
        """
        return self._go(STRETCH_STEPS if self._watch.look(self.sequence) else 1, tell)

    def _go(self, most: int, tell: bool) -> Commands:
        self._carry_out(self.commands)
        self.tape.told[0] = tell
        self.formation.events.clear()
        self.steps, self._tape_stamp = self._advance(most, tell), self.stamp + STEP_NS
        ticks = range(self.stamp + TICK_NS, self.stamp + self.steps * STEP_NS + 1, TICK_NS)
        self.guard_events = self._guard_events(self.commands.state)
        self._plan_formations(ticks[-1])
        self.states = take_in(self.sequence, self._stretch(tell), tell) if self.steps > 1 else []
        self.stamp = ticks[-1]
        self._hear_slow_topics(range(self.steps - 1, self.steps))
        self.observation = self._observe(self._stop())
        self.commands = self.sequence.step(self.observation)
        self.states.append(self.commands.state)
        return self.commands

    def _advance(self, most: int, tell: bool) -> int:
        """Fly so many steps of the conductor at most, and return how many it were.

        Formations are planned on the way, but for the last step, and only where nobody is told of each step.
        """
        if self._row == len(self._noise.imu):
            self._noise, self._row = draw(self.draws, STRETCH_TICKS, self._sendings(STRETCH_TICKS)), 0
        plant, flight, wires, tape = self.plant_arrays, self.flight, self.wires, self.tape
        start, row, permit = LOCKSTEP_START_NS, self._row, self.commands.state.permit
        if self.own:
            noise = Noise(*(numbers[row : row + STEP_TICKS] for numbers in self._noise))
            self.own.run_step(plant, flight, wires, noise, tape, self.stamp, STEP_TICKS, start, permit, self.air)
            read_step(plant, flight, wires, tape, 0, self.stamp + STEP_NS)
            steps = 1
        else:
            most = min(most, (len(self._noise.imu) - row) // STEP_TICKS)
            most = self.formation.stretch(self.stamp, STEP_NS, most) if tell else most
            watch, noise, steps, over = self._watch.arrays, self._noise, 0, False
            while not over:
                now = self.stamp + steps * STEP_NS
                pause = steps + self.formation.stretch(now, STEP_NS, most - steps)
                steps, over = run_steps(
                    plant, flight, wires, noise, tape, watch, self.stamp, steps, pause, most, row, start, permit,
                    self.air,
                )  # fmt: skip
                if not over:
                    self._plan_formations(self.stamp + steps * STEP_NS)
        self._row += steps * STEP_TICKS
        return steps

    @property
    def heard(self) -> list[Heard]:
        """What the radio has given out in the steps of the last call."""
        tape, count = self.tape, int(self.tape.heard_count[0])
        return list(zip(tape.heard_at[:count].tolist(), tape.heard[:count].copy(), strict=True))

    def _sendings(self, ticks: int) -> NDArray[np.intp]:
        """Which of so many ticks from the next one on are those at which the radio sends."""
        if not self.radio.on:
            return np.zeros(0, np.intp)
        stamps = self.stamp + np.arange(ticks + 1) * TICK_NS
        return np.flatnonzero(np.diff(stamps // self.radio.period))  # as `due`

    def _stop(self) -> tuple[Request, ...]:
        """A stop where a user's own part has failed; on the graph its process dies, and the launcher stops all."""
        return (Request("stop", self.own.failure),) if self.own.failure else ()

    def _guard_events(self, state: PlanState) -> list[Event]:
        """What each vehicle's driver has told since the last call, in which `state` was in force."""
        events, tape = [], self.tape
        for v, name in enumerate(self.names):
            partners = [one for one in self.names if one != name]
            concerns, verdicts = tape.concern[v, : tape.counts[v, CONCERN]], tape.verdict[v, : tape.counts[v, VERDICT]]
            told = [separation_event(name, partners, one, state.run, state.attempt) for one in concerns]
            told += [guard_event(name, one, state.run, state.attempt) for one in verdicts]
            valves = [valve.name for valve in self.configuration.vehicles[name].thrusters.valves]
            findings = tape.finding[v, : tape.counts[v, FINDING]]
            told += [valve_event(name, valves, one, state.run, state.attempt) for one in findings]
            events += sorted(told, key=lambda event: event.stamp)
        return events

    def _stretch(self, tell: bool) -> Stretch:
        """All steps but the last, which were quiet; `seen` are all of them, or the last of them."""
        tape, quiet, seen = self.tape, self.steps - 1, {}
        stamps = [self.stamp + (k + 1) * STEP_NS for k in range(quiet)]
        for steps in [range(k, k + 1) for k in range(quiet)] if tell else [range(quiet)]:
            self._hear_slow_topics(steps)
            supply, carriage, battery = self._supply, self._carriage, self._battery
            seen[steps[-1]] = Observation(stamps[steps[-1]], supply=supply, carriage=carriage, battery=battery)
        truths, references = (tape.ends[quiet - 1, 0, column] for column in (TRUTH, REFERENCE))
        return Stretch(
            stamps=stamps,
            weighed=tape.weighed[:quiet],
            seen=seen,
            truth={name: tape.seen[v, :truths] for v, name in enumerate(self.names)},
            until=tape.ends[:quiet, 0, TRUTH],
            reference={name: tape.wanted[v, :references] for v, name in enumerate(self.names)},
        )

    def _first_noise(self) -> Noise:
        """Numbers for sensing the first tick, before anything advances."""
        imu, tracking = self.draws.imu(1), self.draws.tracking(1)
        nothing = np.zeros((1, 0))
        n, sending = len(self.names), self.radio.on and due(self.stamp, self.radio.period)
        radio = self.draws.radio(1) if sending else np.zeros((1, n, n, RADIO_UNIFORMS))
        empty = nothing.reshape(1, 0, 1, 1), nothing.reshape(1, 0, 1), nothing.reshape(1, 0, 1)
        return Noise(imu, tracking, *empty, radio)

    def _carry_out(self, commands: Commands) -> None:
        faults = self.configuration.plan.faults_of(commands.state.run)
        self.faults.apply([faults[index] for index in commands.state.faults], self.stamp)
        for name, place in commands.places.items():
            position, orientation = np.array(place.position), np.array(place.orientation)
            self.plant.place(self.names.index(name), position, orientation, self.stamp)
        self.formation.give(commands.maneuvers)
        for name, maneuver in commands.maneuvers.items():
            index = self.names.index(name)
            record = maneuver.record()
            if not self.own.accept_maneuver(index, record):
                guidance.accept_maneuver(self.flight.guidance[index], self.flight.guidance_state[index], record[0])

    def _plan_formations(self, stamp: int) -> None:
        """At a planning tick that is over: what vehicles in formation are told, but for what guidance knows already."""
        odometry = {name: self.wires.odometry[v] for v, name in enumerate(self.names)}
        for name, trajectory, again in self.formation.take(stamp, odometry):
            index = self.names.index(name)
            if not self.own.accept_trajectory(index, trajectory) and not again:
                accept_trajectory = guidance.accept_trajectory
                accept_trajectory(self.flight.guidance[index], self.flight.guidance_state[index], trajectory[0])

    def _observe(self, requests: tuple[Request, ...]) -> Observation:
        """What the conductor sees at this tick: only messages that are due, as in lockstep on the graph."""
        wires = self.wires
        return Observation(
            stamp=self.stamp,
            truth=self._new(self.tape.seen, TRUTH),
            odometry={name: wires.odometry[v].copy() for v, name in enumerate(self.names)},
            reference=self._new(self.tape.wanted, REFERENCE),
            status={name: wires.status_due[v].copy() for v, name in enumerate(self.names)},
            supply=self._supply,
            carriage=self._carriage,
            battery=self._battery,
            contacts=take_contacts(self.plant, self.names),
            requests=requests,
        )

    def _new(self, rows: NDArray[np.void], column: int) -> dict[str, NDArray[np.void]]:
        """By vehicle: rows of the tape since the step before, of the topic with that column."""
        ends = self.tape.ends[:, :, column]
        return {
            name: rows[v, ends[self.steps - 2, v] if self.steps > 1 else 0 : ends[self.steps - 1, v]].copy()
            for v, name in enumerate(self.names)
        }

    def _hear_slow_topics(self, steps: range) -> None:
        """Take in the newest that the tape holds of tanks, carriages and batteries at these steps of the last call."""
        end = self._newest_due("supply", steps)
        if end is not None:
            readings = self.tape.readings[end]
            told = zip(readings["pressure"].tolist(), readings["told_temperature"].tolist(), strict=True)
            self._supply = dict(zip(self.names, told, strict=True))
            if self.configuration.table is not None:
                self._carriage = dict(zip(self.names, readings["carriage_pressure"].tolist(), strict=True))
        end = self._newest_due("battery", steps)
        if end is not None:  # the message carries both in 32 bits
            readings = self.tape.readings[end]["battery"]
            charge, voltage = (readings[key].astype(np.float32) for key in ("percentage", "voltage"))
            self._battery = dict(zip(self.names, zip(charge.tolist(), voltage.tolist(), strict=True), strict=True))

    def _newest_due(self, topic: str, steps: range) -> int | None:
        """The last of some steps at which a message of a topic is due."""
        for step in reversed(steps):
            if due(self._tape_stamp + step * STEP_NS, PERIOD_NS[topic]):
                return step
        return None


def rehearse_in_engine(
    configuration: Configuration, folder: Path | None, show: Callable[[PlanState], None] = lambda state: None
) -> Sequence:
    """Run a session to its end; with a folder, leave a recording there. Returns the sequence with all results."""
    rehearsal = LockstepRehearsal(configuration)
    recording = EngineRecording(folder, rehearsal) if folder is not None else None
    shown = rehearsal.stamp
    try:
        if recording is not None:
            recording.keep()
        while not rehearsal.sequence.finished:
            if recording is not None:
                recording.go_on()
            else:
                rehearsal.run()
            if rehearsal.stamp - shown >= SHOWN_NS:
                shown = rehearsal.stamp
                show(rehearsal.commands.state)
    finally:
        if recording is not None:
            recording.close()
    return rehearsal.sequence
