"""How near two straight ways come to each other."""

from __future__ import annotations

import math
from typing import Any

from numba import njit


@njit(cache=True)
def distance(a: Any, b: Any, c: Any, d: Any) -> float:
    """Least distance of the segments from `a` to `b` and from `c` to `d`, shape (3,) each.

    The squared distance is convex in the shares s, t of both ways: the best t for the best unbounded s is cut to 0..1,
    and s follows it (textbook; e.g. Ericson, Real-Time Collision Detection, from memory).
    """
    aa, bb, ab, ad, bd = 0.0, 0.0, 0.0, 0.0, 0.0
    for k in range(3):
        u, v, w = b[k] - a[k], d[k] - c[k], a[k] - c[k]
        aa += u * u
        bb += v * v
        ab += u * v
        ad += u * w
        bd += v * w
    s, across = 0.0, aa * bb - ab * ab
    if across > 1e-12 * aa * bb:
        s = min(max((ab * bd - ad * bb) / across, 0.0), 1.0)
    t = min(max((ab * s + bd) / bb, 0.0), 1.0) if bb > 0.0 else 0.0
    s = min(max((ab * t - ad) / aa, 0.0), 1.0) if aa > 0.0 else 0.0
    square = 0.0
    for k in range(3):
        gap = a[k] + s * (b[k] - a[k]) - c[k] - t * (d[k] - c[k])
        square += gap * gap
    return math.sqrt(square)
