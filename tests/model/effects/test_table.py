"""Each imperfection of the table alone: a glide against its closed form."""

import math

import numpy as np
import pytest

from testbed.description.bearing import Bearing
from testbed.description.effects import Effect
from testbed.description.table import Flatness, Table
from tests.model.effects.alone import plant_with
from tests.model.scene import FLAT, LEVEL, SILENCE, START, TICK, run, set_motion
from tests.model.test_inertial_sensor import sample

GRAVITY, MASS, INERTIA = 9.80665, 13.0, 0.24
RAMP = Flatness(origin=(-2.0, -2.0), spacing=4.0, heights_um=((0.0, 400.0), (-800.0, -400.0)))
"""0.1 mrad up along x, 0.2 mrad down along y."""
ROOM = Table(name="real", outline=FLAT.outline, working_area=FLAT.working_area, tilt_mrad=(0.1, -0.2), flatness=RAMP)


def glide(*effects, seconds=10, velocity=(0.0, 0.0, 0.0), rate=0.0, **changes):
    """The plant after a glide from the origin."""
    plant = plant_with(*effects, room=ROOM.model_copy(update=changes), noise=SILENCE)
    plant.place(0, np.zeros(3), LEVEL, START)
    set_motion(plant, 0, velocity=velocity, rate=(0.0, 0.0, rate))
    run(plant, 100 * seconds)
    return plant


def a_tilt_accelerates_by_gravity_times_slope():
    state = glide(Effect.TILT).states[0]
    assert state["velocity"][:2] == pytest.approx([-GRAVITY * 1e-4 * 10, GRAVITY * 2e-4 * 10], rel=1e-12)


def a_ramp_of_heights_accelerates_by_gravity_times_its_gradient():
    state = glide(Effect.FLATNESS).states[0]
    assert state["velocity"][:2] == pytest.approx([-GRAVITY * 1e-4 * 10, GRAVITY * 2e-4 * 10], rel=1e-10)


def the_film_slows_exponentially():
    state = glide(Effect.FILM_DRAG, velocity=(0.05, 0.0, 0.0), rate=0.2).states[0]
    assert state["velocity"][0] == pytest.approx(0.05 * math.exp(-10.0 / 300.0), rel=1e-11)
    spin_down = 300.0 * INERTIA / (MASS * 0.20**2 / 2.0)
    assert state["rate"][2] == pytest.approx(0.2 * math.exp(-10.0 / spin_down), rel=1e-11)


def drag_on_spin_makes_one_over_the_rate_grow_linearly():
    state = glide(Effect.SPIN_DRAG, rate=0.2).states[0]  # J dw/dt = -c w²
    assert state["rate"][2] == pytest.approx(0.2 / (1.0 + 0.2 * 2.0e-4 / INERTIA * 10.0), rel=1e-10)


def the_earth_turns_a_glide_to_the_right_and_the_gyro_with_it():
    plant = glide(Effect.EARTH_ROTATION, velocity=(0.05, 0.0, 0.0))
    state = plant.states[0]
    vertical = 7.292115e-5 * math.sin(math.radians(45.0))
    turned = -2.0 * vertical * 10.0
    assert state["velocity"][:2] == pytest.approx([0.05 * math.cos(turned), 0.05 * math.sin(turned)], rel=1e-8)
    assert math.hypot(*state["velocity"][:2]) == pytest.approx(0.05, rel=1e-12)
    assert sample(plant)["angular_velocity"][2] == pytest.approx(vertical, rel=1e-6)
    assert math.degrees(7.292115e-5) * 3600.0 == pytest.approx(15.0, rel=0.01)  # degrees per hour
    assert 2.0 * 0.1 * vertical == pytest.approx(1.0e-5, rel=0.04)  # m/s² at 0.1 m/s


def the_bearing_supply_runs_down_and_the_carriage_slides_to_rest():
    bearing = Bearing(start_pressure=5.0e6, float_pressure=1.0e6, friction=0.25)
    plant = glide(Effect.BEARING_RUNDOWN, velocity=(0.05, 0.0, 0.0), bearing=bearing, bearing_supply_time=20.0)
    assert plant.carriage_pressure(0) == pytest.approx(3.0e6, rel=1e-12)
    run(plant, 1020, START + 1000 * TICK)
    way = 0.05 * 20.1 + 0.05**2 / (2.0 * 0.25 * GRAVITY)  # the supply is reckoned each 0.1 s
    assert plant.states[0]["position"][0] == pytest.approx(way, abs=2e-3 * 0.05 + 0.1 * 0.05)
    assert not plant.states[0]["velocity"].any()


CASES = {
    Effect.BEARING_RUNDOWN: the_bearing_supply_runs_down_and_the_carriage_slides_to_rest,
    Effect.TILT: a_tilt_accelerates_by_gravity_times_slope,
    Effect.FLATNESS: a_ramp_of_heights_accelerates_by_gravity_times_its_gradient,
    Effect.FILM_DRAG: the_film_slows_exponentially,
    Effect.SPIN_DRAG: drag_on_spin_makes_one_over_the_rate_grow_linearly,
    Effect.EARTH_ROTATION: the_earth_turns_a_glide_to_the_right_and_the_gyro_with_it,
}


@pytest.mark.parametrize("effect", CASES)
def test_alone_it_has_the_size_of_its_closed_form(effect):
    CASES[effect]()


def test_on_the_ideal_table_a_glide_goes_on_for_ever():
    state = glide(velocity=(0.02, -0.01, 0.0), rate=0.1).states[0]
    assert state["velocity"].tolist() == [0.02, -0.01, 0.0]
    assert state["rate"].tolist() == [0.0, 0.0, 0.1]
