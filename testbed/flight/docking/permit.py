"""The docking permit that the safety filters of both need, or they would keep the pair apart.

A filter's corridor holds what may happen until a stop, with all stated errors: 16 mm and 8 mm/s of both, and half a
second of any acceleration, are 50 mm; and who turns with the partner at 6 degrees/s and 0.6 m would stop 0.15 m aside.
So the permit is a wide cone, in which no minimum is left and the closing speed is bounded; that the ports meet is the
business of the narrow corridor of approach.py.
"""

from __future__ import annotations

import math
from typing import Any, Final

from numba import njit

from testbed.description import rotation
from testbed.description.rotation import Vector3

DEPTH: Final = 0.10
"""The apex lies so far behind where the vehicle is when docked, as its position is not known to the millimetre, m."""
HALF_WIDTH: Final = 0.25
SPREAD: Final = 0.7
"""Of the corridor: at its apex, m, and per metre from there on."""
LENGTH: Final = 1.5
"""Of the corridor, m."""
NO_MINIMUM: Final = -1.0
"""Less than any margin that the filter keeps on top, m: what is near is for the corridor and the speed to bound."""
SPEED: Final = 0.04
SPEED_PER_METRE: Final = 0.1
"""Closing at the apex at most, m/s, and more per metre from there on, 1/s."""
DOUBT: Final = 0.07
"""What the filter may doubt of both places, and of the partner's attitude until a wrench has acted, m."""


@njit(cache=True)
def fill(p: Any, s: Any, permit: Any, partner: int, own_frame: int) -> None:
    """Fill a separation.PERMIT for the pair; own_frame: for the filter of who is docked to; partner: its row there."""
    permit.partner, permit.own_frame = partner, own_frame
    for k in range(3):
        permit.axis[k] = s.axis[k]
        permit.apex[k] = s.contact[k] + p.partner.centre_of_mass[k] * p.active[k] - DEPTH * s.axis[k]
    permit.half_width, permit.spread, permit.length = HALF_WIDTH, SPREAD, LENGTH
    permit.minimum, permit.speed, permit.speed_per_metre = NO_MINIMUM, SPEED, SPEED_PER_METRE


@njit(cache=True)
def inside(p: Any, s: Any, partner: Any, place: Vector3, velocity: Vector3) -> bool:
    """Whether who is at `place` (partner's axes) with `velocity` (fixed frame) is within the permit for certain.

    It is to be so at the stop as well, and slow enough; as the safety filter judges it.
    """
    along, off = from_axis(s, place)
    drift = velocity[0] - partner.velocity[0], velocity[1] - partner.velocity[1], velocity[2] - partner.velocity[2]
    moving = rotation.rotate_inverse(partner.orientation, drift)
    v = rotation.rotate_inverse(partner.orientation, velocity)
    speed = math.sqrt(v[0] ** 2 + v[1] ** 2 + v[2] ** 2)
    way = speed / (2.0 * p.braking)
    stop, stop_off = from_axis(s, (place[0] + way * v[0], place[1] + way * v[1], place[2] + way * v[2]))
    closing = -(moving[0] * s.axis[0] + moving[1] * s.axis[1] + moving[2] * s.axis[2])
    return bool(
        0.0 <= along <= LENGTH
        and off + DOUBT <= HALF_WIDTH + SPREAD * along
        and stop_off + DOUBT <= HALF_WIDTH + SPREAD * max(stop, 0.0)
        and closing <= SPEED + SPEED_PER_METRE * along
    )


@njit(cache=True)
def from_axis(s: Any, place: Vector3) -> tuple[float, float]:
    """Distance m along the corridor's axis from its apex, and off that axis."""
    along, square = DEPTH, 0.0
    for k in range(3):
        along += (place[k] - s.contact[k]) * s.axis[k]
        square += (place[k] - s.contact[k]) ** 2
    return along, math.sqrt(max(square - (along - DEPTH) ** 2, 0.0))
