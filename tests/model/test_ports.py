"""Ports that meet: what captures, what bounces and why, and how the pull brings them together."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from testbed.model.ports import Capture, Phase
from testbed.model.readings import Latch
from tests.model.docking import BACK, FRONT, dock, meeting, proud
from tests.model.mechanics import free_momentum, kinetic_energy
from tests.model.scene import CABIN, FLAT, START, run

ROOMS = pytest.mark.parametrize("room", [FLAT, CABIN], ids=["table", "cabin"])
DEGREE = math.radians(1.0)


def tips(plant):
    """Contacts of two ports' tips."""
    return [one for one in plant.take_contacts() if one.first_port is not None and one.second_port is not None]


def front(plant, index, port):
    """Where the front of a port is, seen from above, m."""
    state = plant.states[index]
    arm = Rotation.from_quat(state["orientation"]).apply(plant.vehicles[index]["port_position"][port])
    return (state["position"] + arm)[:2]


@ROOMS
def test_two_engaged_ports_that_meet_gently_capture_and_become_rigid(room):
    plant = meeting(room)
    run(plant, 15)
    (latch,) = plant.latches()
    assert latch == Latch(0, FRONT, 1, BACK, Phase.CAPTURING, latch.stamp)
    dock(plant)
    (latch,) = plant.latches()
    assert (latch.phase, plant.root(1)) == (Phase.JOINED, 0)
    apart = np.linalg.norm(plant.states["position"][1, :2] - plant.states["position"][0, :2])
    assert apart == pytest.approx(2.0 * proud(room), abs=1e-3)


@ROOMS
@pytest.mark.parametrize(
    ("changes", "verdict"),
    [
        ({}, Capture.CAPTURED),
        ({"lateral": 0.018}, Capture.CAPTURED),
        ({"lateral": 0.022}, Capture.LATERAL),
        ({"angle": 7.5 * DEGREE}, Capture.CAPTURED),
        ({"angle": 8.5 * DEGREE}, Capture.ANGLE),
        ({"closing": 0.011}, Capture.CAPTURED),
        ({"closing": 0.009}, Capture.TOO_SLOW),
        ({"closing": 0.059}, Capture.CAPTURED),
        ({"closing": 0.062}, Capture.TOO_FAST),
        ({"slip": 0.019, "gap": 0.0005}, Capture.CAPTURED),
        ({"slip": 0.021, "gap": 0.0005}, Capture.SLIP),
        ({"rate": 1.9 * DEGREE}, Capture.CAPTURED),
        ({"rate": -2.1 * DEGREE}, Capture.RATE),
        ({"engaged": (True, False)}, Capture.NOT_ENGAGED),
        ({"engaged": (False, True)}, Capture.NOT_ENGAGED),
    ],
    ids=str,
)
def test_a_port_admits_what_it_says_and_tells_why_it_does_not(room, changes, verdict):
    plant = meeting(room, **changes)
    run(plant, 30 if changes.get("closing", 0.02) > 0.01 else 60)
    touch = tips(plant)[0]
    assert touch.capture is verdict
    assert bool(plant.latches()) == (verdict is Capture.CAPTURED)


@ROOMS
def test_what_is_not_admitted_bounces_with_the_ports_own_restitution(room):
    plant = meeting(room, closing=0.065)
    run(plant, 40)
    first, second = plant.states["velocity"][:, 0]
    assert (second - first) / 0.065 == pytest.approx(0.3, abs=1e-3)


@ROOMS
@pytest.mark.parametrize(
    "changes",
    [{"lateral": 0.018, "closing": 0.05}, {"angle": 7.0 * DEGREE}, {"angle": -7.0 * DEGREE, "lateral": -0.01}],
    ids=str,
)
def test_capture_aligns_the_ports_within_the_contact_budget(room, changes):
    plant = meeting(room, **changes)
    dock(plant)
    assert max(one.peak_force for one in plant.take_contacts()) < 35.0
    facing = np.diff([2.0 * math.atan2(*q[2:]) for q in plant.states["orientation"]])[0]
    assert abs(facing) < 0.5 * DEGREE
    assert np.linalg.norm(front(plant, 0, FRONT) - front(plant, 1, BACK)) < 1e-3


