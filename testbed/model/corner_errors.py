"""By how much a detector of markers errs, from size in pixels, blur, light and noise; and whether it finds one at all.

The detector fits a straight line to each edge of the black square and reports where the lines meet. A line's offset
and tilt err by what noise does to it, by what lies around the edge, and by the lens:

- Noise. The least variance of the offset, over a length of L pixels, where noise has the variance n² in each pixel and
  the edge, of contrast A, the slope of a bell of standard deviation s, is 2·√π·s·n²/(A²·L): Cramér and Rao's, the
  energy of such a slope being A²/(2·√π·s). A tilt adds three times as much at the ends (straight line, even samples).
- What lies around. Cells of the marker as near as the blur is wide pull lines inwards and scatter them; it grows with
  blur over the width of a cell.
- The lens bends edges. A line through a bow of height h, a parabola, runs at 2/3·h (least squares).

The factors are fitted to OpenCV's detector on 1,500 rendered pictures; tests/model/detected.py says how it is set and
what was drawn, and tests hold other draws against this.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit

NORMALS: Final = 8
"""Standard normals per marker: offset and tilt of each edge."""

EDGES: Final = np.dtype(
    [
        ("normal", "f8", (4, 2)),
        ("bow", "f8", (4,)),
        ("offset", "f8", (4,)),
        ("offset_spread", "f8", (4,)),
        ("tilt_spread", "f8", (4,)),
        ("cell", "f8"),
        ("blur", "f8"),
    ],
    align=True,
)
"""Of edge i, from corner i to the next: outward unit normal; height of its bow, outwards; mean and standard deviation
of its line's offset, outwards; standard deviation of what tilt adds at the line's ends; pixels. Of the marker: the
smallest width of its cells and the blur, pixels."""

PIXEL: Final = 0.3
"""Blur of a picture whose lens has none: a pixel's area, 1/12 px² in variance, and what the canvas adds."""
BOW_SHARE: Final = 2.0 / 3.0
# Fitted: offset -PULL·q^PULL_POWER, where q is blur over the width of a cell across the edge; spreads² are
# OFFSET_FLOOR² + (OFFSET_GROWTH·q)² + OFFSET_WORSE·noise², the same for tilt; px.
PULL, PULL_POWER = 0.99, 2.62
OFFSET_FLOOR, OFFSET_GROWTH, OFFSET_WORSE = 0.0043, 0.092, 3.1
TILT_FLOOR, TILT_GROWTH, TILT_WORSE = 0.0074, 0.139, 4.8
# Fitted: logit of the share found, in the logarithms of the smallest width of a cell and of blur, px.
FOUND, FOUND_BY_CELL, FOUND_BY_BLUR = -8.84, 12.96, -10.3
BORDER: Final = 1.0
"""So near to the border of the picture, px, the detector takes no corner for one: three pixels of its own."""


@njit(cache=True)
def measure(camera: Any, seen: Any, cells: float, contrast: float) -> None:
    """Fill `edges` of a sighting but for the bows, from its corners, exact and at both ends of the exposure.

    cells: how many lie along the marker's side; contrast: of white and black in this light, grey levels.
    """
    noise = camera.noise * camera.noise + 1.0 / 12.0  # and whole grey levels
    still = PIXEL * PIXEL + camera.defocus * camera.defocus
    exact, before, after, edges = seen.exact, seen.before, seen.after, seen.edges
    area = 0.5 * abs(
        (exact[2, 0] - exact[0, 0]) * (exact[3, 1] - exact[1, 1])
        - (exact[2, 1] - exact[0, 1]) * (exact[3, 0] - exact[1, 0])
    )
    smear, edges.cell = 0.0, math.inf
    for i in range(4):
        j = (i + 1) % 4
        x, y = exact[j, 0] - exact[i, 0], exact[j, 1] - exact[i, 1]
        length = math.sqrt(x * x + y * y)
        edges.normal[i, 0], edges.normal[i, 1] = y / length, -x / length  # outwards: corners go clockwise, v down
        way, far = 0.0, 0.0
        for k in range(2):
            way += 0.5 * edges.normal[i, k] * (after[i, k] - before[i, k] + after[j, k] - before[j, k])
            far += (after[i, k] - before[i, k]) ** 2
        width = area / length / cells
        blur = math.sqrt(still + way * way / 12.0)
        q = blur / width
        least = 2.0 * math.sqrt(math.pi) * blur * noise / (contrast * contrast * length)
        edges.offset[i] = -PULL * q**PULL_POWER
        edges.offset_spread[i] = math.sqrt(OFFSET_FLOOR**2 + (OFFSET_GROWTH * q) ** 2 + OFFSET_WORSE * least)
        edges.tilt_spread[i] = math.sqrt(TILT_FLOOR**2 + (TILT_GROWTH * q) ** 2 + 3.0 * TILT_WORSE * least)
        edges.cell = min(edges.cell, width)
        smear = max(smear, far)
    edges.blur = math.sqrt(still + smear / 12.0)


@njit(cache=True)
def chance(camera: Any, seen: Any) -> float:
    """How likely the detector finds a visible marker."""
    for i in range(4):
        for k in range(2):
            if not BORDER - 0.5 <= seen.exact[i, k] <= camera.size[k] - 0.5 - BORDER:
                return 0.0
    logit = FOUND + FOUND_BY_CELL * math.log(seen.edges.cell) + FOUND_BY_BLUR * math.log(seen.edges.blur)
    return 1.0 / (1.0 + math.exp(-logit))


@njit(cache=True)
def disturb(seen: Any, normals: Any) -> None:
    """Fill `reported`: where lines meet that differ from the edges by their errors; normals: NORMALS standard ones."""
    edges = seen.edges
    for i in range(4):
        h = (i + 3) % 4  # the edge that ends at corner i, where edge i begins
        first = line(edges, h, normals) + edges.tilt_spread[h] * normals[4 + h]
        second = line(edges, i, normals) - edges.tilt_spread[i] * normals[4 + i]
        a, b, c, d = edges.normal[h, 0], edges.normal[h, 1], edges.normal[i, 0], edges.normal[i, 1]
        determinant = a * d - b * c
        seen.reported[i, 0] = seen.exact[i, 0] + (d * first - b * second) / determinant
        seen.reported[i, 1] = seen.exact[i, 1] + (a * second - c * first) / determinant


@njit(cache=True)
def line(edges: Any, i: int, normals: Any) -> float:
    """How far outwards the line of edge i runs in its middle, pixels."""
    return BOW_SHARE * edges.bow[i] + edges.offset[i] + edges.offset_spread[i] * normals[i]
