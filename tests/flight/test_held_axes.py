"""On the table the floor holds z, roll and pitch: no valve fires for them, whatever is asked, whatever the layout."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbed.description.axes import CABIN_AXES, TABLE_AXES, axis_mask
from testbed.description.messages import PERIOD_NS
from testbed.flight.allocation import Allocation
from testbed.flight.guidance import Guidance
from testbed.flight.thruster_driver import ThrusterDriver
from tests.drawn.vehicles import drawn_vehicle
from tests.flight.example_vehicle import vehicle
from tests.flight.floating_body import START
from tests.flight.guidance.test_guidance import answer, maneuver
from tests.flight.test_thruster_driver import SIZE, drive

HELD = ~axis_mask(TABLE_AXES)
seeds = st.integers(0, 9_999)


@pytest.mark.parametrize("axis", ["z", "roll", "pitch"])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_no_valve_ever_opens_for_a_wrench_along_a_held_axis(axis, sign):
    wrench = sign * SIZE * (np.array(CABIN_AXES) == axis)
    for schedule in drive(ThrusterDriver(vehicle(), "table", TABLE_AXES), [wrench] * 50):
        assert not schedule["open"].any()
    opened = drive(ThrusterDriver(vehicle(), "cabin", CABIN_AXES), [wrench] * 50)
    assert any(schedule["open"].any() for schedule in opened), "the same vehicle fires for it in the cabin"


@given(seed=seeds)
def test_what_is_asked_of_held_axes_changes_no_pulse(seed):
    generator = np.random.default_rng(seed)
    one = drawn_vehicle(generator, vehicle())
    wrenches = generator.normal(size=(20, 6)) * SIZE
    with_them, without = (
        drive(ThrusterDriver(one, "table", TABLE_AXES), asked) for asked in (wrenches, np.where(HELD, 0.0, wrenches))
    )
    assert all(a == b for a, b in zip(with_them, without, strict=True))


@given(seed=seeds)
def test_duties_of_any_layout_are_no_more_than_the_free_axes_need(seed):
    generator = np.random.default_rng(seed)
    one = drawn_vehicle(generator, vehicle())
    wrench = generator.normal(size=6) * SIZE
    duty, scale, _ = Allocation(one, "table", TABLE_AXES).allocate(wrench)
    alone, alone_scale, _ = Allocation(one, "table", TABLE_AXES).allocate(np.where(HELD, 0.0, wrench))
    assert duty.tolist() == alone.tolist()
    assert scale == alone_scale


def test_guidance_asks_for_nothing_along_held_axes():
    """It tilts, bounces and rolls, as far as the estimator tells; the wrench stays in the plane."""
    generator = np.random.default_rng(7)
    guidance = Guidance(vehicle(), "table", TABLE_AXES)
    guidance.accept_maneuver(maneuver("hold", position=(0.2, -0.1, 0.9), orientation=(0.0, 0.0, 0.0, 1.0)).record())
    asked = []
    for step in range(200):
        turn = np.append(generator.normal(0.0, 0.02, 3), 1.0)
        wrench, _, _ = answer(
            guidance,
            stamp=START + step * PERIOD_NS["wrench"],
            position=generator.normal(0.0, 0.02, 3),
            orientation=turn / np.linalg.norm(turn),
            linear_velocity=generator.normal(0.0, 0.02, 3),
            angular_velocity=generator.normal(0.0, 0.02, 3),
        )
        asked.append([*wrench["force"], *wrench["torque"]])
    assert np.abs(asked).max(axis=0)[HELD].tolist() == [0.0, 0.0, 0.0]
    assert (np.abs(asked).max(axis=0)[~HELD] > 0.0).all()
