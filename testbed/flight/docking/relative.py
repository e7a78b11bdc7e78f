"""Motion relative to the partner, along its own turning axes, and back.

With the partner's centre of mass at X, its orientation R and its rate w (own axes), a point at r along its axes has

    x = X + R r,   v = V + R (r' + w×r),   a = A + R (r'' + 2 w×r' + w×(w×r) + w'×r)

(Coriolis, centripetal and Euler terms; any text on mechanics). The attitude is that of the docked vehicle, turned on by
a rotation vector along its own axes.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numba import njit

from testbed.description import rotation
from testbed.description.rotation import Tuple3, Vector3

RELATIVE: Final = np.dtype(
    [
        ("place", "f8", (3,)),
        ("speed", "f8", (3,)),
        ("turn", "f8", (3,)),
        ("turning", "f8", (3,)),
    ],
    align=True,
)
"""place m and speed m/s of base_link along the partner's axes, seen from its centre of mass by who turns with it; turn
rad: rotation vector from the docked attitude on, along base_link axes, and its change per second."""


@njit(cache=True)
def compose(partner: Any, mated: Any, relative: Any, motion: Any) -> None:
    """Fill `motion` of base_link from that of the partner's centre of mass; mated: orientation docked, its axes."""
    w, q, r = partner.rate, motion.orientation, relative.place
    swing = rotation.cross(w, r)
    v = relative.speed
    place = rotation.rotate(partner.orientation, r)
    speed = rotation.rotate(partner.orientation, (v[0] + swing[0], v[1] + swing[1], v[2] + swing[2]))
    turn = rotation.from_rotation_vector(relative.turn)
    q[0], q[1], q[2], q[3] = rotation.normalise(rotation.multiply(rotation.multiply(partner.orientation, mated), turn))
    carried = rotation.rotate_inverse(turn, rotation.rotate_inverse(mated, w))
    own = rotation.rate_of(relative.turn, relative.turning)
    for k in range(3):
        motion.position[k] = partner.position[k] + place[k]
        motion.velocity[k] = partner.velocity[k] + speed[k]
        motion.rate[k] = carried[k] + own[k]


@njit(cache=True)
def separate(partner: Any, mated: Any, motion: Any, active: Any, relative: Any) -> None:
    """Fill `relative` from both motions; the reverse of compose, along the axes that are free."""
    x, v = motion.position, motion.velocity
    y, u = partner.position, partner.velocity
    relative.place[:] = rotation.rotate_inverse(
        partner.orientation,
        (active[0] * (x[0] - y[0]), active[1] * (x[1] - y[1]), active[2] * (x[2] - y[2])),
    )
    speed = rotation.rotate_inverse(
        partner.orientation,
        (active[0] * (v[0] - u[0]), active[1] * (v[1] - u[1]), active[2] * (v[2] - u[2])),
    )
    swing = rotation.cross(partner.rate, relative.place)
    docked = rotation.multiply(partner.orientation, mated)
    turn = rotation.multiply(rotation.conjugate(docked), motion.orientation)
    relative.turn[:] = rotation.to_rotation_vector(turn)
    carried = rotation.rotate_inverse(turn, rotation.rotate_inverse(mated, partner.rate))
    w = motion.rate
    relative.turning[:] = rotation.slope_of(relative.turn, (w[0] - carried[0], w[1] - carried[1], w[2] - carried[2]))
    for k in range(3):
        relative.speed[k] = speed[k] - swing[k]
        relative.turn[k] *= active[3 + k]
        relative.turning[k] *= active[3 + k]


@njit(cache=True)
def frame_acceleration(rate: Vector3, slope: Vector3, place: Vector3, speed: Vector3) -> Tuple3:
    """What the turning of the axes adds to an acceleration along them: 2 w×r' + w×(w×r) + w'×r, m/s²."""
    coriolis, swing, euler = rotation.cross(rate, speed), rotation.cross(rate, place), rotation.cross(slope, place)
    centripetal = rotation.cross(rate, swing)
    return (
        2.0 * coriolis[0] + centripetal[0] + euler[0],
        2.0 * coriolis[1] + centripetal[1] + euler[1],
        2.0 * coriolis[2] + centripetal[2] + euler[2],
    )
