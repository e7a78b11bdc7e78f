"""The safety filter of one vehicle: the theorem that it keeps stands at the head of this package."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, Literal

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description import rotation
from testbed.description.flight_limits import FlightLimits
from testbed.description.messages import NS_PER_S
from testbed.description.vehicle import Vehicle
from testbed.flight.allocation import Allocation
from testbed.flight.guard import news, outlook
from testbed.flight.guard.credible import Known, known, refusal
from testbed.flight.guard.objection import Objection
from testbed.flight.guard.outlook import length
from testbed.flight.separation import brake, evasion, memory, sight, trial
from testbed.flight.separation.sight import worry
from testbed.flight.separation.worry import CANNOT_GUARANTEE, Action, Worry

HALVINGS: Final = 8
"""How often the share of the asked wrench is halved to find how much of it can go on."""
WORRIES: Final = len(Worry)


class SafetyFilter:
    """Keeps one vehicle in one place apart from its partners.

    position_error m, velocity_error m/s: what its own odometry may be wrong by, stated; stray m/s², usable: what its
    partners are told of it, as in `Partner`; `limits`: as for the guard.
    """

    def __init__(
        self,
        vehicle: Vehicle,
        place: Literal["table", "cabin"],
        active_axes: tuple[str, ...],
        partners: Sequence[memory.Partner],
        position_error: float,
        velocity_error: float,
        stray: float = 0.0,
        limits: FlightLimits | None = None,
        usable: float = 1.0,
    ) -> None:
        self.parameters = memory.parameters_of(
            vehicle, place, active_axes, partners, position_error, velocity_error, stray, limits, usable
        )
        self.state = np.zeros(1, memory.STATE)
        self.state[0]["permit"]["partner"] = -1
        self._allocation = Allocation(vehicle, place, active_axes)

    def judge(
        self,
        odometry: NDArray[np.void],
        partners: NDArray[np.void],
        wrench: NDArray[np.void],
        permitted: bool = True,
    ) -> tuple[NDArray[np.float64], Action]:
        """The wrench (6,) that goes on in place of `wrench` (one messages.WRENCH), and what was done with it.

        partners: newest odometry of each, shape (memory.MAX_PARTNERS,) messages.ODOMETRY, stamp 0: none heard.
        """
        layout, program = self._allocation.parameters, self._allocation.state
        _judge(self.parameters, self.state, layout, program, odometry, partners, wrench, permitted)
        return self.state[0]["passed"].copy(), Action(self.state[0]["action"])

    @property
    def worries(self) -> dict[Worry, int]:
        """What stood against the last wrench, and the partner that it is about (-1: itself)."""
        state = self.state[0]
        return {one: int(state["about"][one]) for one in Worry if state["now"][one]}

    @property
    def guaranteed(self) -> bool:
        """Whether the separation is guaranteed, by all that was known at the last wrench."""
        return not any(self.state[0]["now"][one] for one in CANNOT_GUARANTEE)


@njit(cache=True)
def judge(
    p: Any, s: Any, layout: Any, program: Any, odometry: Any, partners: Any, wrench: Any, permitted: bool
) -> None:
    """Fill `passed` and `action` in answer to `wrench`, and gather the news.

    layout, program: parameters and state of the allocation, whose wrench is overwritten. s.ahead.coming: impulse that
    earlier schedules still give before the wrench acts, N·s and N·m·s, base_link. Not permitted to fire: nothing is
    weighed. A wrench that is no sound number is left to the guard, which closes the valves: it is weighed as none.
    """
    s.now[:] = 0
    for i in range(3):
        s.asked[i], s.asked[3 + i] = wrench.force[i], wrench.torque[i]
    s.passed[:] = s.asked
    s.action = Action.PASSED
    if not permitted:
        forget(p, s)
    elif known(p.vehicle, odometry, wrench.stamp) != Known.ALL:
        worry(s, Worry.UNSURE, -1)
        s.holding = False
    elif p.count > 0:
        weigh(p, s, layout, program, odometry, partners, wrench)
    if s.action == Action.PASSED and s.now.any():
        s.action = Action.WARNED
    s.now[:] *= s.action
    news.gather(s, wrench.stamp)
    for k in range(s.news_count):
        s.news[k].about = s.about[s.news[k].objection]


@njit(cache=True)
def forget(p: Any, s: Any) -> None:
    """Hold no place, and compare nobody with what it was: without permission vehicles may be carried elsewhere."""
    s.holding = False
    for k in range(p.count):
        s.others[k].first_stamp = 0


@njit(cache=True)
def weigh(p: Any, s: Any, layout: Any, program: Any, odometry: Any, partners: Any, wrench: Any) -> None:
    """Judge the wrench by where everybody may get to."""
    outlook.look_ahead(p.vehicle, s.ahead, odometry, wrench.stamp, Known.ALL)
    for i in range(3):
        s.ahead.position[i] *= p.vehicle.active[i]
    position_error, velocity_error = sight.claimed(p, odometry)
    if position_error > p.position_error or velocity_error > p.velocity_error:
        worry(s, Worry.UNSURE, -1)
    position_error, velocity_error = max(position_error, p.position_error), max(velocity_error, p.velocity_error)
    trial.doubt(p, s, position_error, velocity_error)
    sight.look(p, s, partners, wrench.stamp)
    ask(p, s, layout, program, refusal(p.vehicle, wrench) == Objection.NONE)
    watch(p, s, odometry, wrench.stamp, position_error, velocity_error)
    doubtful = s.now[Worry.UNSURE] + s.now[Worry.UNHEARD] + s.now[Worry.BEYOND] > 0
    if trial.kept(p, s, s.wanted) and not doubtful:
        s.holding = False
    else:
        keep_apart(p, s, layout, program, doubtful)
        give(p, s)


@njit(cache=True)
def watch(p: Any, s: Any, odometry: Any, stamp: int, position_error: float, velocity_error: float) -> None:
    """Worry about every partner from which the separation may fall below the minimum before the next wrench."""
    s.trial[:] = 0.0
    trial.foresee(p, s, s.trial)
    age = (stamp - odometry.stamp) / NS_PER_S
    for i in range(3):
        s.end[i] = p.vehicle.active[i] * odometry.position[i] + s.ahead.velocity[i] * age
    for k in range(p.count):
        if s.others[k].present and trial.may_be_close(p, s, k, position_error + velocity_error * age, velocity_error):
            worry(s, Worry.CLOSE, k)


@njit(cache=True)
def ask(p: Any, s: Any, layout: Any, program: Any, sound: bool) -> None:
    """Fill `wanted`: the acceleration, fixed frame, that valves can give of the asked wrench; not sound: none."""
    s.wanted[:] = 0.0
    if sound:
        share = outlook.attainable(layout, program, s.asked)
        push = rotation.rotate(s.ahead.orientation, (s.asked[0], s.asked[1], s.asked[2]))
        for i in range(3):
            s.wanted[i] = p.vehicle.active[i] * share * push[i] / p.vehicle.mass


@njit(cache=True)
def keep_apart(p: Any, s: Any, layout: Any, program: Any, doubtful: bool) -> None:
    """Fill `chosen`: what goes on in place of a wrench that cannot, or if `doubtful` in place of any."""
    brake.brake(p, s, layout, program)
    s.chosen[:] = s.brake
    s.action = Action.BRAKED
    trial.foresee(p, s, s.brake)
    nearest, least, stops = -1, 0.0, True
    for k in range(p.count):
        if s.others[k].present:
            s.room[k] = trial.room_to_stop(p, s, k)
            room = trial.room_to_evade(p, s, k)
            if s.room[k] < 0.0:
                stops = False
                worry(s, Worry.NEAR, k)
            if room < least:
                nearest, least = k, room
    if nearest >= 0:
        worry(s, Worry.NEAR, nearest)
        give_way(p, s, layout, program, nearest, doubtful)
    elif not doubtful and stops:
        s.holding = False
        blend(p, s)
        worry_nearest(p, s)
    elif not doubtful and brake.let_go(p, s) and trial.can_evade(p, s):
        s.chosen[:] = s.trial
        s.action = Action.TRIMMED
        brake.move_anchor(p, s)


@njit(cache=True)
def give_way(p: Any, s: Any, layout: Any, program: Any, k: int, doubtful: bool) -> None:
    """Fill `chosen` where the brake leaves no room to evade partner k: evade it now, no more than needed."""
    found = evasion.evade(p, s, layout, program, k)
    if found != evasion.Way.OUT:
        worry(s, Worry.LEANS, k)
    if found == evasion.Way.NONE:
        return
    s.action = Action.EVADED
    s.chosen[:] = s.evade
    if trial.kept(p, s, s.evade):
        s.holding = False
        if not doubtful:
            blend(p, s)
            s.action = Action.EVADED
    else:
        brake.move_anchor(p, s)


@njit(cache=True)
def blend(p: Any, s: Any) -> None:
    """Move `chosen`, which leaves room, towards what is wanted as far as that leaves room, too."""
    start, low, high = s.brake, 0.0, 1.0
    start[:] = s.chosen
    for _ in range(HALVINGS):
        share = 0.5 * (low + high)
        for i in range(3):
            s.trial[i] = start[i] + share * (s.wanted[i] - start[i])
        if trial.kept(p, s, s.trial):
            low = share
            s.chosen[:] = s.trial
        else:
            high = share
    if low > 0.0:
        s.action = Action.TRIMMED


@njit(cache=True)
def worry_nearest(p: Any, s: Any) -> None:
    """Say which partner stands against what is wanted: the one to which it leaves least room."""
    trial.foresee(p, s, s.wanted)
    nearest, least = -1, 0.0
    for k in range(p.count):
        if s.others[k].present:
            room = min(trial.room_to_stop(p, s, k), trial.room_to_evade(p, s, k))
            if room < least:
                nearest, least = k, room
    worry(s, Worry.NEAR, nearest)


@njit(cache=True)
def give(p: Any, s: Any) -> None:
    """Fill `passed`: the wrench of `chosen`, and of the asked torque what valves can surely give beside it.

    They give any force up to the least along any direction, likewise any torque, and whatever lies between the two.
    """
    own = p.vehicle
    trial.foresee(p, s, s.chosen)
    body = rotation.rotate_inverse(s.ahead.orientation, (s.chosen[0], s.chosen[1], s.chosen[2]))
    turn = rotation.times(own.inverse_inertia, (s.asked[3], s.asked[4], s.asked[5]))
    wanted, most_turn = length(turn), own.slowest_turn / own.share
    spare = max(1.0 - length(s.chosen) * own.share / (own.slowest_push + own.drift), 0.0)
    share = min(1.0, spare * most_turn / wanted) if wanted > 0.0 else 0.0
    for i in range(3):
        s.passed[i] = own.active[i] * own.mass * body[i]
        s.passed[3 + i] = own.active[3 + i] * share * s.asked[3 + i] if share > 0.0 else 0.0


@njit(cache=True)
def _judge(
    p: Any, s: Any, layout: Any, program: Any, odometry: Any, partners: Any, wrench: Any, permitted: bool
) -> None:
    """For Python: numba looks at every field of a record that Python hands over, but takes an array as it is."""
    judge(p[0], s[0], layout[0], program[0], odometry[0], partners, wrench[0], permitted)
