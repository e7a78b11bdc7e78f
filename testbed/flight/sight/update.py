"""What a look does to the estimate: tight coupling of all edges seen, Gauss and Newton's steps, Joseph's form.

Every marker must first pass a gate as a whole: a wrong id or a wrong square spoils all of its corners. What passes is
used together; the measurement is taken anew at the estimate found until that stays (iterated filter: Bell & Cathey,
IEEE Trans. Automatic Control 38 (1993), from memory). Each row is a scalar update in Joseph's form multiplied out, as
flight/estimation/update.py explains it.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numba import njit

from testbed.description.rotation import (
    conjugate,
    from_rotation_vector,
    multiply,
    normalise,
    to_rotation_vector,
)
from testbed.flight.sight.edges import measure
from testbed.flight.sight.layout import (
    ATTITUDE,
    CENTRE,
    DISTORTION,
    ERRORS,
    FOCAL,
    LENS,
    MOUNT,
    OWN_SPEED,
    POSITION,
    RATE_BIAS,
    RATIOS,
    SPIN,
    VELOCITY,
)

GATE: Final = 36.9
"""Bound on a marker's squared normalised innovations: 99.999 % of chi-square with eight degrees of freedom."""
ITERATIONS: Final = 6
MEASURED: Final = ATTITUDE + 3
"""Errors before this one decide whether a step was small."""
SETTLED: Final = 0.05
"""Steps end when none moves an error by more than this share of its standard deviation."""


@njit(cache=True)
def copy_track(source: Any, target: Any) -> None:
    """Copy an estimate."""
    target.stamp = source.stamp
    target.position[:] = source.position
    target.velocity[:] = source.velocity
    target.orientation[:] = source.orientation
    target.spin[:] = source.spin
    target.ratios[:] = source.ratios
    target.rate_bias[:] = source.rate_bias
    target.own_speed[:] = source.own_speed
    target.lens[:] = source.lens
    target.mount[:] = source.mount
    target.focal = source.focal
    target.centre[:] = source.centre
    target.distortion = source.distortion
    target.covariance[:] = source.covariance


@njit(cache=True)
def move(track: Any, base: Any, error: Any) -> None:
    """Set the mean of `track` to that of `base` with `error`, shape (ERRORS,), added."""
    for i in range(3):
        track.position[i] = base.position[i] + error[POSITION + i]
        track.velocity[i] = base.velocity[i] + error[VELOCITY + i]
        track.spin[i] = base.spin[i] + error[SPIN + i]
        track.rate_bias[i] = base.rate_bias[i] + error[RATE_BIAS + i]
        track.own_speed[i] = base.own_speed[i] + error[OWN_SPEED + i]
        track.lens[i] = base.lens[i] + error[LENS + i]
        track.mount[i] = base.mount[i] + error[MOUNT + i]
    for i in range(2):
        track.ratios[i] = base.ratios[i] + error[RATIOS + i]
        track.centre[i] = base.centre[i] + error[CENTRE + i]
    track.focal = base.focal + error[FOCAL]
    track.distortion = base.distortion + error[DISTORTION]
    turn = from_rotation_vector((error[ATTITUDE], error[ATTITUDE + 1], error[ATTITUDE + 2]))
    track.orientation[:] = normalise(multiply(turn, base.orientation))


@njit(cache=True)
def difference(track: Any, base: Any, error: Any) -> None:
    """Fill `error`, shape (ERRORS,), with what `move` would have to add to `base` to get to `track`."""
    for i in range(3):
        error[POSITION + i] = track.position[i] - base.position[i]
        error[VELOCITY + i] = track.velocity[i] - base.velocity[i]
        error[SPIN + i] = track.spin[i] - base.spin[i]
        error[RATE_BIAS + i] = track.rate_bias[i] - base.rate_bias[i]
        error[OWN_SPEED + i] = track.own_speed[i] - base.own_speed[i]
        error[LENS + i] = track.lens[i] - base.lens[i]
        error[MOUNT + i] = track.mount[i] - base.mount[i]
    for i in range(2):
        error[RATIOS + i] = track.ratios[i] - base.ratios[i]
        error[CENTRE + i] = track.centre[i] - base.centre[i]
    error[FOCAL] = track.focal - base.focal
    error[DISTORTION] = track.distortion - base.distortion
    turn = to_rotation_vector(multiply(track.orientation, conjugate(base.orientation)))
    for i in range(3):
        error[ATTITUDE + i] = turn[i]


