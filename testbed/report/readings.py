"""Title of each figure, and one line that says how to read it."""

from typing import Final

READINGS: Final = {
    "tracks": (
        "Tracks, seen from above",
        "To scale. Body and contact disc: dashed at the start, dotted at their closest, filled at the end; "
        "the stroke points forward, + is the goal. A fine dotted line to a cross: coast predicted at a stop. "
        "Hatched: keep-out zones; in the cabin what crosses one here may be above or below it.",
    ),
    "side": (
        "Tracks, seen from the side",
        "To scale, along y. Body and contact sphere: dashed at the start, filled at the end; the stroke points "
        "forward, + is the goal. Hatched: keep-out zones; what crosses one here may be beside it.",
    ),
    "errors": (
        "Errors and their limits",
        "A criterion is met if every curve stays below the red line throughout the shaded window; what lies above the "
        "axis is off the scale.",
    ),
    "separation": (
        "Distance between vehicles",
        "Centre to centre; the mark is the smallest distance of the try, and nothing may fall below the red line.",
    ),
    "valves": (
        "Valves",
        "The darker, the larger the share of that moment in which the valve was open; right: share of the whole try.",
    ),
    "gas": ("Gas used", "From tank pressure and temperature; the steeper, the harder a vehicle works."),
    "consistency": (
        "Is the estimator as good as it claims?",
        "Estimate minus truth should stay within the band of three claimed standard deviations; the normalised error "
        "squared should average 3 (dotted) and exceed the red line in one sample of twenty.",
    ),
}
