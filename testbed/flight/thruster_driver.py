"""The thruster driver: wrench in, valve schedule out."""

from __future__ import annotations

from typing import Any, Final, Literal

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description import messages
from testbed.description.flight_limits import FlightLimits
from testbed.description.messages import NS_PER_S
from testbed.description.vehicle import Vehicle
from testbed.flight import stuck_valves
from testbed.flight.allocation import Allocation, Outcome, allocation
from testbed.flight.guard import REFUSALS, Action, Objection, guard, memory
from testbed.flight.modulation import Modulation, Windows, modulation, supply
from testbed.flight.modulation.quiet import NONE
from testbed.flight.separation import MAX_PARTNERS, Company, safety_filter
from testbed.flight.separation import memory as separation_memory

TRIALS: Final = 4
"""Most attempts to scale duties down to what the sagging supply lets all valves give."""
REALLOCATIONS: Final = 8
"""Most attempts to find duties that the supply they make sag allows for; each comes some five times closer."""
STEPS: Final = 40
"""Most steps towards what the supply allows for in the long run; near the most that it can give they are small ones."""
SMALL: Final = 1e-7
"""Share of the time that is not worth another such step."""
CLOSE: Final = 1e-5
"""Shortfall that is not worth another attempt, s of thrust."""
NOBODY: Final = np.zeros(MAX_PARTNERS, messages.ODOMETRY)
"""What stands for the odometry of partners where none was heard."""

PARAMETERS: Final = np.dtype(
    [
        ("lead", "i8"),
        ("matrix", "f8", (6, messages.MAX_VALVES)),
        ("watch", stuck_valves.PARAMETERS),
        ("separation", separation_memory.PARAMETERS),
        ("guard", memory.PARAMETERS),
        ("allocation", allocation.PARAMETERS),
        ("modulation", modulation.PARAMETERS),
    ],
    align=True,
)
"""lead: ns from the wrench's stamp to the schedule's; matrix: wrench of each open valve, N and N·m."""

STATE: Final = np.dtype(
    [
        ("wanted", "f8", (6,)),
        ("outcomes", "i8", (len(Outcome),)),
        ("kept", messages.WRENCH),
        ("watch", stuck_valves.STATE),
        ("separation", separation_memory.STATE),
        ("guard", memory.STATE),
        ("allocation", allocation.STATE),
        ("modulation", modulation.STATE),
    ],
    align=True,
)
"""wanted: the last wrench; outcomes: how many wrenches met each `Outcome`; kept: what the safety filter passed on."""


class ThrusterDriver:
    """Safety filter, guard, allocation and modulation of one vehicle in one place, in this order.

    Without `limits` the guard goes by the vehicle's own, anywhere. In the quiet `windows` no valve is open. Without
    `company` there is no safety filter. Raises ValueError where the filter cannot keep apart from the company.
    """

    def __init__(
        self,
        vehicle: Vehicle,
        place: Literal["table", "cabin"],
        active_axes: tuple[str, ...],
        limits: FlightLimits | None = None,
        windows: Windows = NONE,
        company: Company | None = None,
    ) -> None:
        limits = limits or FlightLimits.of(vehicle, place)
        matrix = vehicle.thrusters.wrench_matrix(vehicle.mass_properties(place).centre_of_mass)
        self.parameters = np.zeros(1, PARAMETERS)
        self.state = np.zeros(1, STATE)
        p, modulating = self.parameters[0], Modulation(vehicle, windows)
        self.state[0]["modulation"] = modulating.state[0]
        usable = float(modulating.parameters[0]["usable"])
        p["lead"] = round(vehicle.thrusters.schedule_lead * NS_PER_S)
        p["matrix"][:, : matrix.shape[1]] = matrix
        p["watch"] = stuck_valves.parameters_of(vehicle)[0]
        p["guard"] = memory.parameters_of(vehicle, place, active_axes, limits, usable)[0]
        if company is not None:
            p["separation"] = separation_memory.parameters_of(
                vehicle, place, active_axes, company.partners, company.position_error, company.velocity_error,
                company.stray, limits, usable,
            )[0]  # fmt: skip
        self.state[0]["separation"]["permit"]["partner"] = -1
        p["allocation"] = Allocation(vehicle, place, active_axes).parameters[0]
        p["modulation"] = modulating.parameters[0]

    @property
    def modulation_period(self) -> int:
        """Time from one schedule to the next, ns."""
        return int(self.parameters[0]["modulation"]["period"])

    @property
    def refused(self) -> dict[Objection, int]:
        """How many wrenches were refused, by reason."""
        counts = self.state[0]["guard"]["refused"]
        return {reason: int(counts[reason]) for reason in REFUSALS}

    @property
    def news(self) -> NDArray[np.void]:
        """What the guard has begun or ceased to object to with the last wrench, guard.VERDICT, shape (n,)."""
        state = self.state[0]["guard"]
        return np.asarray(state["news"][: state["news_count"]].copy())

    @property
    def concerns(self) -> NDArray[np.void]:
        """What the safety filter has begun or ceased to worry about with the last wrench, separation.NEWS, (n,)."""
        state = self.state[0]["separation"]
        return np.asarray(state["news"][: state["news_count"]].copy())

    @property
    def findings(self) -> NDArray[np.void]:
        """Which valves were found to be stuck, or no longer, with the last wrench, stuck_valves.FINDING, shape (n,)."""
        state = self.state[0]["watch"]
        return np.asarray(state["news"][: state["news_count"]].copy())

    def accept_report(self, report: NDArray[np.void]) -> None:
        """Take in which valves are open (one messages.VALVES), where the vehicle's file says that they are reported."""
        _accept_report(self.parameters, self.state, report)

    def step(
        self,
        odometry: NDArray[np.void],
        wrench: NDArray[np.void],
        permitted: bool,
        schedule: NDArray[np.void],
        partners: NDArray[np.void] = NOBODY,
    ) -> None:
        """Fill `schedule` (one messages.SCHEDULE) with the answer to `wrench` (one messages.WRENCH); see `step`."""
        _step(self.parameters, self.state, odometry, partners, wrench, permitted, schedule)