@njit(cache=True)
def use_row(rows: Any, row: int, moved: Any, error: Any, P: Any, gain: Any) -> float:
    """Use one row, taken at a mean that differs by `moved` from where `error` counts from.

    `error` (the mean so far) and its covariance P are updated. Returns the squared innovation over its variance.
    """
    H = rows.gradient[row]
    innovation, variance = rows.residual[row], rows.variance[row]
    gain[:] = 0.0
    for k in range(ERRORS):
        if H[k] != 0.0:
            innovation += H[k] * (moved[k] - error[k])
            for i in range(ERRORS):
                gain[i] += H[k] * P[k, i]
    for k in range(ERRORS):
        variance += H[k] * gain[k]
    weight = innovation / variance
    for i in range(ERRORS):
        error[i] += weight * gain[i]
        step = gain[i] / variance
        half = gain[i] - 0.5 * variance * step
        for j in range(i + 1):  # b = g - S·K/2, twice
            other = gain[j] / variance
            P[i, j] -= step * (gain[j] - 0.5 * variance * other) + half * other
            P[j, i] = P[i, j]
    return float(innovation * innovation / variance)


@njit(cache=True)
def gate(s: Any, look: Any, base: Any) -> int:
    """Fill `s.used` for the markers of `s.rows`, taken at `base`; returns how many may be used."""
    P, gain = np.empty((ERRORS, ERRORS)), np.empty(ERRORS)
    error, none = np.zeros(ERRORS), np.zeros(ERRORS)
    s.used[:] = 0
    row, passed = 0, 0
    while row < s.rows.count:
        marker = s.rows.marker[row]
        P[:] = base.covariance
        error[:] = 0.0
        square = 0.0
        while row < s.rows.count and s.rows.marker[row] == marker:
            square += use_row(s.rows, row, none, error, P, gain)
            row += 1
        if square <= GATE:
            s.used[marker] = 1
            passed += 1
    return passed


@njit(cache=True)
def use_look(p: Any, s: Any, look: Any, own_rate: Any, gated: bool) -> int:
    """Update `s.anchor`, which is at the look's exposure. Returns how many markers were used; others change nothing.

    Leaves squared innovations and their number in `s.misfit` and `s.misfit_rows`.
    """
    track, base = s.anchor, s.first
    copy_track(track, base)
    measure(p, track, look, own_rate, s.rows)
    if gated:
        passed = gate(s, look, base)
    else:
        s.used[:] = 1
        passed = look.count if s.rows.count > 0 else 0
    s.misfit, s.misfit_rows = 0.0, 0
    if passed == 0:
        return 0
    moved, error, gain = np.zeros(ERRORS), np.empty(ERRORS), np.empty(ERRORS)
    for _ in range(ITERATIONS):
        track.covariance[:] = base.covariance
        error[:] = 0.0
        s.misfit, s.misfit_rows = 0.0, 0
        for row in range(s.rows.count):
            if s.used[s.rows.marker[row]]:
                s.misfit += use_row(s.rows, row, moved, error, track.covariance, gain)
                s.misfit_rows += 1
        move(track, base, error)
        if _settled(moved, error, track.covariance):
            break
        difference(track, base, moved)
        measure(p, track, look, own_rate, s.rows)
    return passed


@njit(cache=True)
def _settled(before: Any, after: Any, P: Any) -> bool:
    """Whether a step has moved nothing by much."""
    for i in range(MEASURED):
        change = after[i] - before[i]
        if change * change > SETTLED * SETTLED * P[i, i]:
            return False
    return True
