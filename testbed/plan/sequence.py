"""The run sequence: a pure state machine that takes a session from waiting to its end, one step each 100 ms.

WAITING ── start ──> READINESS ── ready ──> POSITIONING ── in place ──> SETTLING ── settled ──> RUNNING
                                                 ^                          ^                      │
                                                 └───────── next try or next run ── EVALUATING <───┘
                                                                                         │
HELD: operator's hold, until released       STOPPED: latched, ends the session           └──> FINISHED
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import asdict, replace
from typing import Final, Literal

from testbed.description.faults import Fault, in_words
from testbed.description.messages import NS_PER_S
from testbed.plan.abort import AbortWatch
from testbed.plan.commands import OVER, PERMITTED, TRYING, Commands, PlanState, SessionPhase
from testbed.plan.configuration import Configuration
from testbed.plan.criteria import CriterionResult, evaluate
from testbed.plan.ends_of_motion import EndsOfMotion, told_hold, told_stop
from testbed.plan.fault_times import FaultTimes
from testbed.plan.flight_limits import fastest_planned
from testbed.plan.floating import Floating
from testbed.plan.gas_account import GasAccount
from testbed.plan.keep_out import KeepOut
from testbed.plan.observation import Observation
from testbed.plan.operator_requests import obey
from testbed.plan.outgoing import Outgoing
from testbed.plan.poses import planned_poses
from testbed.plan.positioning import POSITIONING_LIMIT, SETTLED, Tolerance, missing, placed, still
from testbed.plan.progress import Progress, starting, told
from testbed.plan.results import Ending, RunResult, TryResult, Verdict
from testbed.plan.schema import Run
from testbed.plan.try_log import TryLog

READINESS_LIMIT: Final = 120.0
"""A session that is not ready within this time ends, s."""
BRAKING_LIMIT: Final = 20.0
"""After a try that did not end by itself the vehicles get this long to come to rest before anything else happens, s."""
COAST_SHOWN: Final = 5.0
"""So long a stopped session goes on, so that its recording shows the coast, s."""
LATE: Final = 0.2
"""A try is judged so long after its end, when its last messages have arrived, s."""
HOLD_EXPIRY: Final = 3600.0
"""An operator's hold lasts at most so long, then the session ends, s."""

Then = Literal["judge", "again", "next", "finish"]
"""What follows a try: what its verdict asks for, the same run again, the next run, or the end of the session."""


