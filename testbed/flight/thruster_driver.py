"""The thruster driver: wrench in, valve schedule out."""

from __future__ import annotations

from typing import Any, Final, Literal

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description import messages
from testbed.description.messages import NS_PER_S
from testbed.description.vehicle import Vehicle
from testbed.flight.allocation import Allocation, Outcome, allocation
from testbed.flight.guard import Guard, Refusal, guard
from testbed.flight.modulation import Modulation, modulation

PARAMETERS: Final = np.dtype(
    [
        ("lead", "i8"),
        ("matrix", "f8", (6, messages.MAX_VALVES)),
        ("guard", guard.PARAMETERS),
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
        ("guard", guard.STATE),
        ("allocation", allocation.STATE),
        ("modulation", modulation.STATE),
    ],
    align=True,
)
"""wanted: the last wrench; outcomes: how many wrenches met each `Outcome`."""


class ThrusterDriver:
    """Guard, allocation and modulation of one vehicle in one place, in this order."""

    def __init__(self, vehicle: Vehicle, place: Literal["table", "cabin"], active_axes: tuple[str, ...]) -> None:
        matrix = vehicle.thrusters.wrench_matrix(vehicle.mass_properties(place).centre_of_mass)
        self.parameters = np.zeros(1, PARAMETERS)
        self.state = np.zeros(1, STATE)
        p = self.parameters[0]
        p["lead"] = round(vehicle.thrusters.schedule_lead * NS_PER_S)
        p["matrix"][:, : matrix.shape[1]] = matrix
        p["guard"] = Guard(matrix).parameters[0]
        p["allocation"] = Allocation(vehicle, place, active_axes).parameters[0]
        p["modulation"] = Modulation(vehicle.thrusters).parameters[0]

    @property
    def modulation_period(self) -> int:
        """Time from one schedule to the next, ns."""
        return int(self.parameters[0]["modulation"]["period"])

    @property
    def refused(self) -> dict[Refusal, int]:
        """How many wrenches were refused, by reason."""
        counts = self.state[0]["guard"]["refused"]
        return {reason: int(counts[reason]) for reason in Refusal if reason != Refusal.NONE}

    def step(self, wrench: NDArray[np.void], permitted: bool, schedule: NDArray[np.void]) -> None:
        """Fill `schedule` (one messages.SCHEDULE) with the answer to `wrench` (one messages.WRENCH); see `step`."""
        _step(self.parameters, self.state, wrench, permitted, schedule)


@njit(cache=True)
def step(p: Any, s: Any, wrench: Any, permitted: bool, schedule: Any) -> None:
    """Fill `schedule`, stamped `lead` after the wrench; not permitted or refused: one point that closes all.

    What earlier pulses still owe is added to the wrench, so that opposite leftovers cancel instead of being fired.
    Where the sum is out of reach, the wrench alone is allocated and each valve keeps its own leftover.
    """
    stamp = wrench.stamp + p.lead
    refused = guard.judge(p.guard, s.guard, wrench.force, wrench.torque) != Refusal.NONE
    if refused or not permitted:
        modulation.forget(p.modulation, s.modulation)
        s.wanted[:] = 0.0
        s.allocation.duty[:] = 0.0
        s.modulation.stamp = stamp
        modulation.write(p.modulation, s.modulation, schedule)
        return
    pulses, period = s.modulation, p.modulation.period / NS_PER_S
    modulation.account(p.modulation, pulses, stamp)
    for k in range(3):
        s.wanted[k], s.wanted[3 + k] = wrench.force[k], wrench.torque[k]
    owe(p, s, period)
    allocation.allocate(p.allocation, s.allocation)
    whole = s.allocation.outcome == Outcome.ATTAINED
    if not whole:
        for k in range(6):
            s.allocation.wrench[k] = s.wanted[k]
        allocation.allocate(p.allocation, s.allocation)
    s.outcomes[s.allocation.outcome] += 1
    for j in range(p.modulation.valves):
        pulses.duty[j] = s.allocation.duty[j]
        pulses.target[j] = pulses.duty[j] * period + (0.0 if whole else pulses.carry[j])
    modulation.pulse(p.modulation, pulses, stamp)
    modulation.write(p.modulation, pulses, schedule)


@njit(cache=True)
def owe(p: Any, s: Any, period: float) -> None:
    """Ask the allocation for the wanted wrench and, spread over the period s, what earlier pulses still owe."""
    total = s.allocation.wrench
    for k in range(6):
        total[k] = s.wanted[k]
        for j in range(p.modulation.valves):
            total[k] += p.matrix[k, j] * s.modulation.carry[j] / period


@njit(cache=True)
def _step(p: Any, s: Any, wrench: Any, permitted: bool, schedule: Any) -> None:
    """For Python: numba looks at every field of a record that Python hands over, but takes an array as it is."""
    step(p[0], s[0], wrench[0], permitted, schedule[0])