@njit(cache=True)
def step(p: Any, s: Any, odometry: Any, partners: Any, wrench: Any, permitted: bool, schedule: Any) -> None:
    """Fill `schedule`, stamped `lead` after the wrench; not permitted or closed by the guard: one that closes all.

    odometry: where the vehicle believes to be at the wrench's stamp; partners: newest odometry that was heard of each,
    shape (MAX_PARTNERS,), stamp 0: none.

    What earlier pulses still owe is added to the wrench, so that opposite leftovers cancel instead of being fired.
    Where the sum is out of reach, or a valve at its bound, the wrench alone is allocated and each valve keeps its own
    leftover, which can wait: to give it at once takes valves that need more gas. What is still too much is scaled down.
    Where nothing is asked for, nothing is given: a drifting vehicle wants no pulse for the sake of a leftover.
    """
    stamp = wrench.stamp + p.lead
    stuck_valves.judge(p.watch, s.watch, wrench.stamp, permitted)
    stuck_valves.set_aside(p.watch, s.watch, p.modulation.supply, s.allocation)
    fill_coming(p, s, wrench.stamp)
    s.allocation.lost = 0.0
    keep_apart(p, s, odometry, partners, wrench, permitted)
    guard.judge(p.guard, s.guard, p.allocation, s.allocation, odometry, s.kept, permitted)
    if s.guard.action == Action.CLOSED or not permitted:
        modulation.forget(p.modulation, s.modulation)
        s.wanted[:] = 0.0
        s.allocation.duty[:] = 0.0
        s.modulation.stamp = stamp
        modulation.write(p.modulation, s.modulation, schedule)
        stuck_valves.note(p.watch, s.watch, schedule)
        return
    modulation.account(p.modulation, s.modulation, stamp)
    for j in range(p.modulation.valves):
        if s.allocation.stuck[j]:
            s.modulation.carry[j] = 0.0
    for k in range(6):
        s.wanted[k] = s.guard.passed[k]
    paid = False
    if anything_wanted(s):
        owe(p, s)
        paid = attain(p, s, stamp)
    if not paid or bounded(p, s):
        give_what_can_be(p, s, stamp, paid)
    s.outcomes[s.allocation.outcome] += 1
    modulation.write(p.modulation, s.modulation, schedule)
    stuck_valves.note(p.watch, s.watch, schedule)