class Sequence:
    """Takes observations, gives commands, keeps results. `testbed.plan.check` must have found nothing wrong."""

    def __init__(self, configuration: Configuration) -> None:
        self.configuration = configuration
        self.poses = planned_poses(configuration)
        self.phase = SessionPhase.WAITING
        self.out = Outgoing(configuration.plan.vehicles)
        self.seen = Observation(0)
        self.then: Then = "judge"
        self.ending: Ending | None = None
        self._results = [RunResult(run.name, run.required) for run in configuration.plan.runs]
        self._dimensions = 2 if configuration.table is not None else 3
        self._ends = EndsOfMotion(configuration)
        self.log = TryLog(configuration.vehicles, self._dimensions, KeepOut.of(configuration))
        self.aborts = AbortWatch(configuration.room, self._dimensions)
        self.faults = FaultTimes()
        self.floating = Floating(configuration.table)
        self.gas = GasAccount(configuration)
        self._run_index = 0
        self.since = 0
        self.in_place_since: int | None = None
        self._try_start: int | None = None
        self._braking = False
        self._in_control = False
        self._placed = placed(configuration)
        self._released = False
        self._where_planned = False
        self.progress: Progress | None = None
        self._handlers: dict[SessionPhase, Callable[[], None]] = {
            SessionPhase.READINESS: self._readiness,
            SessionPhase.POSITIONING: self._positioning,
            SessionPhase.SETTLING: self._settling,
            SessionPhase.RUNNING: self._running,
            SessionPhase.EVALUATING: self._evaluating,
            SessionPhase.HELD: self._held,
        }

    def step(self, seen: Observation) -> Commands:
        """Take in one observation and decide; stamps must grow."""
        self.seen = seen
        self.out.begin(seen.stamp)
        self.log.add(seen)
        for name in self.floating.new_landings(seen.carriage):
            self.out.event("touched_down", vehicle=name, pressure=seen.carriage[name])
        for text in self.gas.step(seen.stamp, seen.supply, self.log.gas):
            self.out.event("gas_warning", text=text)
        for request in seen.requests:
            obey(self, request)
        if self.ending is not None and seen.stamp - self.ending.stamp >= LATE * NS_PER_S:
            self._judge(self.ending)
        if (handler := self._handlers.get(self.phase)) is not None:
            handler()
        self._tell(self.faults.step(seen.stamp, self.phase is SessionPhase.RUNNING, seen.live_faults))
        return Commands(self.state(seen), self.out.places, self.out.maneuvers, tuple(self.out.events))

    @property
    def results(self) -> tuple[RunResult, ...]:
        """Every run of the plan with its tries so far."""
        return tuple(self._results)

    @property
    def finished(self) -> bool:
        """Whether nothing more will happen."""
        shown = self.phase is not SessionPhase.STOPPED or self._in_phase >= COAST_SHOWN
        return self.phase in OVER and self.ending is None and shown

    @property
    def passed(self) -> bool:
        """Whether every required run has passed."""
        return all(result.passed for result in self._results if result.required)

    # ---- phases: each looks at what is seen and moves on

    def _readiness(self) -> None:
        if self.seen.ready:
            self._begin_try()
        elif self._in_phase > READINESS_LIMIT:
            self.finish(f"not ready within {READINESS_LIMIT:g} s: {self.seen.not_ready_reason}")
        else:
            self.out.decide(f"Not ready: {self.seen.not_ready_reason}")

    def _positioning(self) -> None:
        late = self._not_in_place(self._placed)
        if late is None:
            self._settle()
        elif self._in_phase > POSITIONING_LIMIT:
            self.end_try(Verdict.FAILED, f"not in place within {POSITIONING_LIMIT:g} s: {late}")

    def _settling(self) -> None:
        if self._aborted():
            return
        late = self._not_in_place(SETTLED)
        if late is not None:
            self.in_place_since = None
            if self._in_phase > POSITIONING_LIMIT + self.run.settle:
                self.end_try(Verdict.FAILED, f"not settled within {POSITIONING_LIMIT + self.run.settle:g} s: {late}")
            return
        if self.in_place_since is None:
            self.in_place_since = self.seen.stamp
        if self.seen.stamp - self.in_place_since >= self.run.settle * NS_PER_S:
            self._begin_running()

    def _running(self) -> None:
        assert self.progress is not None
        if self._aborted():
            return
        if self._in_phase > self.run.time_limit:
            late = f"not done within the time limit of {self.run.time_limit:g} s"
            self.end_try(*((None, "the time is up") if self.run.manual else (Verdict.FAILED, late)))
        else:
            new = self.progress.advance(self.seen.stamp, self.seen.status, self.out.maneuver_numbers)
            if self.progress.complete:
                self.end_try(None, "all maneuvers done")
            if new:
                self.out.decide("; ".join(told(name, maneuver) for name, maneuver in new.items()))
            self.out.give(new)

    def _evaluating(self) -> None:
        at_rest = all(still(odometry) for odometry in self.seen.odometry.values())
        if self.ending is None and (at_rest or not self._braking or self._in_phase > BRAKING_LIMIT):
            self.go_on()

    def _held(self) -> None:
        if self._released and self.ending is None:
            self.go_on()
        elif self._in_phase > HOLD_EXPIRY:
            self.finish(f"held for longer than {HOLD_EXPIRY:g} s")

    def _aborted(self) -> bool:
        """Whether an abort criterion has ended the try just now."""
        reason = self.gas.unmodelled
        reason = reason or self.aborts.reason(self.configuration.plan.aborts(self.run), self.seen, self.log)
        if reason:
            self.out.event("abort", reason=reason)
            self.end_try(Verdict.ABORTED, reason)
        return bool(reason)

    # ---- transitions

    def start(self) -> None:
        """Start the session."""
        self.out.event("session_started", plan=self.configuration.plan.name, seed=self.configuration.seed)
        self._enter(SessionPhase.READINESS, "Checking readiness")

    def go_on(self) -> None:
        """Decide what follows the try that is over."""
        then, self.then = self.then, "judge"
        result = self._results[self._run_index]
        again = then == "again" or (then == "judge" and not result.passed and result.counted < self.run.tries)
        if then == "finish":
            self.finish("ended by the operator")
        elif again:
            self.out.event("retry", reason=result.tries[-1].reason)
            self._begin_try()
        else:
            self.out.event("run_finished", passed=result.passed, skipped=result.skipped, required=result.required)
            self._run_index += 1
            if self._run_index < len(self._results):
                self._begin_try()
            else:
                self._run_index -= 1
                self.finish("all runs done")

    def _begin_try(self) -> None:
        """Put vehicles where the plan wants them: all of them, unless this run goes on from one that passed."""
        self._tell(self.faults.end())
        poses, tries = self.poses[self._run_index].start, len(self._results[self._run_index].tries)
        self.out.run, self.out.attempt = self.run.name, tries + 1
        self._try_start = None
        if not tries:
            self.out.event("run_started", purpose=self.run.purpose, required=self.run.required)
        placed = list(poses) if tries or not self._where_planned else list(self.run.start)
        for name in placed:
            self.out.place(name, poses[name])
        if placed:
            self._in_control = False
            self._enter(SessionPhase.POSITIONING, f"Positioning {', '.join(placed)} for {self._try_name}")
        else:
            self._settle()

    def _settle(self) -> None:
        """Let all vehicles hold at their start poses."""
        duration = POSITIONING_LIMIT + 2.0 * self.run.settle + LATE
        self.out.hold(starting(self.seen.stamp), self._after(duration + 1.0), self.poses[self._run_index].start)
        self.in_place_since = None
        self._in_control = True
        self.aborts.begin(self.seen.stamp, list(self.configuration.vehicles))
        self._enter(SessionPhase.SETTLING, f"Settling for {self._try_name}")

    def _begin_running(self) -> None:
        expiry = self._after(self.run.time_limit + POSITIONING_LIMIT)
        poses, most = self.poses[self._run_index], fastest_planned(self.configuration, self.run)
        self.progress = Progress(self.run, poses, most, self.out.attempt, expiry)
        self._try_start = self.seen.stamp
        self.log.begin()
        self.gas.begin_try()
        self.faults.begin(self.configuration.plan.faults_of(self.run.name), self.seen.stamp)
        self.aborts.begin(self.seen.stamp, list(self.configuration.vehicles))
        self._enter(SessionPhase.RUNNING, f"Running {self._try_name}")
        self.out.event("try_started", time_limit=self.run.time_limit)
        self._running()

    def end_try(self, verdict: Verdict | None, reason: str, then: Then = "judge") -> None:
        """End the try at hand. One that did not end by itself brakes all vehicles; judging follows a little later."""
        self.ending, self.then = Ending(self.seen.stamp, verdict, reason), then
        self._braking = verdict is not None and verdict is not Verdict.STOPPED and self._in_control
        if self._braking:
            self.out.hold(starting(self.seen.stamp), self._after(HOLD_EXPIRY))
        self._enter(SessionPhase.EVALUATING, f"{self._try_name} is over: {reason}")

    def hold(self, reason: str) -> None:
        """Brake all vehicles under control and wait for the operator; a try at hand ends."""
        if self.phase in TRYING:
            self.end_try(Verdict.HELD, reason, "again")
        elif self._in_control:
            self.out.hold(starting(self.seen.stamp), self._after(HOLD_EXPIRY))
        ends = self._ends.after_hold(self.seen.odometry) if self._in_control else {}
        told_ends = "valves stay closed, vehicles are being put in place"
        if self._in_control:
            told_ends = f"braking under control, {told_hold(ends)}"
        self.out.event("hold", reason=reason, ends=ends, in_control=self._in_control)
        self._released = False
        self._enter(SessionPhase.HELD, f"Hold: {told_ends}")

    def release(self) -> None:
        """Go on after a hold."""
        self._released = True
        self.out.event("released")

    def stop(self, reason: str) -> None:
        """Withdraw the permission to fire for good; vehicles coast and the session is over."""
        if self.phase in TRYING:
            self.end_try(Verdict.STOPPED, reason)
        ends = self._ends.after_stop(self.seen.odometry)
        self.out.event("stop", reason=reason, ends=ends)
        self._enter(SessionPhase.STOPPED, f"Stop ({reason}): valves closed, vehicles coast. {told_stop(ends)}")

    def finish(self, reason: str) -> None:
        """End the session in order."""
        self.out.event("finished", passed=self.passed, reason=reason)
        verdict = "passed" if self.passed else "a required run has not passed"
        self._enter(SessionPhase.FINISHED, f"Finished, {reason}: {verdict}")

    # ---- judging

    def _judge(self, ending: Ending) -> None:
        """Evaluate the criteria of the try that is over and keep its result."""
        criteria = self._evaluated(ending)
        verdict, reason = ending.verdict, ending.reason
        if verdict is None:
            missed = [f"{result.name} {result.vehicle}".strip() for result in criteria if not result.passed]
            verdict = Verdict.FAILED if missed else Verdict.PASSED
            reason = f"not met: {', '.join(missed)}" if missed else "all criteria met"
        if self.faults.begun and verdict in (Verdict.FAILED, Verdict.ABORTED):
            reason += f" (broken: {'; '.join(self.faults.begun)})"
        start = ending.stamp if self._try_start is None else self._try_start
        result = TryResult(self.out.attempt, verdict, reason, start, ending.stamp, criteria)
        self.replace_result(self._run_index, tries=(*self._results[self._run_index].tries, result))
        self.out.event("verdict", verdict=str(verdict), reason=reason, start=start, end=ending.stamp)
        if self.phase is SessionPhase.EVALUATING:
            self.out.decide(f"{self._try_name} {verdict}: {reason}")
        self._where_planned = verdict is Verdict.PASSED and not self.run.manual
        self.log.end()
        self.gas.end_try()
        self.ending = None

    def _evaluated(self, ending: Ending) -> tuple[CriterionResult, ...]:
        """Results of the criteria, each told as an event; none for a try that ended before it was running."""
        if self._try_start is None:
            return ()
        samples = self.log.samples(self._try_start, ending.stamp, self.poses[self._run_index].goals)
        results = tuple(evaluate(self.run.criteria, samples))
        for result in results:
            self.out.event("criterion", **asdict(result))
        return results

    def replace_result(self, index: int, **changes: object) -> None:
        """Change what is kept of a run."""
        self._results[index] = replace(self._results[index], **changes)  # type: ignore[arg-type]

    def _tell(self, changes: Iterable[tuple[str, Fault]]) -> None:
        """Report faults that begin or are over, as events of the try at hand."""
        for kind, fault in changes:
            self.out.event(kind, fault=in_words(fault))
            self.out.decide(f"{'Broken' if kind == 'fault_began' else 'Whole again'}: {in_words(fault)}")

    # ---- small questions

    @property
    def run(self) -> Run:
        """The run at hand."""
        return self.configuration.plan.runs[self._run_index]

    @property
    def run_index(self) -> int:
        """Index of the run at hand."""
        return self._run_index

    @property
    def _try_name(self) -> str:
        return f"{self.run.name}, try {self.out.attempt}"

    @property
    def _in_phase(self) -> float:
        """Time since the phase began, s."""
        return (self.seen.stamp - self.since) / NS_PER_S

    def _after(self, duration: float) -> int:
        """Stamp ns that lies `duration` s ahead."""
        return self.seen.stamp + round(duration * NS_PER_S)

    def _enter(self, phase: SessionPhase, decision: str) -> None:
        self.phase, self.since = phase, self.seen.stamp
        self.out.decide(decision)

    def _not_in_place(self, tolerance: Tolerance) -> str | None:
        """Who is not in place yet, and why not; None if all are."""
        for name, pose in self.poses[self._run_index].start.items():
            if lack := missing(self.seen.odometry.get(name), pose, tolerance, self._dimensions):
                return f"{name} {lack}"
        return None

    def state(self, seen: Observation) -> PlanState:
        """What there is to tell at the step of an observation."""
        running = self.phase is SessionPhase.RUNNING
        elapsed = (seen.stamp - self.since) / NS_PER_S if running else 0.0
        return PlanState(
            stamp=seen.stamp,
            phase=self.phase,
            permit=self.phase in PERMITTED and self._in_control,
            run=self.out.run,
            run_number=self._run_index + 1,
            runs=len(self._results),
            attempt=self.out.attempt,
            attempts=self.run.tries,
            elapsed=elapsed,
            remaining=max(0.0, self.run.time_limit - elapsed) if running else 0.0,
            time_limit=self.run.time_limit,
            maneuvers=dict(self.out.maneuver_numbers),
            places=dict(self.out.place_numbers),
            faults=self.faults.in_force,
            floating_left={name: round(left, 1) for name, left in self.floating.left(seen.carriage).items()},
            gas_left_g={name: round(1e3 * mass, 3) for name, mass in self.log.gas.items()},
            worst_separation=self.log.worst_separation,
            decision=self.out.decision,
            room_gas_ppm=round(self.gas.ppm, 1),
            outlook=self.gas.outlooks(),
            battery={
                name: {"charge": round(charge, 4), "voltage": round(voltage, 3)}
                for name, (charge, voltage) in seen.battery.items()
            },
        )
