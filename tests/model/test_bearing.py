"""The carriage's air: how its pressure falls, and how a carriage that has touched down slides, spins and stands."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from testbed.description.bearing import Bearing
from tests.model.scene import FLAT, LEVEL, START, TICK, a_plant, a_schedule, run, set_motion, steady

GRAVITY, MASS, INERTIA, RADIUS = 9.80665, 13.0, 0.24, 0.2 * 2.0 / 3.0
FRICTION = 0.25


def short_of_air(seconds=10.0, **changes):
    """A table whose carriages float for so long."""
    bearing = Bearing(start_pressure=5.0e6, float_pressure=1.0e6, friction=FRICTION)
    return FLAT.model_copy(update={"bearing_supply_time": seconds, "bearing": bearing, **changes})


def landed(*vehicles, **changes):
    """A plant whose carriages have touched down."""
    plant = a_plant(*(vehicles or (steady(),)), room=short_of_air(0.1, **changes))
    run(plant, 20)
    assert plant.states["landed"].all()
    for index in range(len(plant.states)):
        plant.place(index, np.array([0.5 * index, 0.0, 0.0]), LEVEL, START)
    return plant


def test_the_pressure_falls_evenly_while_it_floats_and_exponentially_after():
    plant = a_plant(steady(), room=short_of_air())
    run(plant, 500)
    assert plant.carriage_pressure(0) == pytest.approx(3.0e6, rel=1e-12)
    stamp = run(plant, 490, START + 500 * TICK)
    assert not plant.states[0]["landed"]
    run(plant, 260, stamp)
    assert plant.states[0]["landed"]
    # 0.4 MPa a second, from 1 MPa on falling by 0.4 of itself a second
    assert plant.carriage_pressure(0) == pytest.approx(1.0e6 * math.exp(-0.4 * 2.5), rel=0.05)


def test_until_then_nothing_rubs():
    plant = a_plant(steady(), room=short_of_air())
    set_motion(plant, 0, velocity=(0.05, 0.0, 0.0))
    run(plant, 900)
    assert plant.states[0]["velocity"].tolist() == [0.05, 0.0, 0.0]


def test_a_slide_ends_after_the_way_that_coulomb_friction_gives():
    plant = landed()
    set_motion(plant, 0, velocity=(0.3, 0.4, 0.0))
    way = 0.5**2 / (2.0 * FRICTION * GRAVITY)
    run(plant, 30)
    assert not plant.states[0]["velocity"].any()
    # half of a step of 0.5 ms at the speed at which it begins and ends
    assert plant.states[0]["position"][:2] == pytest.approx([0.6 * way, 0.8 * way], abs=0.5 * 0.5e-3 * 0.01)


def test_a_spin_ends_after_the_angle_that_a_disc_pressed_on_evenly_gives():
    plant = landed()
    set_motion(plant, 0, rate=(0.0, 0.0, 0.5))
    slowing = FRICTION * MASS * GRAVITY * RADIUS / INERTIA
    run(plant, 20)
    assert abs(plant.states[0]["rate"]).max() == 0.0
    turned = 2.0 * math.asin(plant.states[0]["orientation"][2])
    assert turned == pytest.approx(0.5**2 / (2.0 * slowing), rel=2e-3)


def test_a_spinning_disc_slides_on_for_longer():
    ends = []
    for rate in (0.0, 5.0):
        plant = landed()
        set_motion(plant, 0, velocity=(0.2, 0.0, 0.0), rate=(0.0, 0.0, rate))
        run(plant, 100)
        assert not plant.states[0]["velocity"].any()
        ends.append(plant.states[0]["position"][0])
    assert ends[1] > 1.5 * ends[0]


@settings(deadline=None, max_examples=25)
@given(st.floats(-0.7, 0.7), st.floats(-0.7, 0.7), st.floats(-2.0, 2.0))
def test_whatever_it_did_it_comes_to_rest_and_never_gains_energy(vx, vy, rate):
    plant = landed()
    set_motion(plant, 0, velocity=(vx, vy, 0.0), rate=(0.0, 0.0, rate))
    energies = []

    def note(_):
        state = plant.states[0]
        energies.append(0.5 * MASS * np.sum(state["velocity"] ** 2) + 0.5 * INERTIA * state["rate"][2] ** 2)

    run(plant, 150, each=note)
    assert np.all(np.diff(energies) <= 1e-15)
    assert not plant.states[0]["velocity"].any()
    assert not plant.states[0]["rate"].any()


def test_full_thrust_on_a_slope_does_not_make_it_creep():
    plant = landed(tilt_mrad=(0.3, 0.0), earth_rate=7.3e-5)
    before = plant.states[0]["position"].copy()
    plant.accept_schedule(0, a_schedule(START, (0.0, (0, 6)), (0.15, ())), START)
    run(plant, 1000)
    assert np.array_equal(plant.states[0]["position"], before)
    assert not plant.states[0]["velocity"].any()


def test_one_that_floats_bumps_into_one_that_stands_and_hardly_moves_it():
    plant = a_plant(steady(), steady("siskin"), room=short_of_air(1e9))
    plant.states[1]["landed"], plant.states[1]["carriage_pressure"] = 1, 0.0
    plant.place(0, np.array([-0.5, 0.0, 0.0]), LEVEL, START)
    plant.place(1, np.array([0.0, 0.0, 0.0]), LEVEL, START)
    set_motion(plant, 0, velocity=(0.05, 0.0, 0.0))
    run(plant, 400)
    force = plant.take_contacts()[0].peak_force
    assert 10.0 < force < FRICTION * MASS * GRAVITY
    assert plant.states[1]["position"][0] == 0.0
    assert plant.states[0]["velocity"][0] < -0.01