@njit(cache=True)
def keep_apart(p: Any, s: Any, odometry: Any, partners: Any, wrench: Any, permitted: bool) -> None:
    """Fill `kept` with what the safety filter makes of the wrench; in a session of one vehicle the wrench itself."""
    s.kept.stamp = wrench.stamp
    for i in range(3):
        s.kept.force[i], s.kept.torque[i] = wrench.force[i], wrench.torque[i]
    if p.separation.count == 0:
        return
    for k in range(6):
        s.separation.ahead.coming[k] = s.guard.coming[k]
    safety_filter.judge(p.separation, s.separation, p.allocation, s.allocation, odometry, partners, s.kept, permitted)
    for i in range(3):
        s.kept.force[i], s.kept.torque[i] = s.separation.passed[i], s.separation.passed[3 + i]


@njit(cache=True)
def fill_coming(p: Any, s: Any, now: int) -> None:
    """Tell the guard the impulse that comes from `now` ns on until the next schedule acts.

    It is what the last one's pulses still give, and valves that are stuck open.
    """
    pulses, coming = s.modulation.pulses, s.guard.coming
    coming[:] = 0.0
    if s.allocation.stuck_count > 0:
        for j in range(p.modulation.valves):
            for k in range(6):
                coming[k] += p.matrix[k, j] * s.allocation.held[j] * (p.lead + p.guard.delay) / NS_PER_S
    since = now - s.modulation.stamp
    if s.modulation.stamp == 0 or since < 0:
        return
    for i in range(pulses.count):
        given = min(pulses.closing[i], since + p.lead) - max(pulses.opening[i], since - p.guard.delay)
        if given > 0:
            for k in range(6):
                coming[k] += p.matrix[k, pulses.valve[i]] * given / NS_PER_S


@njit(cache=True)
def attain(p: Any, s: Any, stamp: int) -> bool:
    """Allocate the wrench in the state and make its pulses; False if it is out of reach in this period, see `give`.

    No valve can give more than one that is open throughout, and that is the less the more the others make the supply
    sag. As all valves share one supply and each draws from it what it costs in gas, the duties that are of least gas
    under the bound that they themselves cause are those of least gas of all; they are approached step by step. Where a
    step goes too far for the wrench, the first is taken whose pulses fall short by no more than may be owed: as large a
    share as there is under the lower bound would take more valves, which lower it further, and so on downward.
    """
    period, lost = p.modulation.period / NS_PER_S, 1.0 - p.modulation.usable
    enough, fits = -1.0, False
    for _ in range(REALLOCATIONS):
        s.allocation.lost = lost
        allocation.allocate(p.allocation, s.allocation)
        if s.allocation.outcome != Outcome.ATTAINED:
            if enough < 0.0:
                return False
            s.allocation.lost = enough
            allocation.allocate(p.allocation, s.allocation)
            return give(p, s, stamp, 1.0, False)
        fits = give(p, s, stamp, 1.0, False)
        if fits and enough < 0.0:
            enough = lost
        before, lost = lost, max(1.0 - p.modulation.usable * s.modulation.pulses.supply.sum / period, 0.0)
        if settled(p, s, before, lost, CLOSE / period):
            break
    return fits


@njit(cache=True)
def allocate_steadily(p: Any, s: Any) -> None:
    """Allocate the wrench in the state under the bound that its duties cause in the long run; see `attain`.

    What single pulses do to a period's supply evens out over the periods, and what a valve falls short by meanwhile can
    wait.
    """
    strength, lost = 1.0, 1.0 - p.modulation.usable
    for _ in range(STEPS):
        s.allocation.lost = lost
        allocation.allocate(p.allocation, s.allocation)
        given = 0.0
        for j in range(p.modulation.valves):
            given += p.modulation.supply.draw[j] * s.allocation.duty[j]
        if s.allocation.outcome == Outcome.ATTAINED:
            strength = supply.strength_giving(p.modulation.supply, given)
        else:  # what is given would fall and rise with the bound
            strength = supply.strength_under(p.modulation.supply, given / strength)
        strength = min(strength, 1.0)
        before, lost = lost, 1.0 - p.modulation.usable * strength
        if settled(p, s, before, lost, SMALL):
            break


@njit(cache=True)
def settled(p: Any, s: Any, before: float, lost: float, close: float) -> bool:
    """Whether the duties allocated with `before` lost are those that `lost`, which they cause, allows for."""
    return bool(largest_duty(p, s) < 1.0 - max(before, lost) or abs(lost - before) < close)


