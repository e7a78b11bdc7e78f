"""Guidance: maneuver, odometry and disturbance in; wrench, reference and status out."""

from __future__ import annotations

import math
from typing import Any, Final, Literal

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description import rotation
from testbed.description.maneuver import Kind, Phase, Reason
from testbed.description.messages import NS_PER_S, UNKNOWN_VARIANCE
from testbed.description.ticks import schedule_due
from testbed.description.vehicle import Vehicle
from testbed.flight.guidance import authority, drift, feedback, formation, leg, memory
from testbed.flight.guidance import plan as planning
from testbed.flight.guidance.memory import Planned

POSITION_TOLERANCE: Final = 0.02
"""Position error within which a maneuver counts as settled, m."""
ATTITUDE_TOLERANCE: Final = math.radians(2.0)
"""Attitude error within which a maneuver counts as settled, rad."""
SETTLING_TIME: Final = 2 * NS_PER_S
"""How long both errors must stay within tolerance, ns."""
CORNER: Final = math.sqrt(3.0)
"""How far the corner of a deadband is from its middle, in half widths; a tolerance is that much wider."""
LOSING_FACTOR: Final = 2.0
"""A held pose counts as lost, and is settled again, when an error exceeds its tolerance by this factor."""


COUNTED: Final = 1.12
"""Gas that pulses take over what their impulse takes at nominal strength: short ones, a sagging supply, flow."""


class Guidance:
    """Flies maneuvers of one vehicle in one place.

    Without a maneuver, without a fix, and once the maneuver has expired it asks for no wrench; before the maneuver's
    start it stops and stays. A maneuver counts only if its number is larger than that of the last one.
    """

    def __init__(self, vehicle: Vehicle, place: Literal["table", "cabin"], active_axes: tuple[str, ...]) -> None:
        self.parameters = memory.parameters_of(vehicle, place, active_axes)
        self.state = np.zeros(1, memory.STATE)

    def accept_maneuver(self, maneuver: NDArray[np.void]) -> bool:
        """Take one messages.MANEUVER; False if its number is not larger than that of the last one."""
        return bool(accept_maneuver(self.parameters[0], self.state[0], maneuver[0]))

    def accept_trajectory(self, trajectory: NDArray[np.void]) -> bool:
        """Take one messages.TRAJECTORY for a maneuver of kind formation; False if it is refused or not a newer one."""
        return bool(accept_trajectory(self.parameters[0], self.state[0], trajectory[0]))

    def step(
        self,
        odometry: NDArray[np.void],
        disturbance: NDArray[np.void],
        wrench: NDArray[np.void],
        reference: NDArray[np.void],
        status: NDArray[np.void],
    ) -> None:
        """Answer one messages.ODOMETRY: fill one each of messages.WRENCH, ODOMETRY (the reference) and STATUS.

        `disturbance`: the newest estimate of the steady force that is not of the valves, one messages.WRENCH along the
        fixed axes; zero where nobody estimates it.
        """
        _step(self.parameters, self.state, odometry, disturbance, wrench, reference, status)

    def accept_goal(self, maneuver: NDArray[np.void]) -> None:
        """Fly this messages.MANEUVER of shape (1,) under the number of the present one: a goal within a manual run."""
        one = self.state[0]
        number = int(one["maneuver"]["number"])
        one["maneuver"] = maneuver[0]
        one["maneuver"]["number"] = number
        one["plan"], one["within_since"] = Planned.NOTHING, 0


@njit(cache=True)
def accept_maneuver(p: Any, s: Any, maneuver: Any) -> bool:
    """Make `maneuver` the present one, if its number is larger; whether it was taken."""
    if maneuver.number <= s.maneuver.number:
        return False
    goes_on = formation.goes_on_into(s, maneuver)
    s.maneuver = maneuver
    s.spent = 0.0
    if not goes_on:
        s.plan = Planned.NOTHING
    s.within_since = 0
    formation.forget(s, goes_on)
    return True


