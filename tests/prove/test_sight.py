"""Sight says how good it is, and is about as good as any can be: drawn partners before drawn cameras, many seeds."""

from functools import cache
from time import perf_counter

import numpy as np
import pytest
from scipy.stats import binom

from tests.drawn.sightings import FREE, watch
from tests.drawn.sights import Scene

FIRST_SEED = 90_000
SEEDS = {"still": 60, "spinning": 60, "tumbling": 40}
SECONDS = {"still": 30.0, "spinning": 30.0, "tumbling": 90.0}
BOUND_SEEDS, BOUND_SECONDS = 20, 20.0
KINDS = pytest.mark.parametrize("kind", ["still", "spinning", "tumbling"])


@cache
def watched(kind):
    return watch(range(FIRST_SEED, FIRST_SEED + SEEDS[kind]), kind, SECONDS[kind])


@KINDS
def test_normalised_errors_lie_in_their_band(kind, figure):
    seen = watched(kind)
    means, band = seen.mean_and_band(FREE[seen.place])
    share = np.mean((band[:, 0] < means) & (means < band[:, 1]))
    found = seen.found[np.isfinite(seen.found)]
    figure(
        f"sight, {kind} partner: normalised error of pose, velocity and spin (95 % band {band[:, 0].mean():.2f} to "
        f"{band[:, 1].mean():.2f})",
        f"{means.mean():.2f} in the mean, {means.min():.2f} to {means.max():.2f}; {100 * share:.0f} % of "
        f"{len(means)} epochs inside; acquired {len(found)} of {SEEDS[kind]}, after {np.median(found):.1f} s in the "
        f"median, {found.max():.1f} s at most",
    )
    error = np.sqrt(np.nanmean(seen.error**2, axis=(0, 1)))
    free = FREE[seen.place]
    parts = [np.linalg.norm(error[[at for at in free if k <= at < k + 3]]) for k in (0, 3, 6, 9)]
    figure(
        f"sight, {kind} partner: root mean square error of position, velocity, attitude, spin",
        f"{1e3 * parts[0]:.1f} mm, {1e3 * parts[1]:.2f} mm/s, {np.degrees(parts[2]):.2f}°, "
        f"{np.degrees(parts[3]):.3f} degrees/s",
    )
    assert share >= 0.9


def test_inertia_ratios_of_tumbling_partners_lie_in_their_intervals(figure):
    seen = watched("tumbling")
    covered, deviation = seen.covered(), seen.ratio_deviation()
    count, inside = covered.size, int(covered.sum())
    figure(
        "sight: inertia ratios in their own 95 % interval after 90 s of tumbling",
        f"{inside} of {count}; standard deviation {100 * np.nanmedian(deviation):.2f} % in the median, "
        f"{100 * np.nanpercentile(deviation, 90):.2f} % at the 90th percentile",
    )
    assert inside >= binom.ppf(0.025, count, 0.95)
    assert np.nanmedian(deviation) < 0.02


@KINDS
def test_the_error_is_near_the_recursive_cramer_rao_bound(kind, figure):
    seen = watch(range(FIRST_SEED + 500, FIRST_SEED + 500 + BOUND_SEEDS), kind, BOUND_SECONDS, bounded=True)
    claimed = np.diagonal(seen.covariance, axis1=2, axis2=3)
    free = FREE[seen.place]
    groups = [[at for at in free if k <= at < k + 3] for k in (0, 3, 6, 9)]

    def over_bound(variances):
        return [np.sqrt(np.nanmean(variances[..., at]) / np.nanmean(seen.bound[..., at])) for at in groups]

    errors, claims = over_bound(seen.error**2), over_bound(claimed)
    figure(
        f"sight, {kind} partner: error over the recursive Cramér-Rao bound: position, velocity, attitude, spin",
        ", ".join(f"{one:.2f}" for one in errors) + "; claimed " + ", ".join(f"{one:.2f}" for one in claims),
    )
    assert max(errors) <= 1.3


def test_a_step_takes_little_time(figure):
    scene, spent, looks = Scene(FIRST_SEED, "spinning"), [], []
    while scene.time < 1000:
        scene.step()
        if scene.looking:
            look = scene.look()
            begin = perf_counter()
            scene.estimator.accept_look(look)
            middle = perf_counter()
            scene.estimator.output(scene.stamp)
            spent.append(perf_counter() - middle)
            looks.append(middle - begin)
    figure(
        "sight: one look in the filter, and one output (median)",
        f"{1e6 * np.median(looks):.0f} µs, {1e6 * np.median(spent):.0f} µs",
    )
    assert np.median(looks) < 0.01
