"""Docking: both odometries and the port's state in; a reference for guidance's feedback and a permit out."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.messages import NS_PER_S, UNKNOWN_VARIANCE
from testbed.description.vehicle import Vehicle
from testbed.flight.docking import entry, memory, permit, phases, ports
from testbed.flight.docking import partner as tracking
from testbed.flight.docking.memory import Failure, Phase
from testbed.flight.guard.outlook import length
from testbed.flight.guidance import feedback, joining
from testbed.flight.guidance.memory import parameters_of as guidance_parameters


class Docking:
    """Docks one vehicle to a partner in one place.

    speed: that the guard allows, m/s; separation, kept_standing: centre to centre, m; see memory.parameters_of.
    """

    def __init__(
        self,
        vehicle: Vehicle,
        partner: Vehicle,
        place: Literal["table", "cabin"],
        active_axes: tuple[str, ...],
        speed: float,
        separation: float,
        kept_standing: float,
        partner_index: int = 0,
    ) -> None:
        authority = guidance_parameters(vehicle, place, active_axes)[0]["authority"]
        self.parameters = memory.parameters_of(
            vehicle, partner, place, active_axes, authority, speed, separation, kept_standing, partner_index
        )
        self.state = np.zeros(1, memory.STATE)

    @property
    def phase(self) -> Phase:
        """Where it stands."""
        return Phase(self.state[0]["phase"])

    @property
    def failure(self) -> Failure:
        """Why it failed, or last retreated."""
        return Failure(self.state[0]["failure"])

    def begin(self) -> None:
        """Dock, from the next step on."""
        self.state[0]["phase"], self.state[0]["begun"] = Phase.IDLE, -1

    def release(self, stamp: int) -> None:
        """Let go of the partner and back off, from the next step on; `stamp` ns: of the last."""
        _release(self.parameters, self.state, stamp)

    def step(
        self,
        guidance: NDArray[np.void],
        guidance_state: NDArray[np.void],
        odometry: NDArray[np.void],
        partner: NDArray[np.void],
        latched: bool,
        disturbance: NDArray[np.void],
        wrench: NDArray[np.void],
    ) -> None:
        """Answer one messages.ODOMETRY of its own, with the newest of the partner: fill one messages.WRENCH.

        guidance, guidance_state: guidance's PARAMETERS and STATE, whose feedback is used; latched: as port/state says.
        """
        _step(self.parameters, self.state, guidance, guidance_state, odometry, partner, latched, disturbance, wrench)


@njit(cache=True)
def step(
    p: Any,
    s: Any,
    guide: Any,
    guide_state: Any,
    odometry: Any,
    partner: Any,
    latched: bool,
    disturbance: Any,
    wrench: Any,
) -> None:
    """See Docking.step."""
    wrench.stamp = odometry.stamp
    for k in range(3):
        wrench.force[k] = wrench.torque[k] = 0.0
    tracking.hear(p.partner, s.tracked, partner)
    sure = odometry.pose_covariance[0, 0] < 0.5 * UNKNOWN_VARIANCE
    if not sure or s.tracked.stamp == 0:
        s.lost_since = s.lost_since if s.lost_since else odometry.stamp
        guide_state.last_stamp = s.last = odometry.stamp
        return
    see(p, s, guide, odometry)
    after_loss(p, s, odometry.stamp)
    age = (odometry.stamp - s.tracked.stamp) / NS_PER_S
    phases.advance(p, s, odometry.stamp, latched, age)
    s.last = odometry.stamp
    if s.phase == Phase.IDLE or s.phase == Phase.LATCHED or s.phase == Phase.DOCKED:
        guide_state.last_stamp = odometry.stamp
        return
    phases.reference(p, s, odometry.stamp, 0.0, guide_state.motion)
    phases.reference(p, s, odometry.stamp, p.lead, guide_state.pulse_start)
    phases.reference(p, s, odometry.stamp, p.lead + p.period, guide_state.pulse_end)
    for k in range(3):
        if not p.active[k]:
            guide_state.motion.position[k] = odometry.position[k]
    feedback.push(guide, guide_state, odometry, disturbance, wrench)
    guide_state.last_stamp = odometry.stamp


@njit(cache=True)
def see(p: Any, s: Any, guide: Any, odometry: Any) -> None:
    """Fill `own`, `partner` and what is seen of both at the odometry's stamp; begin if that is asked."""
    joining.read_motion(guide, odometry, s.own)
    tracking.foresee(p.partner, s.tracked, (odometry.stamp - s.tracked.stamp) / NS_PER_S, s.partner)
    if s.begun < 0:
        ports.choose(p, s)
        phases.begin(s, odometry.stamp)
    if s.begun > 0:
        ports.look(p, s)


@njit(cache=True)
def after_loss(p: Any, s: Any, stamp: int) -> None:
    """Whose fix has come back retreats if it was near, and starts anew from where it is if it was not."""
    if s.lost_since == 0:
        return
    s.lost_since = 0
    if s.phase == Phase.APPROACHING or s.phase == Phase.SYNCHRONISING:
        phases.retreat(p, s, Failure.OWN_FIX_LOST, stamp)
    elif s.phase == Phase.ENTERING or s.phase == Phase.RETREATING or s.phase == Phase.BACKING_OFF:
        phases.fail(s, Failure.OWN_FIX_LOST, stamp)


@njit(cache=True)
def release(p: Any, s: Any, stamp: int) -> None:
    """Let go of the partner and back off, from the next step on."""
    phases.release(p, s, stamp)


@njit(cache=True)
def grant(p: Any, s: Any, granted: Any, partner: int, own_frame: int) -> None:
    """Fill a separation.PERMIT: the one that docking needs, or none while it does not."""
    near = s.phase >= Phase.ENTERING and s.phase < Phase.CLEAR
    if s.phase == Phase.CLEAR or s.phase == Phase.FAILED:
        near = length(s.seen.place) < p.waiting_distance - entry.FREE
    if near:
        permit.fill(p, s, granted, partner, own_frame)
    else:
        granted.partner = -1


@njit(cache=True)
def _step(
    p: Any,
    s: Any,
    guide: Any,
    guide_state: Any,
    odometry: Any,
    partner: Any,
    latched: bool,
    disturbance: Any,
    wrench: Any,
) -> None:
    """For Python: numba looks at every field of a record that Python hands over, but takes an array as it is."""
    step(p[0], s[0], guide[0], guide_state[0], odometry[0], partner[0], latched, disturbance[0], wrench[0])


@njit(cache=True)
def _release(p: Any, s: Any, stamp: int) -> None:
    release(p[0], s[0], stamp)