@njit(cache=True)
def accept_trajectory(p: Any, s: Any, trajectory: Any) -> bool:
    """Keep `trajectory` for the maneuver that it answers; whether it was taken."""
    return formation.accept(s, trajectory)


@njit(cache=True)
def step(p: Any, s: Any, odometry: Any, disturbance: Any, wrench: Any, reference: Any, status: Any) -> None:
    """Fill `wrench`, `reference` and `status` in answer to `odometry`, all stamped as it is."""
    reason = authority_to_act(s, odometry)
    wrench.stamp = odometry.stamp
    for k in range(3):
        wrench.force[k] = wrench.torque[k] = 0.0
    if reason == Reason.NONE and s.maneuver.kind == Kind.FORMATION and not formation.take_over(p, s, odometry):
        reason = Reason.NO_TRAJECTORY
    if reason == Reason.NONE or reason == Reason.NOT_STARTED or reason == Reason.NO_TRAJECTORY:
        started = reason == Reason.NONE or formation.follows_earlier(s)
        follow(p, s, odometry, disturbance, wrench, started)
    else:
        stand_by(s, odometry, reason)
    s.last_stamp = odometry.stamp
    fill_reference(s, odometry, reference)
    fill_status(p, s, odometry, formation.told(s, reason), status)


@njit(cache=True)
def authority_to_act(s: Any, odometry: Any) -> int:
    """Reason.NONE when the maneuver is to be flown, NOT_STARTED when it is waited for, else why there is no wrench."""
    if s.maneuver.number == 0 or s.maneuver.kind == Kind.NONE:
        return Reason.NO_MANEUVER
    if odometry.stamp >= s.maneuver.expiry:
        return Reason.OUT_OF_TIME
    if not odometry.pose_covariance[0, 0] < 0.5 * UNKNOWN_VARIANCE:
        return Reason.NO_FIX
    return Reason.NONE if odometry.stamp >= s.maneuver.start else Reason.NOT_STARTED


@njit(cache=True)
def stand_by(s: Any, odometry: Any, reason: int) -> None:
    """Ask for nothing; the reference is where the vehicle is. What was planned is planned anew when it goes on."""
    s.plan = Planned.NOTHING
    s.present.joined = s.next.joined = 0
    s.within_since = 0
    s.saturated = 0
    s.phase = Phase.EXPIRED if reason == Reason.OUT_OF_TIME else Phase.IDLE
    for k in range(3):
        s.motion.position[k] = odometry.position[k]
        s.motion.velocity[k] = s.motion.rate[k] = 0.0
    for k in range(4):
        s.motion.orientation[k] = odometry.orientation[k]


@njit(cache=True)
def _step(p: Any, s: Any, odometry: Any, disturbance: Any, wrench: Any, reference: Any, status: Any) -> None:
    """For Python: numba looks at every field of a record that Python hands over, but takes an array as it is."""
    step(p[0], s[0], odometry[0], disturbance[0], wrench[0], reference[0], status[0])


@njit(cache=True)
def follow(p: Any, s: Any, odometry: Any, disturbance: Any, wrench: Any, started: bool) -> None:
    """Plan if need be, find the reference, fill the wrench, and tell how far the maneuver is."""
    wanted = Planned.MANEUVER if started else Planned.WAITING
    if s.plan != wanted:
        planning.plan(p, s, odometry, disturbance, started)
        drift.forget(s)
        s.plan = wanted
    formation.look_ahead(p, s, odometry)
    time = (odometry.stamp - s.origin) / NS_PER_S
    planning.locate(s, time, s.motion)
    planning.locate(s, time + p.lead, s.pulse_start)
    planning.locate(s, time + p.lead + p.period, s.pulse_end)
    if started and s.maneuver.deadband > 0.0:
        s.short = s.maneuver.gas > 0.0 and time < s.duration and short_of_gas(s, time)
        drift.push(p, s, odometry, disturbance, wrench)
        if s.maneuver.gas > 0.0 and schedule_due(odometry.stamp, p.period_ns):
            s.spent += COUNTED * authority.flow_for(p, s, wrench) * p.period
        afforded = time >= s.duration or planning.affords_new_plan(p, s, odometry, disturbance)
        if drift.escaped(p, s) and not s.short and afforded:
            s.plan = Planned.NOTHING
    else:
        feedback.push(p, s, odometry, disturbance, wrench)
    if not started:
        s.phase = Phase.IDLE
    elif time < s.duration or formation.moves_on(s):
        s.phase = Phase.MOVING
        s.within_since = 0
    else:
        settle(p, s, odometry)


