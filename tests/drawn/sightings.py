"""Many scenes of sights.py at once: errors of the relative estimator, and what it claimed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from testbed.flight.sight.layout import ERRORS, RATIOS
from tests.drawn.sight_bound import Bound
from tests.drawn.sights import STEP, Kind, Scene

FREE = {"table": [0, 1, 3, 4, 8, 11], "cabin": list(range(12))}
"""Free components of position, velocity, attitude and spin."""
BEGIN, EPOCH = 10.0, 2.0
"""The first epoch and the time between epochs, s."""


@dataclass
class Watched:
    """What was seen of all scenes; the first axes are seed and epoch. NaN where not acquired."""

    error: np.ndarray  # of the error state, true less believed
    covariance: np.ndarray
    bound: np.ndarray  # variances; NaN where not asked for
    found: np.ndarray  # when the partner was acquired, s; NaN: never
    rejected: int
    place: str

    def normalised(self, axes) -> np.ndarray:
        """Normalised estimation error squared over its degrees of freedom, shape (seeds, epochs)."""
        e, P = self.error[..., axes], self.covariance[..., axes, :][..., axes]
        known = np.isfinite(e).all(axis=-1)
        result = np.full(known.shape, np.nan)
        solved = np.linalg.solve(P[known], e[known][..., None])[..., 0]
        result[known] = np.einsum("ni,ni->n", e[known], solved) / len(axes)
        return result

    def mean_and_band(self, axes, share=0.95) -> tuple[np.ndarray, np.ndarray]:
        """Mean over the seeds at each epoch, and its band of that share (epochs, 2): 1 is nominal."""
        squares = self.normalised(axes)
        degrees = len(axes) * np.isfinite(squares).sum(axis=0)
        band = np.array([chi2.ppf((0.5 - share / 2, 0.5 + share / 2), n) / n for n in degrees])
        return np.nanmean(squares, axis=0), band

    def covered(self, quantile=1.96) -> np.ndarray:
        """Whether each inertia ratio lies in its interval at the last epoch, of those acquired; shape (n, 2)."""
        at = slice(RATIOS, RATIOS + 2)
        error, deviation = self.error[:, -1, at], self.ratio_deviation()
        known = np.isfinite(error).all(axis=1)
        return np.abs(error[known]) < quantile * deviation[known]

    def ratio_deviation(self) -> np.ndarray:
        """Standard deviation of the logarithms of the inertia ratios at the last epoch, shape (seeds, 2)."""
        return np.sqrt(np.diagonal(self.covariance[:, -1], axis1=1, axis2=2)[:, RATIOS : RATIOS + 2])


def watch(seeds: Iterable[int], kind: Kind, seconds: float, bounded: bool = False) -> Watched:
    """Step all scenes; `bounded`: with the Cramér-Rao bound as well."""
    rows = [_watch_one(Scene(seed, kind), seconds, bounded) for seed in seeds]
    error, covariance, bound, found, rejected = zip(*rows, strict=True)
    place = "cabin" if kind == "tumbling" else "table"
    return Watched(*map(np.array, (error, covariance, bound, found)), rejected=sum(rejected), place=place)


def _watch_one(scene: Scene, seconds: float, bounded: bool):
    epochs = round((seconds - BEGIN) / EPOCH) + 1
    error, covariance = np.full((epochs, ERRORS), np.nan), np.full((epochs, ERRORS, ERRORS), np.nan)
    variances, found = np.full((epochs, ERRORS), np.nan), np.nan
    bound = Bound(scene) if bounded else None
    if bound is not None:
        bound.before()
    for step in range(1, round(seconds / STEP) + 1):
        scene.step()
        if not scene.looking:
            continue
        look = scene.look()
        scene.estimator.accept_look(look)
        if bound is not None:
            bound.after()
            bound.after_look(look[0])
            bound.before()
        if not scene.estimator.acquired:
            continue
        found = np.fmin(found, step * STEP)
        epoch = (step * STEP - BEGIN) / EPOCH
        if epoch > -1e-6 and abs(epoch - round(epoch)) < 1e-6:
            scene.estimator.output(scene.stamp)
            error[round(epoch)] = scene.state_error()
            covariance[round(epoch)] = scene.estimator.state[0]["now"]["covariance"]
            if bound is not None:
                variances[round(epoch)] = np.diag(bound.covariance)
    return error, covariance, variances, found, int(scene.estimator.state[0]["rejected"])
