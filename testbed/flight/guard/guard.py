"""The guard: the last look at a wrench before the valves.

A wrench goes on only if a full brake that begins after it keeps every limit. As the wrench before met the same test,
the brake always does: limits hold by induction, up to what brake and estimate are wrong by. A wrench that is refused
counts as none. The guard is not the only safeguard: it can only keep what the valves and the estimate can.
"""

from __future__ import annotations

from typing import Any, Final, Literal

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description import rotation
from testbed.description.flight_limits import FlightLimits
from testbed.description.vehicle import Vehicle
from testbed.flight.allocation import Allocation
from testbed.flight.guard import memory, news, outlook
from testbed.flight.guard.credible import Known, known, refusal
from testbed.flight.guard.objection import Action, Objection

RELEASE: Final = 1.2
"""A brake is let go when the wrench asked for would leave this much more way than it needs to stop."""


class Guard:
    """Guards one vehicle in one place; without `limits` by the vehicle's own, anywhere."""

    def __init__(
        self,
        vehicle: Vehicle,
        place: Literal["table", "cabin"],
        active_axes: tuple[str, ...],
        limits: FlightLimits | None = None,
    ) -> None:
        limits = limits or FlightLimits.of(vehicle, place)
        self.parameters = memory.parameters_of(vehicle, place, active_axes, limits)
        self.state = np.zeros(1, memory.STATE)
        self._allocation = Allocation(vehicle, place, active_axes)

    def judge(
        self, odometry: NDArray[np.void], wrench: NDArray[np.void], permitted: bool = True
    ) -> tuple[NDArray[np.float64], Action]:
        """The wrench (6,) that goes on in place of `wrench` (one messages.WRENCH), and what was done with it."""
        layout, program = self._allocation.parameters, self._allocation.state
        _judge(self.parameters, self.state, layout, program, odometry, wrench, permitted)
        return self.state[0]["passed"].copy(), Action(self.state[0]["action"])

    @property
    def objections(self) -> dict[Objection, Action]:
        """What the last wrench met, and what was done about each."""
        now = self.state[0]["now"]
        return {one: Action(now[one]) for one in Objection if now[one]}


@njit(cache=True)
def judge(p: Any, s: Any, layout: Any, program: Any, odometry: Any, wrench: Any, permitted: bool) -> None:
    """Fill `passed` and `action` in answer to `wrench`, and gather the news.

    layout, program: parameters and state of the allocation, whose wrench is overwritten. Not permitted to fire: only
    the numbers are looked at.
    """
    s.now[:] = 0
    for k in range(3):
        s.asked[k], s.asked[3 + k] = wrench.force[k], wrench.torque[k]
        s.passed[k], s.passed[3 + k] = wrench.force[k], wrench.torque[k]
    s.action = Action.PASSED
    refused = refusal(p, wrench)
    if refused != Objection.NONE:
        s.refused[refused] += 1
        close(s, refused)
    if permitted:
        weigh(p, s, layout, program, odometry, wrench.stamp)
    else:
        s.braking = False
    news.gather(s, wrench.stamp)


@njit(cache=True)
def weigh(p: Any, s: Any, layout: Any, program: Any, odometry: Any, stamp: int) -> None:
    """Judge the wrench in `passed`, whose numbers are sound."""
    told = known(p, odometry, stamp)
    s.braking = s.braking and told == Known.ALL
    if told == Known.NOTHING:
        for k in range(6):
            if s.passed[k] != 0.0:
                close(s, Objection.NO_FIX)
        return
    outlook.look_ahead(p, s, odometry, stamp, told)
    if outlook.plainly_safe(p, s, RELEASE if s.braking else 1.0):
        s.braking = False
        return
    if s.braking:
        s.braking = outlook.length(s.velocity) > p.still_speed or outlook.length(s.rate) > p.still_spin
    if s.braking:
        brake(p, s)
    else:
        trim(p, s, layout, program)