@njit(cache=True)
def short_of_gas(s: Any, time: float) -> bool:
    """Whether a move by gas has no more left than its profile takes, `time` s after it was planned.

    Not if it had too little to begin with: it is not to drift away for want of gas.
    """
    if not s.afforded:
        return False
    one = s.position_leg if s.maneuver.kind == Kind.TRANSLATE else s.attitude_leg
    gained, lost = leg.changes_left(one, time)
    return bool(s.spent + COUNTED * (s.gas_to_start * gained + s.gas_to_stop * lost) >= s.maneuver.gas)


@njit(cache=True)
def settle(p: Any, s: Any, odometry: Any) -> None:
    """Phase after the end of the profile: SETTLING until the errors have stayed small for a while, then HOLDING."""
    position, attitude = errors(p, s, odometry)
    factor = LOSING_FACTOR if s.phase == Phase.HOLDING else 1.0
    near = POSITION_TOLERANCE + CORNER * s.maneuver.deadband
    aligned = ATTITUDE_TOLERANCE + CORNER * s.maneuver.deadband_angle
    if position > factor * near or attitude > factor * aligned:
        s.within_since = 0
    elif s.within_since == 0:
        s.within_since = odometry.stamp
    settled = s.within_since > 0 and odometry.stamp - s.within_since >= SETTLING_TIME
    s.phase = Phase.HOLDING if settled else Phase.SETTLING


@njit(cache=True)
def errors(p: Any, s: Any, odometry: Any) -> tuple[float, float]:
    """Distance m and angle rad between reference and estimate, on the active axes."""
    turn = rotation.to_rotation_vector(
        rotation.multiply(rotation.conjugate(odometry.orientation), s.motion.orientation)
    )
    position, attitude = 0.0, 0.0
    for k in range(3):
        position += p.active[k] * (s.motion.position[k] - odometry.position[k]) ** 2
        attitude += p.active[3 + k] * turn[k] ** 2
    return math.sqrt(position), math.sqrt(attitude)


@njit(cache=True)
def fill_reference(s: Any, odometry: Any, reference: Any) -> None:
    """The reference as odometry: pose in the fixed frame, twist along its own axes, covariances zero."""
    reference.stamp = odometry.stamp
    velocity = rotation.rotate_inverse(s.motion.orientation, s.motion.velocity)
    for k in range(3):
        reference.position[k] = s.motion.position[k]
        reference.linear_velocity[k] = velocity[k]
        reference.angular_velocity[k] = s.motion.rate[k]
    for k in range(4):
        reference.orientation[k] = s.motion.orientation[k]
    reference.pose_covariance[:] = 0.0
    reference.twist_covariance[:] = 0.0


@njit(cache=True)
def fill_status(p: Any, s: Any, odometry: Any, reason: int, status: Any) -> None:
    """The account of the maneuver."""
    status.stamp, status.number = odometry.stamp, s.maneuver.number
    status.phase, status.reason = s.phase, reason
    status.progress = status.time_left = 0.0
    if s.plan == Planned.MANEUVER:
        time = (odometry.stamp - s.origin) / NS_PER_S
        status.progress = min(time / s.duration, 1.0) if s.duration > 0.0 else 1.0
        status.time_left = max(s.duration - time, 0.0)
    velocity = rotation.rotate(odometry.orientation, odometry.linear_velocity)
    status.stopping_time, status.stopping_distance = authority.stopping(p, s, odometry.orientation, velocity)
    status.position_error, status.attitude_error = errors(p, s, odometry)
