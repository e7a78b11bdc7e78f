"""The table's surface: what tilt, unevenness and film do to a vehicle left alone."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator

from testbed.description.table import Flatness
from testbed.model.table_surface import surface_slope
from tests.model.scene import CABIN, FLAT, LEVEL, START, a_plant, run, set_motion, steady

BUMPS = Flatness(
    origin=(-1.0, -0.5),
    spacing=0.5,
    heights_um=((0.0, 10.0, 30.0, -20.0), (5.0, 60.0, 0.0, 10.0), (0.0, 0.0, 40.0, 90.0)),
)


def table(**changes):
    return FLAT.model_copy(update=changes)


def test_a_tilt_accelerates_downhill_by_gravity_times_slope():
    plant = a_plant(steady(), room=table(tilt_mrad=(0.1, -0.2)))
    run(plant, 1000)
    acceleration = 9.80665 * np.array([-0.1e-3, 0.2e-3])
    assert plant.states[0]["velocity"][:2] == pytest.approx(acceleration * 10.0, rel=1e-12)
    assert plant.states[0]["position"][:2] == pytest.approx(acceleration * 50.0, rel=1e-12)


def test_the_film_slows_a_glide_exponentially():
    plant = a_plant(steady(), room=table(film_drag_time=300.0))
    set_motion(plant, 0, velocity=(0.02, -0.01, 0.0), rate=(0.0, 0.0, 0.1))
    run(plant, 3000)
    decay = math.exp(-30.0 / 300.0)
    assert plant.states[0]["velocity"][:2] == pytest.approx([0.02 * decay, -0.01 * decay], rel=1e-12)
    # a disc of the carriage's radius on the same film
    spin_down = 300.0 * 0.24 / (13.0 * 0.20**2 / 2.0)
    assert plant.states[0]["rate"][2] == pytest.approx(0.1 * math.exp(-30.0 / spin_down), rel=1e-12)


@settings(deadline=None)
@given(st.floats(-0.999, 0.499), st.floats(-0.499, 0.499))
def test_the_slope_is_the_gradient_of_the_bilinear_heights(x, y):
    plant = a_plant(steady(), room=table(flatness=BUMPS, tilt_mrad=(0.05, 0.0)))
    axes = (-0.5 + 0.5 * np.arange(3), -1.0 + 0.5 * np.arange(4))
    height = RegularGridInterpolator(axes, np.array(BUMPS.heights_um) * 1e-6)
    # bilinear: within a cell a difference over any span is exact, so span the cell's part that contains the point
    left, low = -1.0 + 0.5 * math.floor((x + 1.0) / 0.5), -0.5 + 0.5 * math.floor((y + 0.5) / 0.5)
    slope_x = (height((y, left + 0.5)) - height((y, left))).item() / 0.5 + 0.05e-3
    slope_y = (height((low + 0.5, x)) - height((low, x))).item() / 0.5
    assert surface_slope(plant.world[0], x, y) == pytest.approx((slope_x, slope_y), rel=1e-9, abs=1e-15)


def test_beyond_the_grid_the_border_goes_on():
    plant = a_plant(steady(), room=table(flatness=BUMPS))
    slope = surface_slope(plant.world[0], 1.2, 0.25)
    assert slope[0] == 0.0
    assert slope[1] == pytest.approx((90.0 - 10.0) * 1e-6 / 0.5, rel=1e-12)
    assert surface_slope(plant.world[0], 1.2, -1.2) == (0.0, 0.0)


def test_on_a_bump_a_vehicle_trades_height_for_speed():
    plant = a_plant(steady(), room=table(flatness=BUMPS))
    plant.place(0, np.array([0.2, 0.3, 0.0]), LEVEL, START)
    axes = (-0.5 + 0.5 * np.arange(3), -1.0 + 0.5 * np.arange(4))
    height = RegularGridInterpolator(axes, np.array(BUMPS.heights_um) * 1e-6)

    def energy():
        x, y = plant.states[0]["position"][:2]
        return 9.80665 * height((y, x)).item() + 0.5 * np.sum(plant.states[0]["velocity"] ** 2)

    before = energy()
    run(plant, 2000)
    gained = 0.5 * np.sum(plant.states[0]["velocity"] ** 2)
    assert gained > 1e-6
    assert energy() == pytest.approx(before, abs=1e-4 * gained)


def test_without_gravity_in_the_frame_the_cabin_has_neither_slope_nor_film():
    plant = a_plant(steady(), room=CABIN)
    set_motion(plant, 0, velocity=(0.05, 0.04, 0.03))
    run(plant, 100)
    assert plant.states[0]["velocity"].tolist() == [0.05, 0.04, 0.03]
