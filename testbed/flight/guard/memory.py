"""What the guard knows of its vehicle and what it remembers from step to step."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from testbed.description.axes import axis_mask
from testbed.description.flight_limits import FlightLimits
from testbed.description.messages import NS_PER_S
from testbed.description.vehicle import Vehicle
from testbed.flight.allocation import Allocation
from testbed.flight.guard.objection import VERDICT, Objection

ABSURD_MULTIPLE: Final = 20.0
"""A force (torque) beyond this many times the largest that the valves give along any axis is refused.

Feedback may well ask for a few times the authority, where it is only scaled down; 20 times is a fault in what asks.
"""
SURE_SHARE: Final = 0.9
"""Of the thrust that is left at the largest sag: spread of the nozzles and of the mass, each about 5 %."""
DRIFT: Final = {"table": 2.0e-3, "cabin": 4.0e-4}
"""Acceleration that may pull against a brake, m/s²: a slope of 0.2 mrad; the orbit's frame at 0.1 m/s and 1 m off."""
LEAST_BRAKING: Final = 1e-6
"""Braking that is reckoned with where there is none to be relied on, m/s² or rad/s²."""
DIRECTIONS: Final = 240
"""Directions in which the braking is looked up beforehand."""
MOST_NEWS: Final = 2 * len(Objection)

PARAMETERS: Final = np.dtype(
    [
        ("active", "f8", (6,)),
        ("mass", "f8"),
        ("inertia", "f8", (3, 3)),
        ("inverse_inertia", "f8", (3, 3)),
        ("centre_of_mass", "f8", (3,)),
        ("absurd_force", "f8"),
        ("absurd_torque", "f8"),
        ("most_force", "f8"),
        ("most_torque", "f8"),
        ("share", "f8"),
        ("drift", "f8"),
        ("slowest_push", "f8"),
        ("slowest_turn", "f8"),
        ("still_speed", "f8"),
        ("still_spin", "f8"),
        ("speed", "f8"),
        ("contact_speed", "f8"),
        ("spin", "f8"),
        ("low", "f8", (3,)),
        ("high", "f8", (3,)),
        ("lead", "i8"),
        ("delay", "i8"),
        ("period", "f8"),
    ],
    align=True,
)
"""most_*: no valves give more, N and N·m; slowest_*: braking to be relied on in any direction, m/s² and rad/s², from
`share` of the authority less `drift`; still_*: what one pulse gives; contact_speed: of the largest contact energy;
low, high: corners of the work area; lead ns: wrench to schedule, delay ns: from there to thrust; period s."""

STATE: Final = np.dtype(
    [
        ("asked", "f8", (6,)),
        ("passed", "f8", (6,)),
        ("action", "i8"),
        ("braking", "i8"),
        ("coming", "f8", (6,)),
        ("orientation", "f8", (4,)),
        ("position", "f8", (3,)),
        ("velocity", "f8", (3,)),
        ("rate", "f8", (3,)),
        ("coasted", "f8", (3,)),
        ("later", "f8", (3,)),
        ("later_rate", "f8", (3,)),
        ("doubt", "f8", (3,)),
        ("doubt_growth", "f8"),
        ("way_back", "f8"),
        ("wait", "f8"),
        ("speed_limit", "f8"),
        ("spin_limit", "f8"),
        ("bounded", "i8"),
        ("now", "i8", (len(Objection),)),
        ("told", "i8", (len(Objection),)),
        ("since", "i8", (len(Objection),)),
        ("last", "i8", (len(Objection),)),
        ("refused", "i8", (len(Objection),)),
        ("news_count", "i8"),
        ("news", VERDICT, (MOST_NEWS,)),
    ],
    align=True,
)
"""asked, passed: the wrench that came in and the one that goes on; braking: whether the brake stays on until the
vehicle stands. coming: impulse that earlier schedules still give before the wrench acts, N·s and N·m·s, base_link.

When the wrench begins to act: orientation, position of base_link, velocity of the centre of mass (fixed frame), rate
(base_link); coasted: what the rate would be a period later by itself; later, later_rate: at the end of its period.
doubt: how wrong the position may be, m, and by how much more for every second; way_back: speed inward that is enough
where the edge may have been passed, m/s; wait: from the odometry until then, s; bounded: whether the position is known.
By objection: now: Action in answer to the last wrench; told: strongest Action since it began; since, last: first and
last wrench that met it, ns (0: none); refused: how many wrenches. news: what has begun or is over with this wrench.
"""


