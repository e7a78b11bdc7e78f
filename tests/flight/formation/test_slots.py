"""Slots of a formation, and their motion with a frame that moves and turns."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from testbed.description import messages
from testbed.flight.formation import slots
from testbed.flight.formation.frame import Frame, Slot
from testbed.flight.formation.known import Known

NUMBER = st.floats(-1.0, 1.0)
VECTOR = st.tuples(NUMBER, NUMBER, NUMBER)
ATTITUDE = VECTOR.map(lambda v: tuple(Rotation.from_rotvec(np.array(v) * 2.0).as_quat().tolist()))
FRAME = st.builds(Frame, VECTOR, ATTITUDE, VECTOR, VECTOR, st.floats(0.0, 50.0))


def test_a_line_has_its_middle_at_the_origin():
    places = slots.line(4, 0.6, (0.0, 2.0, 0.0))
    assert places == pytest.approx(np.array([[0, -0.9, 0], [0, -0.3, 0], [0, 0.3, 0], [0, 0.9, 0]]))


@pytest.mark.parametrize("count", [1, 2, 3, 6, 9])
def test_neighbours_on_a_ring_are_as_far_apart_as_asked(count):
    places = slots.ring(count, 0.7)
    around = np.linalg.norm(places - np.roll(places, 1, axis=0), axis=1)
    assert len(places) == count
    assert around == pytest.approx(0.7 if count > 1 else 0.0)
    assert slots.least_spacing(places) == (pytest.approx(0.7) if count > 1 else math.inf)


@given(FRAME, VECTOR, st.floats(0.0, 60.0))
def test_velocity_and_acceleration_are_derivatives_of_the_position(frame, place, time):
    step = 1e-3
    positions, velocities, accelerations = Slot(frame, place).at(np.array([time - step, time, time + step]))
    assert (positions[2] - positions[0]) / (2.0 * step) == pytest.approx(velocities[1], abs=1e-5)
    assert (velocities[2] - velocities[0]) / (2.0 * step) == pytest.approx(accelerations[1], abs=1e-5)


@given(FRAME, st.lists(VECTOR, min_size=2, max_size=6), st.floats(0.0, 60.0))
def test_a_formation_keeps_its_shape_while_the_frame_moves_and_turns(frame, places, time):
    where = np.array([slot.at(np.array([time]))[0][0] for slot in slots.carried(frame, places)])
    wanted = np.linalg.norm(np.array(places)[:, None] - np.array(places)[None], axis=2)
    assert np.linalg.norm(where[:, None] - where[None], axis=2) == pytest.approx(wanted, abs=1e-9)


@given(FRAME, st.lists(VECTOR, min_size=1, max_size=4))
def test_the_fastest_slot_is_never_faster_than_told(frame, places):
    carried = slots.carried(frame, places)
    times = np.linspace(0.0, 60.0, 400)
    seen = max(float(np.max(np.linalg.norm(slot.at(times)[1], axis=1))) for slot in carried)
    assert seen <= slots.fastest(carried) + 1e-9


def test_the_fastest_slot_of_a_turning_frame_moves_at_rate_times_radius():
    frame = Frame((0.0, 0.0, 0.0), velocity=(0.02, 0.0, 0.0), rate=(0.0, 0.0, 0.03))
    assert slots.fastest(slots.carried(frame, slots.line(3, 1.0))) == pytest.approx(0.02 + 0.03 * 1.0)


def test_a_leaders_frame_carries_slots_with_its_pose_and_twist():
    odometry = np.zeros(1, messages.ODOMETRY)[0]
    odometry["position"] = (1.0, 2.0, 0.0)
    odometry["orientation"] = (0.0, 0.0, math.sin(math.pi / 4), math.cos(math.pi / 4))  # facing along y
    odometry["linear_velocity"] = (0.05, 0.0, 0.0)
    odometry["angular_velocity"] = (0.0, 0.0, 0.1)
    slot = Slot(Known.of(odometry, 7.0).frame((0, 1)), (1.0, 0.0, 0.0))
    positions, velocities, accelerations = slot.at(np.array([7.0]))
    assert positions[0] == pytest.approx([1.0, 3.0, 0.0])
    assert velocities[0] == pytest.approx([-0.1, 0.05, 0.0])
    assert accelerations[0] == pytest.approx([0.0, -0.01, 0.0])


def test_a_slot_turns_a_vehicle_with_the_frame():
    half = math.pi / 4
    slot = Slot(Frame.at_point((0.0, 0.0, 0.0), 0.5), (0.0, 0.0, 0.0), (0.0, 0.0, math.sin(half), math.cos(half)))
    heading = slot.orientations(np.array([3.0]))[0].as_euler("ZYX")[0]
    assert heading == pytest.approx(0.5 + 2.0 * half)
