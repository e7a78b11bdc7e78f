"""The law of contact: how two things that touch push each other.

Normal force after Hunt & Crossley (J. Applied Mechanics 42, 1975) over a linear spring: F = k·depth·(1 + d·approach /
impact speed), where d is chosen so that the contact ends with the wanted coefficient of restitution, exactly, at any
speed (see `restitution_damping`). It starts and ends at zero force and never pulls. Tangential force: Coulomb, at slow
sliding smoothed to a viscous `grip` that the step can follow.

Stiffness and restitution of a part are those of the pair that it forms with its like. Different ones together: half of
the two springs in series, geometric means of restitution and friction. Those of an edge or a wall are of what is met
there, bumper or port included, and count alone.
"""

from __future__ import annotations

import math
from typing import Final

from numba import njit

from testbed.description.messages import NS_PER_S, TICK_NS
from testbed.description.rotation import Tuple3

CONTACT_STEPS: Final = 20
"""Steps per tick of vehicles that may touch something."""
STEP: Final = TICK_NS / NS_PER_S / CONTACT_STEPS
"""Duration of such a step, s."""
SLOWEST_IMPACT: Final = 0.005
"""Impacts slower than this are damped as if at this speed, m/s: keeps leaning on something stable."""
LEAST_RESTITUTION: Final = 0.04
"""Below it the equation for the damping is too stiff to solve in double precision."""
EDGE: Final = -1
"""Second partner of a contact with the table's edge or a wall of the cabin."""


def restitution_damping(restitution: float) -> float:
    """The d of the force law that ends a contact with this coefficient of restitution e.

    From m·v·dv = -k·x·(1 + d·v/v0)·dx, integrated from v0 to -e·v0: d·(1 + e) = ln((1 + d)/(1 - e·d)).

    Raises:
        ValueError: the restitution is not in the range in which this can be solved.

    """
    if not LEAST_RESTITUTION <= restitution <= 1.0:
        raise ValueError(f"restitution is {restitution!r}, allowed: {LEAST_RESTITUTION} to 1")
    return float(solve_damping(restitution))


@njit(cache=True)
def solve_damping(restitution: float) -> float:
    """`restitution_damping` by bisection, to rounding; a restitution outside its range counts as its border."""
    e = max(restitution, LEAST_RESTITUTION)
    if e > 1.0 - 1e-9:
        return 0.0
    low, high = 1e-3 * (1.0 - e), (1.0 - 1e-15) / e  # d = 0 is a root too, and not the one
    for _ in range(100):
        d = 0.5 * (low + high)
        if d in (low, high):
            break
        if d * (1.0 + e) - math.log1p(d) + math.log1p(-e * d) > 0.0:
            low = d
        else:
            high = d
    return 0.5 * (low + high)


@njit(cache=True)
def pair_stiffness(ours: float, theirs: float) -> float:
    """Stiffness between two parts, N/m, each given by that of the pair with its like."""
    return 2.0 * ours * theirs / (ours + theirs)


@njit(cache=True)
def grip_for(mobility: float) -> float:
    """Tangential damping, N·s/m, that takes half of the sliding in one step: well inside what the step follows.

    mobility: acceleration of sliding per tangential force, 1/kg, at most.
    """
    return 0.5 / (STEP * mobility)


@njit(cache=True)
def normal_force(stiffness: float, damping: float, depth: float, approach: float, impact_speed: float) -> float:
    """Size of the normal force, N, never pulling."""
    return max(0.0, stiffness * depth * (1.0 + damping * approach / impact_speed))


@njit(cache=True)
def split(velocity: Tuple3, normal: Tuple3) -> tuple[float, Tuple3]:
    """Speed of approach against the normal, and the velocity of sliding."""
    away = velocity[0] * normal[0] + velocity[1] * normal[1] + velocity[2] * normal[2]
    slip = (velocity[0] - away * normal[0], velocity[1] - away * normal[1], velocity[2] - away * normal[2])
    return -away, slip


@njit(cache=True)
def with_friction(normal: Tuple3, size: float, slip: Tuple3, friction: float, grip: float) -> Tuple3:
    """Force on the body that slides with `slip`: `size` along the normal, and friction against the sliding.

    grip: force per slow sliding speed, N·s/m; fast sliding meets friction·size.
    """
    most = friction * size
    if most <= 0.0:
        return size * normal[0], size * normal[1], size * normal[2]
    fade = most / grip
    drag = most / math.sqrt(slip[0] * slip[0] + slip[1] * slip[1] + slip[2] * slip[2] + fade * fade)
    return size * normal[0] - drag * slip[0], size * normal[1] - drag * slip[1], size * normal[2] - drag * slip[2]