@njit(cache=True)
def trim(p: Any, s: Any, layout: Any, program: Any) -> None:
    """Take out of the wrench what breaks a limit; brake where too little is left of it to stop in time."""
    outlook.foresee(p, s, s.passed, outlook.attainable(layout, program, s.passed))
    offends = shorten(s, s.later_rate, s.spin_limit, Objection.SPIN)
    by_speed = Objection.CONTACT_ENERGY if p.contact_speed < p.speed else Objection.SPEED
    offends = shorten(s, s.later, s.speed_limit, by_speed) or offends
    push, turn = outlook.braking(p, s, layout, program)
    reach = outlook.reach_of(p, outlook.length(s.later), outlook.length(s.later_rate), push, turn)
    offends = stay_inside(p, s, reach) or offends
    if not offends:
        return
    s.action = Action.TRIMMED
    push_to(p, s)
    share = outlook.attainable(layout, program, s.passed)
    outlook.foresee(p, s, s.passed, share)
    reach = outlook.reach_of(p, outlook.length(s.later), outlook.length(s.later_rate), push, turn)
    for k in range(3):
        if not outlook.within(p, s, k, s.later[k], s.later[k], reach, 0.0):
            s.braking = True
    if s.braking:
        brake(p, s)


@njit(cache=True)
def shorten(s: Any, vector: Any, limit: float, objection: int) -> bool:
    """Scale `vector`, shape (3,), down to the limit; whether that was needed."""
    size = outlook.length(vector)
    if size <= limit * (1.0 + outlook.ROUNDING):
        return False
    for k in range(3):
        vector[k] *= limit / size
    s.now[objection if s.bounded else Objection.NO_FIX] = Action.TRIMMED
    return True


@njit(cache=True)
def stay_inside(p: Any, s: Any, reach: float) -> bool:
    """Bring `later` along each axis to what stops within the work area, or leads back; whether that was needed."""
    offends = False
    for k in range(3):
        if outlook.within(p, s, k, s.later[k], s.later[k], reach, s.way_back):
            continue
        offends = True
        lowest, highest = outlook.stopping(p, s, k, reach, s.way_back)
        s.later[k] = min(max(s.later[k], lowest), highest)
    if offends:
        s.now[Objection.WORK_AREA] = Action.TRIMMED
    return offends


@njit(cache=True)
def push_to(p: Any, s: Any) -> None:
    """Fill `passed`: the wrench that leads to `later` and `later_rate` within the period."""
    passed, rate = s.passed, s.later_rate
    x, y, z = (
        (s.later[0] - s.velocity[0]) * p.mass / p.period,
        (s.later[1] - s.velocity[1]) * p.mass / p.period,
        (s.later[2] - s.velocity[2]) * p.mass / p.period,
    )
    passed[0], passed[1], passed[2] = rotation.rotate_inverse(s.orientation, (x, y, z))
    gain = rate[0] - s.coasted[0], rate[1] - s.coasted[1], rate[2] - s.coasted[2]
    torque = rotation.times(p.inertia, gain)
    for k in range(3):
        passed[k] *= p.active[k]
        passed[3 + k] = p.active[3 + k] * torque[k] / p.period


@njit(cache=True)
def brake(p: Any, s: Any) -> None:
    """Replace the wrench by the brake: speed and spin go together, as fast as the valves can, to nothing."""
    s.later[:] = 0.0
    s.later_rate[:] = 0.0
    push_to(p, s)
    s.action = Action.BRAKED
    s.now[Objection.WORK_AREA] = Action.BRAKED


@njit(cache=True)
def close(s: Any, objection: int) -> None:
    """Nothing goes on; all valves are closed."""
    s.passed[:] = 0.0
    s.action = Action.CLOSED
    s.now[objection] = Action.CLOSED


@njit(cache=True)
def _judge(p: Any, s: Any, layout: Any, program: Any, odometry: Any, wrench: Any, permitted: bool) -> None:
    """For Python: numba looks at every field of a record that Python hands over, but takes an array as it is."""
    judge(p[0], s[0], layout[0], program[0], odometry[0], wrench[0], permitted)
