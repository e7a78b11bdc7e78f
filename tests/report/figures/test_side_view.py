"""The side view of the cabin: outlines of turned vehicles, and none on the table."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.report.figures.side_view import draw_side_view, silhouette
from tests.record.example import VEHICLE

WIDTH = VEHICLE.shape.width


@pytest.mark.parametrize(
    ("turn", "size"),
    [
        (0.0, (WIDTH, WIDTH)),
        (90.0, (WIDTH, WIDTH)),
        (45.0, (np.sqrt(2.0) * WIDTH, np.sqrt(2.0) * WIDTH)),
    ],
    ids=["upright", "on its nose", "half-way"],
)
def test_the_silhouette_is_that_of_the_turned_prism(turn, size):
    seen = silhouette(VEHICLE, Rotation.from_euler("y", turn, degrees=True).as_quat())
    assert np.ptp(seen, axis=0) == pytest.approx(size)


def test_on_the_table_there_is_none():
    assert draw_side_view(SimpleNamespace(configuration=SimpleNamespace(cabin=None))) is None