def parameters_of(
    vehicle: Vehicle,
    place: Literal["table", "cabin"],
    active_axes: tuple[str, ...],
    limits: FlightLimits,
    usable: float = 1.0,
) -> NDArray[np.void]:
    """PARAMETERS of a vehicle as it is believed to be; usable: share of the time that quiet windows leave to it."""
    parameters = np.zeros(1, PARAMETERS)
    p = parameters[0]
    properties, thrusters = vehicle.mass_properties(place), vehicle.thrusters
    matrix = thrusters.wrench_matrix(properties.centre_of_mass)
    largest = np.maximum(matrix.clip(min=0.0).sum(axis=1), (-matrix).clip(min=0.0).sum(axis=1))
    p["active"] = axis_mask(active_axes)
    p["mass"], p["inertia"] = properties.mass, properties.inertia_tensor()
    p["inverse_inertia"] = np.linalg.inv(p["inertia"])
    p["centre_of_mass"] = properties.centre_of_mass
    p["absurd_force"] = ABSURD_MULTIPLE * largest[:3].max()
    p["absurd_torque"] = ABSURD_MULTIPLE * largest[3:].max()
    p["most_force"], p["most_torque"] = np.linalg.norm(largest[:3]), np.linalg.norm(largest[3:])
    sure = (1.0 - thrusters.maximum_sag) * SURE_SHARE * usable
    _fill_braking(p, Allocation(vehicle, place, active_axes), sure, DRIFT[place])
    pulse = thrusters.minimum_on * np.abs(matrix).sum(axis=1)
    p["still_speed"] = np.linalg.norm(pulse[:3]) / properties.mass
    p["still_spin"] = np.linalg.norm(p["inverse_inertia"] @ pulse[3:])
    p["speed"], p["spin"] = limits.speed, limits.spin
    p["contact_speed"] = math.sqrt(2.0 * limits.contact_energy / properties.mass)
    p["low"], p["high"] = limits.work_area
    opened = thrusters.opening_delay + 0.5 * thrusters.rise_time
    closed = thrusters.closing_delay + 0.5 * thrusters.fall_time
    p["lead"], p["delay"] = (round(time * NS_PER_S) for time in (thrusters.schedule_lead, 0.5 * (opened + closed)))
    p["period"] = round(thrusters.modulation_period * NS_PER_S) / NS_PER_S
    return parameters


def _fill_braking(p: np.void, layout: Allocation, share: float, drift: float) -> None:
    """What a brake can be relied on for whatever the attitude."""
    p["share"], p["drift"] = share, drift
    push = _least(layout, p["active"][:3], np.vstack([p["mass"] * np.eye(3), np.zeros((3, 3))]))
    turn = _least(layout, p["active"][3:], np.vstack([np.zeros((3, 3)), p["inertia"]]))
    p["slowest_push"] = max(share * push - drift, LEAST_BRAKING)
    p["slowest_turn"] = max(share * turn, LEAST_BRAKING)


def _least(layout: Allocation, active: NDArray[np.float64], effort: NDArray[np.float64]) -> float:
    """Least acceleration along any direction within the active axes; `effort` (6, 3): wrench of a unit acceleration.

    What the valves give is convex, so between directions `spacing` apart it may be less by no more than the cosine.
    """
    free = np.flatnonzero(active)
    directions: Sequence[NDArray[Any]]
    if len(free) == 1:
        directions, spacing = [np.array([1.0]), np.array([-1.0])], 0.0
    elif len(free) == 2:
        angles = 2.0 * np.pi * np.arange(DIRECTIONS) / DIRECTIONS
        directions, spacing = [np.array([np.cos(a), np.sin(a)]) for a in angles], np.pi / DIRECTIONS
    else:  # a spiral of Fibonacci over the sphere: no point is further from its neighbours than about twice the mean
        k = np.arange(DIRECTIONS) + 0.5
        height, turned = 1.0 - 2.0 * k / DIRECTIONS, np.pi * (1.0 + math.sqrt(5.0)) * k
        radius = np.sqrt(1.0 - height**2)
        directions = list(np.array([radius * np.cos(turned), radius * np.sin(turned), height]).T)
        spacing = math.sqrt(4.0 * np.pi / DIRECTIONS)
    return math.cos(spacing) * layout.least_authority(np.array(directions) @ effort[:, free].T)
