"""What the filter knows of its vehicle and of its partners, and what it remembers from step to step."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from testbed.description.flight_limits import FlightLimits
from testbed.description.messages import NS_PER_S
from testbed.description.vehicle import Vehicle
from testbed.flight.guard import memory as guard_memory
from testbed.flight.separation.worry import NEWS, Worry

MAX_PARTNERS: Final = 7
OLDEST: Final = 0.2
"""Age s up to which a partner's odometry is taken to be new."""
EVADE_COSINE: Final = 0.98
"""Least share of a push along the measured line of sight that counts along the true one: 11 degrees.

Position errors of 16 mm at half a metre are 2 degrees, and the line turns by 3 at 0.2 m/s within the reaction time.
"""
ASIDE: Final = 0.07
"""Share by which a force may point aside: valves that differ by 5 % and push against each other to give it."""
MOST_STIFFNESS: Final = 2.0
"""Speed per distance from the place to be held, 1/s: a period and its wait must be short beside its inverse."""
DEADBAND: Final = 0.25
"""Share of what the speed may be wrong by for which a hold does not fire."""
MOST_NEWS: Final = 2 * len(Worry)

PARTNER: Final = np.dtype(
    [
        ("minimum", "f8"),
        ("braking", "f8"),
        ("thrust", "f8"),
        ("stray", "f8"),
        ("outrun", "f8"),
        ("position_error", "f8"),
        ("velocity_error", "f8"),
        ("reaction", "f8"),
        ("aside", "f8"),
        ("hold", "f8"),
        ("keep", "f8"),
    ],
    align=True,
)
"""minimum: separation required, m; braking: deceleration that its filter relies on, thrust: no valves give more (with
what pulls), stray: once it does not cooperate, outrun: by what either of the two outruns the other then, m/s²;
reaction: from its decision until that wrench has acted, s; aside: share by which its brake may point aside; hold: how
far it may stray from the place it holds, keep: separation at which the filter sets out to keep it, m."""

PERMIT: Final = np.dtype(
    [
        ("partner", "i8"),
        ("own_frame", "i8"),
        ("apex", "f8", (3,)),
        ("axis", "f8", (3,)),
        ("half_width", "f8"),
        ("spread", "f8"),
        ("length", "f8"),
        ("minimum", "f8"),
        ("speed", "f8"),
        ("speed_per_metre", "f8"),
    ],
    align=True,
)
"""A docking permit for the pair with `partner` (-1: none). The corridor is a cone along `axis` (a unit vector) from
`apex`, in the partner's base_link (own_frame: in one's own, for who is docked to): at the distance x along the axis it
is half_width + spread·x wide, up to x = length, m. Within it, closing no faster than speed + speed_per_metre·x, the
pair's minimum is `minimum`."""

PARAMETERS: Final = np.dtype(
    [
        ("vehicle", guard_memory.PARAMETERS),
        ("braking", "f8"),
        ("thrust", "f8"),
        ("spread", "f8"),
        ("aside", "f8"),
        ("position_error", "f8"),
        ("velocity_error", "f8"),
        ("stiffness", "f8"),
        ("deadband", "f8"),
        ("hold_speed", "f8"),
        ("hold", "f8"),
        ("oldest", "i8"),
        ("count", "i8"),
        ("partners", PARTNER, (MAX_PARTNERS,)),
    ],
    align=True,
)
"""vehicle: as the guard knows it; braking: deceleration relied on in any direction, thrust: no valves give more, m/s²;
spread: share by which an acceleration may differ from the believed one, aside: across it; *_error: stated bounds, m and
m/s; stiffness 1/s, deadband m/s, hold_speed m/s and hold m: of the place that is held; oldest ns; count of partners."""

OTHER: Final = np.dtype(
    [
        ("present", "i8"),
        ("now", "f8", (3,)),
        ("velocity", "f8", (3,)),
        ("orientation", "f8", (4,)),
        ("ahead", "f8", (3,)),
        ("stop", "f8", (3,)),
        ("doubt_now", "f8"),
        ("doubt", "f8"),
        ("doubt_speed", "f8"),
        ("reach", "f8"),
        ("first_stamp", "i8"),
        ("first_position", "f8", (3,)),
        ("first_velocity", "f8", (3,)),
    ],
    align=True,
)
"""A partner as it may be. now: position when the wrench was asked for, ahead: when it has acted, at the measured
velocity; stop: where it then stops; doubt_now, doubt: how wrong `now` and `ahead` may be, reach: everything up to the
stop and while it holds there, m; doubt_speed: of the velocity then, m/s. first_*: of the odometry it is compared with.
"""

