"""What docking knows of both vehicles, and what it remembers from step to step."""

from __future__ import annotations

import math
from enum import IntEnum
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from testbed.description.axes import axis_mask
from testbed.description.flight_limits import FlightLimits
from testbed.description.messages import MAX_PORTS, NS_PER_S
from testbed.description.vehicle import Vehicle
from testbed.flight.docking.partner import PARTNER, TRACKED
from testbed.flight.docking.relative import RELATIVE
from testbed.flight.docking.transfer import TRANSFER
from testbed.flight.guard.memory import parameters_of as guard_parameters
from testbed.flight.guidance.memory import MOTION


class Phase(IntEnum):
    """Where docking stands."""

    IDLE = 0
    GOING = 1
    """Round the partner, outside, until there is a way in."""
    ENTERING = 2
    SYNCHRONISING = 3
    """On the port's axis, turning with it, until the errors are small."""
    APPROACHING = 4
    LATCHED = 5
    """The latch holds; waiting for the pair to come to rest."""
    DOCKED = 6
    RETREATING = 7
    BACKING_OFF = 8
    """Released, going out to the standoff."""
    CLEAR = 9
    FAILED = 10


class Failure(IntEnum):
    """Why docking failed, or last retreated."""

    NONE = 0
    OUT_OF_CORRIDOR = 1
    MISSED = 2
    TOO_FAST = 3
    NOT_STEADY = 4
    PARTNER_LOST = 5
    OWN_FIX_LOST = 6
    TIMEOUT = 7
    NO_WAY_IN = 8
    LATCH_LOST = 9


PORT: Final = np.dtype([("position", "f8", (3,)), ("direction", "f8", (3,))], align=True)
"""Front of a port's tip and the unit vector that it faces, base_link."""

PARAMETERS: Final = np.dtype(
    [
        ("partner", PARTNER),
        ("partner_index", "i8"),
        ("port_count", "i8"),
        ("port", PORT, (MAX_PORTS,)),
        ("partner_port_count", "i8"),
        ("partner_port", PORT, (MAX_PORTS,)),
        ("active", "i8", (6,)),
        ("mass", "f8"),
        ("inertia", "f8", (3,)),
        ("authority", "f8", (6,)),
        ("braking", "f8"),
        ("speed", "f8"),
        ("rate", "f8"),
        ("separation", "f8"),
        ("waiting_distance", "f8"),
        ("contact_speed", "f8"),
        ("approach_speed", "f8"),
        ("slowest", "f8"),
        ("fastest", "f8"),
        ("lateral", "f8"),
        ("angle", "f8"),
        ("slip", "f8"),
        ("rate_difference", "f8"),
        ("lead", "f8"),
        ("period", "f8"),
    ],
    align=True,
)
"""partner_index: its row among those that the safety filter knows; braking: relied on by that filter, m/s²; speed m/s
and rate rad/s: of the reference at most; separation: required centre to centre, waiting_distance: of who waits outside,
m; contact_speed, approach_speed: closing at contact and at most, m/s; slowest to rate_difference: what the pair of
ports admits, m/s, m, rad, m/s, rad/s; lead, period: as in guidance's parameters."""

MOST_SAMPLES: Final = 64

STATE: Final = np.dtype(
    [
        ("phase", "i8"),
        ("since", "i8"),
        ("failure", "i8"),
        ("retreats", "i8"),
        ("engaged", "i8"),
        ("own_port", "i8"),
        ("its_port", "i8"),
        ("mated", "f8", (4,)),
        ("contact", "f8", (3,)),
        ("axis", "f8", (3,)),
        ("standoff", "f8"),
        ("tracked", TRACKED),
        ("partner", MOTION),
        ("going", MOTION),
        ("acceleration", "f8", (3,)),
        ("turning", "f8", (3,)),
        ("transfer", TRANSFER),
        ("trial", TRANSFER),
        ("relative", RELATIVE),
        ("seen", RELATIVE),
        ("own", MOTION),
        ("gap", "f8"),
        ("closing", "f8"),
        ("easing", "f8"),
        ("seen_gap", "f8"),
        ("seen_closing", "f8"),
        ("seen_lateral", "f8"),
        ("seen_angle", "f8"),
        ("seen_slip", "f8"),
        ("seen_rate", "f8"),
        ("last", "i8"),
        ("fine_since", "i8"),
        ("out_since", "i8"),
        ("lost_since", "i8"),
        ("tried", "i8"),
        ("begun", "i8"),
        ("ahead", MOTION, (MOST_SAMPLES,)),
    ],
    align=True,
)
"""phase, since when (ns); failure: the last; engaged: whether one's port is to latch. own_port, its_port: the pair;
along the partner's axes, seen from its centre of mass: mated: one's orientation when docked, contact: base_link then,
axis: that the partner's port faces along; standoff: gap of the ports there, m. partner, own: motions at the odometry's
stamp; going: reference of who waits, with its acceleration m/s² and rad/s²; transfer: what is flown, trial: on trial;
relative: working memory, seen: as the odometries have it. gap, closing: reference of the approach, m and m/s, easing
its change, m/s²; seen_*: gap and lateral distance of the ports, m, angle, speeds and rate difference. fine_since,
out_since, lost_since: since when (ns, 0: not) errors are small, the corridor is left, somebody's fix is lost; tried:
when a way in was looked for last, begun: when docking began; ahead: the partner a second apart from now on."""

