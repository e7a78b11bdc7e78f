"""Plumes: how much of a jet is caught, and what that does to who is hit."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from testbed.description.vehicle import Plume, ThrusterSet, Valve
from testbed.model.plume import PLUME_NS, caught, overlap
from tests.model.scene import CABIN, FLAT, LEVEL, START, TICK, a_plant, a_schedule, a_vehicle, run, steady

SLOPE, REACH, RADIUS = math.tan(math.radians(15.0)), 0.8, 0.13

radii = st.floats(0.01, 1.0)


@settings(deadline=None, max_examples=60)
@given(radii, radii, st.floats(0.0, 2.5))
def test_the_area_that_circles_share_agrees_with_counting_points(first, second, distance):
    n = 400
    x = (np.arange(n) + 0.5) / n * 2.0 * first - first
    inside_first = np.add.outer(x**2, x**2) < first**2
    inside_second = np.add.outer(x**2, (x - distance) ** 2) < second**2
    counted = np.count_nonzero(inside_first & inside_second) * (2.0 * first / n) ** 2
    assert overlap(first, second, distance) == pytest.approx(counted, abs=0.01 * first * first)


@settings(deadline=None)
@given(st.floats(-1.0, 2.0), st.floats(0.0, 1.0))
def test_the_share_caught_is_a_share_and_falls_with_offset(along, offset):
    share = caught(SLOPE, REACH, along, offset, RADIUS)
    assert 0.0 <= share <= 1.0
    assert caught(SLOPE, REACH, along, offset + 0.01, RADIUS) <= share + 1e-12


def test_what_passes_by_pushes_nobody():
    assert caught(SLOPE, REACH, 0.4, RADIUS + 0.4 * SLOPE + 1e-9, RADIUS) == 0.0
    assert caught(SLOPE, REACH, -0.1, 0.0, RADIUS) == 0.0
    assert caught(SLOPE, REACH, REACH, 0.0, RADIUS) == 0.0


def test_a_push_beside_the_centre_turns_who_is_hit():
    jet = Valve(name="forward", position=(0.13, 0.0, 0.0), exhaust=(1.0, 0.0, 0.0), thrust=0.15)
    shooter = a_vehicle("wren", {"delay_jitter": 0.0, "maximum_sag": 0.0})
    shooter = shooter.model_copy(update={"thrusters": shooter.thrusters.model_copy(update={"valves": (jet,)})})
    plant = a_plant(shooter, steady("siskin"), room=CABIN)
    plant.place(0, np.zeros(3), LEVEL, START)
    plant.place(1, np.array([0.53, 0.05, 0.0]), LEVEL, START)
    plant.accept_schedule(0, a_schedule(START, (0.0, (0,)), (0.1, ())), START)
    run(plant, 40)
    hit = plant.states[1]
    assert hit["velocity"][0] > 0.0
    # the push is along x at y = -0.05·R²/(R² + r²) from its centre: it turns to the left
    jet_radius = 0.4 * SLOPE
    arm = -0.05 * RADIUS**2 / (RADIUS**2 + jet_radius**2)
    assert hit["rate"][2] * 0.068 == pytest.approx(-arm * hit["velocity"][0] * 6.0, rel=1e-3)


def test_a_jet_at_the_own_carriage_loses_what_the_carriage_catches():
    down = Valve(name="down", position=(0.0, 0.0, -0.1), exhaust=(0.3, 0.0, -1.0), thrust=0.15)
    vehicle = a_vehicle().model_copy(update={"thrusters": ThrusterSet(valves=(down,), misalignment_deg=0.0)})
    along = 0.35 * math.hypot(0.3, 1.0)
    share = caught(SLOPE, REACH, along, 0.3 * 0.35, 0.20)
    assert 0.3 < share < 0.9
    full = 0.15 * 0.3 / math.hypot(0.3, 1.0)
    on_floor, afloat = (a_plant(vehicle, room=room).vehicles[0]["valve_force"][0, 0] for room in (FLAT, CABIN))
    assert afloat == pytest.approx(-full, rel=1e-12)
    assert on_floor == pytest.approx(-full * (1.0 - share), rel=1e-12)


def test_without_a_reach_there_is_no_plume():
    thrusters = steady().thrusters.model_copy(update={"plume": Plume(reach=0.0)})
    plant = a_plant(steady(thrusters=thrusters), steady("siskin"), room=CABIN)
    plant.place(0, np.zeros(3), LEVEL, START)
    plant.place(1, np.array([0.4, 0.0, 0.0]), LEVEL, START)
    plant.accept_schedule(0, a_schedule(START, (0.0, tuple(range(12))), (0.1, ())), START)
    run(plant, 30)
    assert not plant.states[1]["velocity"].any()


def test_a_push_comes_in_the_period_after_its_jet_and_ends():
    plant = a_plant(steady(), steady("siskin"), room=CABIN)
    plant.place(0, np.zeros(3), LEVEL, START)
    plant.place(1, np.array([0.4, 0.13, 0.0]), LEVEL, START)
    plant.accept_schedule(0, a_schedule(START, (0.0, (9,)), (0.05, ())), START)
    speeds = []
    run(plant, 40, each=lambda now: speeds.append(float(np.linalg.norm(plant.states[1]["velocity"]))))
    gains = np.diff(speeds)
    period = PLUME_NS // TICK
    assert np.all(gains[:period] == 0.0)
    assert np.all(gains[period : 2 * period] > 0.0)
    assert np.all(gains[2 * period :] == 0.0)


def test_who_is_put_elsewhere_leaves_the_push_of_the_jet_behind():
    plant = a_plant(steady(), steady("siskin"), room=CABIN)
    plant.place(0, np.zeros(3), LEVEL, START)
    plant.place(1, np.array([0.4, 0.13, 0.0]), LEVEL, START)
    plant.accept_schedule(0, a_schedule(START, (0.0, (9,)), (0.05, ())), START)
    stamp = run(plant, PLUME_NS // TICK + 2)
    assert plant.states[1]["velocity"].any()
    plant.place(1, np.array([0.4, 1.0, 0.0]), LEVEL, stamp)
    run(plant, 20, stamp)
    assert not plant.states[1]["velocity"].any()


@pytest.mark.parametrize("order", [(1, 2), (2, 1)])
def test_who_is_behind_another_gets_what_that_one_leaves(order):
    jet = Valve(name="forward", position=(0.13, 0.0, 0.0), exhaust=(1.0, 0.0, 0.0), thrust=0.15)
    shooter = steady(thrusters=steady().thrusters.model_copy(update={"valves": (jet,)}))
    plant = a_plant(shooter, steady("siskin"), steady("dunlin"), room=CABIN)
    near, far = order
    plant.place(0, np.zeros(3), LEVEL, START)
    plant.place(near, np.array([0.45, 0.0, 0.0]), LEVEL, START)
    plant.place(far, np.array([0.75, 0.0, 0.0]), LEVEL, START)
    plant.accept_schedule(0, a_schedule(START, (0.0, (0,)), (0.1, ())), START)
    run(plant, 40)
    impulse = plant.states[0]["valve_impulse"][0]
    first, second = (plant.states[k]["velocity"][0] * 6.0 / impulse for k in (near, far))
    taken = caught(SLOPE, REACH, 0.32, 0.0, RADIUS)
    assert first == pytest.approx(taken, rel=2e-3)
    assert second == pytest.approx((1.0 - taken) * caught(SLOPE, REACH, 0.62, 0.0, RADIUS), rel=2e-2)
    assert first + second < 1.0