STATE: Final = np.dtype(
    [
        ("ahead", guard_memory.STATE),
        ("asked", "f8", (6,)),
        ("passed", "f8", (6,)),
        ("action", "i8"),
        ("holding", "i8"),
        ("anchor", "f8", (3,)),
        ("doubt", "f8"),
        ("doubt_speed", "f8"),
        ("wanted", "f8", (3,)),
        ("brake", "f8", (3,)),
        ("evade", "f8", (3,)),
        ("trial", "f8", (3,)),
        ("chosen", "f8", (3,)),
        ("away", "f8", (3,)),
        ("room", "f8", (MAX_PARTNERS,)),
        ("end", "f8", (3,)),
        ("pace", "f8", (3,)),
        ("stop", "f8", (3,)),
        ("end_doubt", "f8"),
        ("pace_doubt", "f8"),
        ("reach", "f8"),
        ("others", OTHER, (MAX_PARTNERS,)),
        ("permit", PERMIT),
        ("now", "i8", (len(Worry),)),
        ("about", "i8", (len(Worry),)),
        ("told", "i8", (len(Worry),)),
        ("since", "i8", (len(Worry),)),
        ("last", "i8", (len(Worry),)),
        ("news_count", "i8"),
        ("news", NEWS, (MOST_NEWS,)),
    ],
    align=True,
)
"""ahead: the guard's outlook, to where the wrench begins to act; asked, passed: the wrench that came in and the one
that goes on. holding, anchor: whether the place `anchor` is held, m. doubt, doubt_speed: of position m and velocity
m/s when the wrench begins to act. Accelerations in the fixed frame, m/s²: wanted: what the asked wrench gives, brake,
evade, trial: on trial, chosen; away: a direction. room: to stop beside each partner after the brake, m.

Of the acceleration on trial: end, pace: position and velocity when it has acted; stop: where a brake ends from there;
end_doubt, pace_doubt, reach as for OTHER. By worry: now: Action on it; about: partner or -1; told, since, last, news:
as the guard's.
"""


@dataclass(frozen=True)
class Partner:
    """A partner as it is believed to be: `minimum` m centre to centre, its stated errors m and m/s.

    stray: acceleration m/s² that it may have if it does not cooperate, beside what pulls on every body of the place;
    usable: share of the time that quiet windows leave to its valves.
    """

    vehicle: Vehicle
    minimum: float
    position_error: float
    velocity_error: float
    stray: float = 0.0
    usable: float = 1.0


@dataclass(frozen=True)
class Company:
    """The partners of a vehicle, and what they are told of it: stated errors m and m/s, and `stray` as in `Partner`."""

    partners: tuple[Partner, ...]
    position_error: float
    velocity_error: float
    stray: float = 0.0


def parameters_of(
    vehicle: Vehicle,
    place: Literal["table", "cabin"],
    active_axes: tuple[str, ...],
    partners: Sequence[Partner],
    position_error: float,
    velocity_error: float,
    stray: float = 0.0,
    limits: FlightLimits | None = None,
    usable: float = 1.0,
) -> NDArray[np.void]:
    """PARAMETERS of a vehicle among `partners`; errors: stated bounds of the estimate, m and m/s.

    stray, usable: what its partners are told of it, as in `Partner`: it then leaves them the room that they need.

    Raises ValueError where a partner's stray is more than the vehicle can outrun, or there are too many partners.
    """
    if len(partners) > MAX_PARTNERS:
        raise ValueError(f"{len(partners)} partners, where a filter knows {MAX_PARTNERS} at most")
    parameters = np.zeros(1, PARAMETERS)
    p = parameters[0]
    own = guard_memory.parameters_of(vehicle, place, active_axes, limits or FlightLimits.of(vehicle, place), usable)[0]
    p["vehicle"] = own
    p["braking"], p["thrust"] = own["slowest_push"], _thrust(own)
    p["aside"] = _aside(own)
    p["spread"] = 1.0 - own["share"] + p["aside"]
    p["position_error"], p["velocity_error"] = position_error + 2.0 * _arm(own), velocity_error
    p["stiffness"], p["deadband"], p["hold_speed"], p["hold"] = holding_of(own, position_error, velocity_error)
    p["oldest"], p["count"] = round(OLDEST * NS_PER_S), len(partners)
    for k, partner in enumerate(partners):
        p["partners"][k] = _partner(p, partner, place, active_axes, stray + own["drift"])
    return parameters