SPEED_SHARE: Final = 0.85
"""Of the speed that the guard allows, for the reference; feedback and doubt take the rest."""
WAITING_ROOM: Final = 0.2
"""Farther out than the safety filter leaves a vehicle at rest alone, to come and go slowly there, m."""
ADMITTED_SHARE: Final = 0.5
"""Of what the ports admit at most, aimed at closing in."""
WANDER: Final = 1e-4
"""Random acceleration of a partner, m²/s³: 10 mm/s in a second.

Far more than one that holds its place by pulses has (2 mm/s): its estimator is late where a plume pushes it that it
knows nothing of; to smooth for longer would add to that.
"""
VELOCITY_DOUBT: Final = 0.004
"""What a partner's velocity may be wrong by beyond what it claims, for longer than its position, likewise, m/s."""
TURNING_WANDER: Final = 1e-5
"""Likewise: 0.2 degrees/s in a second, rad²/s³."""
LASTING: Final = 0.5
"""An estimator with four fixes a second is wrong the same way for about two of them, s."""
CONTACT_SPEED: Final = 0.022
APPROACH_SPEED: Final = 0.040
"""Closing speeds wanted at contact, and at most on the way there, m/s."""


def parameters_of(
    vehicle: Vehicle,
    partner: Vehicle,
    place: Literal["table", "cabin"],
    active_axes: tuple[str, ...],
    authority: NDArray[np.float64],
    speed: float,
    separation: float,
    kept_standing: float,
    partner_index: int = 0,
) -> NDArray[np.void]:
    """PARAMETERS of `vehicle` docking to `partner`, both as they are believed to be.

    authority: of the single axes, (6,) N and N·m, as guidance knows it; speed: that the guard allows, m/s; separation:
    required, kept_standing: at which the safety filter leaves both alone, centre to centre, m.
    """
    parameters = np.zeros(1, PARAMETERS)
    p = parameters[0]
    p["partner"] = _partner(partner, place, active_axes)
    p["partner_index"] = partner_index
    for one, name in ((vehicle, "port"), (partner, "partner_port")):
        p[f"{name}_count"] = len(one.ports)
        for k, port in enumerate(one.ports):
            p[name][k]["position"] = port.place(place)
            p[name][k]["direction"] = np.array(port.direction) / np.linalg.norm(port.direction)
    own = vehicle.mass_properties(place)
    p["active"], p["mass"] = axis_mask(active_axes), own.mass
    p["inertia"], p["authority"] = np.diag(own.inertia_tensor()), authority
    p["braking"] = guard_parameters(vehicle, place, active_axes, FlightLimits.of(vehicle, place))[0]["slowest_push"]
    p["speed"], p["rate"] = SPEED_SHARE * speed, math.radians(0.8 * vehicle.limits.rate_deg)
    p["separation"], p["waiting_distance"] = separation, kept_standing + WAITING_ROOM
    both = [port.admittance for one in (vehicle, partner) for port in one.ports]
    p["slowest"] = max(one.slowest_closing for one in both)
    p["fastest"] = min(one.fastest_closing for one in both)
    p["lateral"], p["slip"] = min(one.lateral for one in both), min(one.slip for one in both)
    p["angle"] = math.radians(min(one.angle_deg for one in both))
    p["rate_difference"] = math.radians(min(one.rate_difference_deg for one in both))
    p["contact_speed"] = min(max(CONTACT_SPEED, 2.0 * p["slowest"]), ADMITTED_SHARE * p["fastest"])
    p["approach_speed"] = max(APPROACH_SPEED, p["contact_speed"])
    p["lead"] = round(vehicle.thrusters.schedule_lead * NS_PER_S) / NS_PER_S
    p["period"] = round(vehicle.thrusters.modulation_period * NS_PER_S) / NS_PER_S
    return parameters


def _partner(partner: Vehicle, place: Literal["table", "cabin"], active_axes: tuple[str, ...]) -> np.void:
    q = np.zeros(1, PARTNER)[0]
    properties = partner.mass_properties(place)
    q["centre_of_mass"], q["inertia"] = properties.centre_of_mass, properties.inertia_tensor()
    q["inverse_inertia"] = np.linalg.inv(q["inertia"])
    q["active"] = axis_mask(active_axes)
    q["wander"], q["turning_wander"], q["lasting"] = WANDER, TURNING_WANDER, LASTING
    q["velocity_doubt"] = VELOCITY_DOUBT
    return q