@ROOMS
def test_capture_conserves_momentum_until_and_through_the_joint(room):
    plant = meeting(room, lateral=0.015, angle=5.0 * DEGREE, slip=0.01, rate=1.0 * DEGREE, gap=0.001)
    before = free_momentum(plant)
    for _ in range(40):
        run(plant, 10)
        assert np.allclose(free_momentum(plant), before, rtol=0.0, atol=1e-12 * np.abs(before).max())
    assert plant.latches()[0].phase is Phase.JOINED


@ROOMS
def test_capture_only_takes_energy(room):
    plant = meeting(room, closing=0.05)
    before = kinetic_energy(plant)
    dock(plant)
    assert kinetic_energy(plant) < before


def test_the_pull_is_logged_beside_the_touch():
    plant = meeting(closing=0.05)
    run(plant, 100)
    contacts = plant.take_contacts()
    touch, pull = contacts
    assert touch.capture is pull.capture is Capture.CAPTURED
    assert (pull.first, pull.first_port, pull.second, pull.second_port) == (0, FRONT, 1, BACK)
    assert touch.peak_force > pull.peak_force > 0.0


def test_a_port_that_is_taken_captures_nothing_else():
    plant = meeting()
    run(plant, 15)
    plant.world_state[0]["latch_phase"][0] = 0  # as if another latch held both ports
    plant.world_state[0]["contact_count"] = 0
    run(plant, 40)
    assert all(touch.capture in (Capture.NONE, Capture.OCCUPIED) for touch in tips(plant))


def test_letting_go_during_capture_ends_the_pull():
    plant = meeting()
    stamp = run(plant, 15)
    plant.command_latch(0, FRONT, False, stamp)
    assert plant.latches() == []
    run(plant, 100, stamp)
    assert plant.root(1) == 1


def test_the_port_touches_before_the_carriage_does():
    plant = meeting(lateral=0.02, closing=0.06, engaged=(False, False))
    run(plant, 40)
    contacts = plant.take_contacts()
    assert contacts
    assert all(one.first_port == FRONT and one.second_port == BACK for one in contacts)


def test_the_same_bounds_are_admitted_whoever_comes_first():
    for closing, verdict in ((0.02, Capture.CAPTURED), (0.07, Capture.TOO_FAST)):
        plant = meeting(closing=0.0)
        plant.states["velocity"][1] = (-closing, 0.0, 0.0)
        plant.states["linear_velocity"][1] = (-closing, 0.0, 0.0)
        run(plant, 30, START)
        assert tips(plant)[0].capture is verdict


@ROOMS
@settings(deadline=None, max_examples=40)
@given(
    closing=st.floats(0.005, 0.6),
    lateral=st.floats(-0.03, 0.03),
    angle=st.floats(-0.2, 0.2),
    slip=st.floats(-0.03, 0.03),
    rate=st.floats(-0.1, 0.1),
    engaged=st.booleans(),
)
def test_however_two_ports_meet_momentum_stays(room, closing, lateral, angle, slip, rate, engaged):
    """Captured, bounced, joined or missed, up to ten times the fastest closing speed."""
    plant = meeting(room, closing, 0.002, lateral, angle, slip, rate, (engaged, True))
    before = free_momentum(plant)
    run(plant, 150)
    assert np.allclose(free_momentum(plant), before, rtol=0.0, atol=1e-12 * np.abs(before).max())
    for name in ("position", "orientation", "velocity", "rate"):
        assert np.isfinite(plant.states[name]).all()
    assert np.linalg.norm(np.diff(plant.states["position"][:, :2])) > 0.2
    if plant.latches():
        assert engaged
        assert closing <= 0.0601