def holding_of(own: np.void, position_error: float, velocity_error: float) -> tuple[float, float, float, float]:
    """Stiffness 1/s, deadband and largest speed m/s of holding a place, and how far from it the vehicle may get, m.

    The speed is set to -stiffness times the measured distance, so it is wrong by w = velocity_error + stiffness ·
    position_error, deadband and one pulse at most. The distance is then w/stiffness, or w²/(2·braking) where errors
    that change turn it round at full speed; and one period more. The stiffness makes both the same.
    """
    braking = float(own["slowest_push"])
    root = math.sqrt(velocity_error**2 + 8.0 * braking * position_error)
    stiffness = min((root - velocity_error) / (2.0 * position_error), MOST_STIFFNESS)
    wait = _reaction(own)
    wrong = velocity_error + stiffness * position_error
    deadband = DEADBAND * wrong
    wrong += deadband + float(own["still_speed"] + own["drift"] * wait)
    distance = max(wrong / stiffness, 0.5 * wrong**2 / braking)
    return stiffness, deadband, wrong, distance + wrong * wait + 0.5 * braking * wait**2


def _partner(
    p: np.void, partner: Partner, place: Literal["table", "cabin"], active_axes: tuple[str, ...], own_stray: float
) -> np.void:
    """PARTNER as seen from a vehicle whose own parameters are filled in.

    What of it is about the pair comes out the same for both.
    """
    limits = FlightLimits.of(partner.vehicle, place)
    its = guard_memory.parameters_of(partner.vehicle, place, active_axes, limits, partner.usable)[0]
    q = np.zeros(1, PARTNER)[0]
    q["minimum"], q["braking"] = partner.minimum, its["slowest_push"]
    q["thrust"] = _thrust(its)
    q["stray"] = partner.stray + its["drift"]
    q["outrun"] = min(EVADE_COSINE * p["braking"] - q["stray"], EVADE_COSINE * q["braking"] - own_stray)
    if q["outrun"] <= 0.0:
        raise ValueError(f"a stray of {q['stray']:.4f} or {own_stray:.4f} m/s² is more than its partner can outrun")
    q["position_error"] = partner.position_error + 2.0 * _arm(its)
    q["velocity_error"] = partner.velocity_error
    q["reaction"] = _reaction(its)
    q["aside"] = _aside(its)
    q["hold"] = holding_of(its, partner.position_error, partner.velocity_error)[3]
    faster, surer = max(p["thrust"], q["thrust"]), max(p["velocity_error"], q["velocity_error"])
    seen = p["position_error"] + q["position_error"] + surer * OLDEST + 0.5 * faster * OLDEST**2
    falls = 2.0 * (p["velocity_error"] + q["velocity_error"] + faster * OLDEST)
    period = max(p["vehicle"]["period"], its["period"])
    q["keep"] = partner.minimum + 2.0 * seen + falls * period + (p["thrust"] + q["thrust"]) * period**2
    return q


def _reaction(own: np.void) -> float:
    """From a decision until its wrench has acted, s."""
    return float((own["lead"] + own["delay"]) / NS_PER_S + own["period"])


def _thrust(own: np.void) -> float:
    """No valves give more, with what pulls, m/s²."""
    return float(own["most_force"] / own["mass"] + own["drift"])


def _aside(own: np.void) -> float:
    """Share by which a force may point aside: as it is given, and as the vehicle turns until it has acted."""
    return float(ASIDE + own["spin"] * _reaction(own))


def _arm(own: np.void) -> float:
    """Distance m from the geometric centre to the centre of mass, as far as turning can show it."""
    turning = own["active"][:3] * own["centre_of_mass"]
    return float(np.linalg.norm(turning))
