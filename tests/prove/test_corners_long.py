"""Projected corners against OpenCV's detector in a thousand rendered pictures, by the width of a marker's cells."""

import numpy as np
import pytest

from tests.model.detected import compared
from tests.prove.test_many_seeds import FIRST_SEED

LOOKS = 1500
CLASSES = ((0.0, 1.2), (1.2, 1.8), (1.8, 2.5), (2.5, 4.0), (4.0, np.inf))
"""Pixels."""
ENOUGH = 20


def test_projected_corners_err_as_those_of_a_detector_do(figure):
    """Share found within 10 points in each class and 3 in all; bias within 0.02 px; spread within a quarter."""
    everything = compared(range(FIRST_SEED, FIRST_SEED + LOOKS))
    share, claimed = everything.found.mean(), everything.chance.mean()
    figure(
        f"corners projected, not rendered: share found of {len(everything.cell)} visible, rendered / projected",
        f"{100 * share:.1f} / {100 * claimed:.1f} %",
    )
    assert share == pytest.approx(claimed, abs=0.03)
    for low, high in CLASSES:
        of = everything.between(low, high)
        assert of.found.mean() == pytest.approx(of.chance.mean(), abs=0.10), (low, high)
        if of.found.sum() < ENOUGH:
            continue
        bias, believed = of.inwards(of.detected).mean(), of.inwards(of.projected).mean()
        detected, projected = of.sizes(of.detected), of.sizes(of.projected)
        halves, nines = ((np.percentile(detected, share), np.percentile(projected, share)) for share in (50.0, 90.0))
        figure(
            f"the same, cells {low:g} to {high:g} px: error p50, p90, inward bias, rendered / projected",
            f"{halves[0]:.3f} / {halves[1]:.3f}, {nines[0]:.3f} / {nines[1]:.3f}, {bias:.3f} / {believed:.3f} px",
        )
        assert believed == pytest.approx(bias, abs=0.02), (low, high)
        assert halves[1] == pytest.approx(halves[0], rel=0.25), (low, high)
        assert nines[1] == pytest.approx(nines[0], rel=0.25), (low, high)
