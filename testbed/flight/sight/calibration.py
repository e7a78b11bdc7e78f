"""How well a camera is believed to be known: by calibration, and by where it was screwed on."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Calibration:
    """Standard deviations of a camera's errors, each a constant of the session.

    lens: its position per axis, m; mounting: its orientation per axis, rad; focal_length: a fraction; centre: the
    principal point per axis, pixels; distortion: the first coefficient.
    """

    lens: float = 0.001
    mounting: float = math.radians(0.2)
    focal_length: float = 0.002
    centre: float = 0.5
    distortion: float = 0.003
