"""What a look measures: how far out each edge of a marker lies, and how it is tilted.

The detector fits a straight line to each edge of the black square and reports where the lines meet. So the errors of
the corners are not independent, but those of the lines are: each has an offset n·(d + d')/2 and a tilt n·(d' - d)/2,
where d and d' are the errors of the corners at its ends and n is its outward normal. Eight numbers either way.

What is believed of the detector: noise in the picture (its bound for an edge of that contrast and slope), cells of the
marker as near as the blur is wide, which pull lines inwards and scatter them, and the bow that the lens makes of an
edge, through which a line runs at two thirds of its height. The figures are of OpenCV's detector with the settings of
detection.py.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit

from testbed.description.rotation import cross, rotate
from testbed.flight.sight.layout import ERRORS, POSITION
from testbed.flight.sight.optics import gradient, project

CONTRAST: Final = 155.0
"""Of black and white in the light of a hall, grey levels."""
PIXEL: Final = 0.3
"""Blur of a picture whose lens has none, pixels: that of a pixel's area."""
BOW_SHARE: Final = 2.0 / 3.0
# An edge's line lies PULL·q^PULL_POWER too far in, with q the blur over the width of a cell across it. Variance of its
# offset: OFFSET_FLOOR² + (OFFSET_GROWTH·q)² + OFFSET_WORSE·(the bound); likewise of its tilt. Pixels.
PULL, PULL_POWER = 0.99, 2.62
OFFSET_FLOOR, OFFSET_GROWTH, OFFSET_WORSE = 0.0043, 0.092, 3.1
TILT_FLOOR, TILT_GROWTH, TILT_WORSE = 0.0074, 0.139, 4.8


@njit(cache=True)
def measure(p: Any, track: Any, look: Any, own_rate: Any, rows: Any) -> None:
    """Fill ROWS with what `look` (LOOK) says at the estimate `track`; own_rate rad/s along own axes, for the smear.

    A marker that the estimate has out of the lens's reach gives no rows.
    """
    rows.count = 0
    pixels, smears = np.empty((4, 2)), np.empty((4, 2))
    slopes = np.empty((4, 2, ERRORS))
    for k in range(look.count):
        marker = look.marker[k]
        seen = True
        for i in range(4):
            corner = p.corner[marker, i]
            pixels[i, 0], pixels[i, 1] = project(p, track, corner)
            if not math.isfinite(pixels[i, 0]):
                seen = False
                break
            gradient(p, track, corner, slopes[i])
            _smear(p, track, corner, own_rate, slopes[i], smears[i])
        if seen:
            _rows_of_marker(p, track, look, k, pixels, smears, slopes, rows)


@njit(cache=True)
def _smear(p: Any, track: Any, corner: Any, own_rate: Any, slopes: Any, smear: Any) -> None:
    """How far a corner moves in the picture during the exposure, pixels."""
    lever = rotate(track.orientation, corner)
    swing = rotate(track.orientation, cross(track.spin, corner))
    place = track.position[0] + lever[0], track.position[1] + lever[1], track.position[2] + lever[2]
    turn = cross(own_rate, place)
    for k in range(2):
        smear[k] = 0.0
        for i in range(3):
            smear[k] += p.exposure * slopes[k, POSITION + i] * (track.velocity[i] + swing[i] - turn[i])


@njit(cache=True)
def _rows_of_marker(p: Any, track: Any, look: Any, k: int, pixels: Any, smears: Any, slopes: Any, rows: Any) -> None:
    """Append the eight rows of one marker of a look."""
    marker, found = look.marker[k], look.corners[k]
    area = 0.5 * abs(
        (pixels[2, 0] - pixels[0, 0]) * (pixels[3, 1] - pixels[1, 1])
        - (pixels[2, 1] - pixels[0, 1]) * (pixels[3, 0] - pixels[1, 0])
    )
    for i in range(4):
        j = (i + 1) % 4
        x, y = pixels[j, 0] - pixels[i, 0], pixels[j, 1] - pixels[i, 1]
        length = max(math.sqrt(x * x + y * y), 1e-6)
        nx, ny = y / length, -x / length  # outwards: corners go clockwise, rows count down
        way = 0.5 * (nx * (smears[i, 0] + smears[j, 0]) + ny * (smears[i, 1] + smears[j, 1]))
        expected, offset_variance, tilt_variance = _believed_line(p, max(area, 1e-6), length, p.cells[marker], way)
        expected += BOW_SHARE * _bow(p, track, p.corner[marker, i], p.corner[marker, j], pixels[i], nx, ny)
        first = nx * (found[i, 0] - pixels[i, 0]) + ny * (found[i, 1] - pixels[i, 1])
        second = nx * (found[j, 0] - pixels[j, 0]) + ny * (found[j, 1] - pixels[j, 1])
        for tilt in range(2):
            row = rows.count
            sign = 1.0 if tilt == 0 else -1.0
            rows.marker[row] = k
            rows.residual[row] = 0.5 * (second + sign * first) - (expected if tilt == 0 else 0.0)
            rows.variance[row] = offset_variance if tilt == 0 else tilt_variance
            for e in range(ERRORS):
                ends = nx * (slopes[j, 0, e] + sign * slopes[i, 0, e]) + ny * (slopes[j, 1, e] + sign * slopes[i, 1, e])
                rows.gradient[row, e] = 0.5 * ends
            rows.count += 1


@njit(cache=True)
def _believed_line(p: Any, area: float, length: float, cells: float, way: float) -> tuple[float, float, float]:
    """Mean of an edge's offset and the variances of its offset and tilt, pixels.

    area: of the marker in the picture; length: of the edge; way: by which the edge moves across itself in the exposure.
    """
    noise = p.noise * p.noise + 1.0 / 12.0  # and whole grey levels
    blur = math.sqrt(PIXEL * PIXEL + p.defocus * p.defocus + way * way / 12.0)
    q = blur * cells * length / area
    least = 2.0 * math.sqrt(math.pi) * blur * noise / (CONTRAST * CONTRAST * length)
    offset = OFFSET_FLOOR**2 + (OFFSET_GROWTH * q) ** 2 + OFFSET_WORSE * least
    tilt = TILT_FLOOR**2 + (TILT_GROWTH * q) ** 2 + 3.0 * TILT_WORSE * least
    return -PULL * q**PULL_POWER, offset, tilt


@njit(cache=True)
def _bow(p: Any, track: Any, a: Any, b: Any, pixel: Any, nx: float, ny: float) -> float:
    """How far outwards the lens bends the middle of the edge from `a`, seen at `pixel`, to `b`; pixels."""
    x, y = project(p, track, (0.5 * (a[0] + b[0]), 0.5 * (a[1] + b[1]), 0.5 * (a[2] + b[2])))
    return float(nx * (x - pixel[0]) + ny * (y - pixel[1]))
