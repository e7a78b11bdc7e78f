"""Numbers as a person wants to read them, on the page and in the terminal."""

from __future__ import annotations

from testbed.plan.criteria import CriterionResult

_SHOWN = {"m": (1e3, "mm"), "°": (1.0, "°"), "g": (1.0, "g"), "N": (1.0, "N")}
LONG = 0.3
"""Lengths from here on stay in m."""


def quantity(value: float | None, unit: str) -> str:
    """A value with its unit; short lengths in mm."""
    if value is None:
        return "not measured"
    scale, shown = (1.0, unit) if unit == "m" and abs(value) >= LONG else _SHOWN.get(unit, (1.0, unit))
    scaled = value * scale
    if scaled == 0.0:
        return f"0 {shown}".replace(" °", "°")
    digits = 3 if shown == "m" else 0 if abs(scaled) >= 1000.0 else 1 if abs(scaled) >= 10.0 else 2
    return f"{scaled:.{digits}f} {shown}".replace(" °", "°")


def value_and_limit(result: CriterionResult) -> tuple[str, str]:
    """Measured value and limit of a result, in the same unit."""
    relation = sign(result)
    smallest = result.limit if result.value is None else min(abs(result.value), result.limit)
    if result.unit == "m" and smallest < LONG:
        value = "not measured" if result.value is None else f"{1e3 * result.value:.1f} mm"
        return value, f"{relation} {1e3 * result.limit:g} mm"
    return quantity(result.value, result.unit), f"{relation} {result.limit:g} {result.unit}".replace(" °", "°")


def sign(result: CriterionResult) -> str:
    """How the value relates to the limit where the criterion is met."""
    return "≥" if result.kind in ("separation", "keep_out") else "≤"


def clock(seconds: float | None) -> str:
    """Time in a recording as minutes and seconds."""
    if seconds is None:
        return "–"
    minutes, rest = divmod(round(seconds, 1), 60.0)
    return f"{int(minutes)}:{rest:04.1f}"