@njit(cache=True)
def bounded(p: Any, s: Any) -> bool:
    """Whether the allocated duties are held down by what a valve can give, or are more than that in this period."""
    reach = p.modulation.usable * s.modulation.pulses.supply.sum / p.modulation.period * NS_PER_S
    lowered = s.allocation.lost > 1.0 - p.modulation.usable
    return bool(lowered or largest_duty(p, s) > min(1.0 - s.allocation.lost, reach) - CLOSE)


@njit(cache=True)
def largest_duty(p: Any, s: Any) -> float:
    """Largest of the allocated duties."""
    largest = 0.0
    for j in range(p.modulation.valves):
        largest = max(largest, s.allocation.duty[j])
    return largest


@njit(cache=True)
def give(p: Any, s: Any, stamp: int, share: float, each_its_own: bool) -> bool:
    """Make pulses for `share` of the allocated duties; False if some valve falls short by more than it may owe.

    each_its_own: every valve's own leftover is added, but that of one that is not wanted waits, for it may push against
    those that are; else it is in the duties already.
    """
    pulses, period = s.modulation, p.modulation.period / NS_PER_S
    for j in range(p.modulation.valves):
        pulses.duty[j] = share * s.allocation.duty[j]
        pulses.target[j] = pulses.duty[j] * period
        if each_its_own:
            waits = pulses.duty[j] == 0.0
            pulses.target[j] += min(pulses.carry[j], p.modulation.bit - CLOSE) if waits else pulses.carry[j]
    modulation.pulse(p.modulation, pulses, stamp)
    return shortfall(p, s) <= p.modulation.most + CLOSE


@njit(cache=True)
def shortfall(p: Any, s: Any) -> float:
    """Most that any valve falls short by at the end of the period, s of nominal thrust."""
    most = 0.0
    for j in range(p.modulation.valves):
        most = max(most, s.modulation.pulses.need[j])
    return most


@njit(cache=True)
def give_what_can_be(p: Any, s: Any, stamp: int, paid: bool) -> None:
    """Give the wrench alone, scaled down to what all valves can give together, sagging supply included.

    paid: the wrench can be given with all that is owed, which is better than to scale it down or to owe much.
    """
    for k in range(6):
        s.allocation.wrench[k] = s.wanted[k]
    allocate_steadily(p, s)
    fits = give(p, s, stamp, 1.0, True)
    if paid and (not fits or s.allocation.outcome != Outcome.ATTAINED or shortfall(p, s) > p.modulation.bit):
        owe(p, s)
        attain(p, s, stamp)
        return
    share = 1.0
    for _ in range(TRIALS):
        if fits:
            break
        share = min(share, within_reach(p, s))
        fits = give(p, s, stamp, share, True)
    if share < 1.0:
        s.allocation.scale *= share
        if s.allocation.outcome == Outcome.ATTAINED:
            s.allocation.outcome = Outcome.SATURATED


@njit(cache=True)
def within_reach(p: Any, s: Any) -> float:
    """Largest share of the duties with which no valve, giving what it gave, falls short by more than it may owe."""
    pulses, period, share = s.modulation, p.modulation.period / NS_PER_S, 1.0
    for j in range(p.modulation.valves):
        if pulses.pulses.need[j] > p.modulation.most:
            reached = pulses.pulses.given[j] + p.modulation.most - pulses.carry[j]
            share = min(share, max(reached, 0.0) / (s.allocation.duty[j] * period))
    return share


@njit(cache=True)
def anything_wanted(s: Any) -> bool:
    """Whether the wrench that the guard has passed is not nil."""
    wanted = False
    for k in range(6):
        wanted = wanted or s.wanted[k] != 0.0
    return wanted


@njit(cache=True)
def owe(p: Any, s: Any) -> None:
    """Ask the allocation for the wanted wrench and, spread over the period, what earlier pulses still owe."""
    total, period = s.allocation.wrench, p.modulation.period / NS_PER_S
    for k in range(6):
        total[k] = s.wanted[k]
        for j in range(p.modulation.valves):
            total[k] += p.matrix[k, j] * s.modulation.carry[j] / period


@njit(cache=True)
def _step(p: Any, s: Any, odometry: Any, partners: Any, wrench: Any, permitted: bool, schedule: Any) -> None:
    """For Python: numba looks at every field of a record that Python hands over, but takes an array as it is."""
    step(p[0], s[0], odometry[0], partners, wrench[0], permitted, schedule[0])


@njit(cache=True)
def _accept_report(p: Any, s: Any, report: Any) -> None:
    stuck_valves.accept_report(p[0].watch, s[0].watch, report[0])
