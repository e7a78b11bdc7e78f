"""Each imperfection of the cabin alone: a body set free against its closed form."""

import math

import numpy as np
import pytest

from testbed.description.cabin import Cabin, Orbit, Ventilation
from testbed.description.effects import Effect
from tests.model.effects.alone import plant_with
from tests.model.scene import LEVEL, SILENCE, START, run, set_motion, steady
from tests.model.test_inertial_sensor import sample

MASS, SPIN_INERTIA = 6.0, 0.068
ROOM = Cabin(
    name="real",
    size=(4.0, 3.0, 2.5),
    ventilation=Ventilation(velocity=(0.0, 0.08, 0.0), circulation_speed=0.1),
    orbit=Orbit(rate=0.00113, steady_acceleration=(5e-6, 0.0, -2e-6)),
)
DRAG = 0.5 * 1.2 * 1.05 * 0.068


def drift(*effects, seconds=10, position=(0.0, 0.0, 0.0), velocity=(0.0, 0.0, 0.0), rate=(0.0, 0.0, 0.0), **air):
    """The plant with the default resistance to air, after it was let go."""
    vehicle = steady()
    vehicle = vehicle.model_copy(update={"air": type(vehicle.air)(**air)})
    plant = plant_with(*effects, room=ROOM, vehicles=(vehicle,), noise=SILENCE)
    plant.place(0, np.array(position), LEVEL, START)
    set_motion(plant, 0, velocity=velocity, rate=rate)
    run(plant, 100 * seconds)
    return plant


def drag_makes_one_over_the_speed_grow_linearly():
    state = drift(Effect.AIR_DRAG, velocity=(0.06, 0.0, 0.08)).states[0]  # m dv/dt = -c v²
    slower = 1.0 / (1.0 + DRAG / MASS * 0.1 * 10.0)
    assert state["velocity"] == pytest.approx([0.06 * slower, 0.0, 0.08 * slower], rel=1e-10)


def a_spin_is_damped_by_a_linear_and_a_quadratic_torque():
    for linear, quadratic in ((1e-3, 0.0), (0.0, 1e-3), (1e-3, 1e-3)):
        air = {"rotation_damping": linear, "rotation_drag": quadratic}
        rate = drift(Effect.ROTATION_DAMPING, rate=(0.0, 0.0, 0.2), **air).states[0]["rate"][2]
        # J dw/dt = -(a + c w) w: partial fractions, ln(w / (a + c w)) falls by a t / J
        if linear == 0.0:
            expected = 0.2 / (1.0 + quadratic * 0.2 * 10.0 / SPIN_INERTIA)
        else:
            fall = 0.2 / (linear + quadratic * 0.2) * math.exp(-linear * 10.0 / SPIN_INERTIA)
            expected = linear * fall / (1.0 - quadratic * fall)
        assert rate == pytest.approx(expected, rel=1e-10)


def a_draught_takes_a_body_along():
    # without drag no draught pushes, so the drag stays on; at the centre the roll stands still
    state = drift(Effect.VENTILATION, Effect.AIR_DRAG, velocity=(0.0, 0.0, 0.0)).states[0]
    past = 0.08 / (1.0 + DRAG / MASS * 0.08 * 10.0)
    assert state["velocity"][1] == pytest.approx(0.08 - past, rel=1e-5)
    assert abs(state["velocity"][0]) < 1e-8
    # and where it is fastest, in the middle of the ceiling, it pulls towards negative x by the square of its speed
    near = drift(
        Effect.VENTILATION, Effect.AIR_DRAG, seconds=1, position=(0.0, 0.0, 1.1), velocity=(0.0, 0.08, 0.0)
    ).states[0]
    flow = 0.1 * math.sin(math.pi * 1.1 / 2.5)
    assert near["velocity"][0] == pytest.approx(-DRAG / MASS * flow**2, rel=1e-3)


def an_orbit_gives_coriolis_and_tidal_acceleration():
    n = 0.00113
    state = drift(Effect.ORBIT_FRAME, seconds=1, velocity=(0.1, 0.0, 0.0)).states[0]
    assert state["velocity"][2] == pytest.approx(2.0 * n * 0.1, rel=1e-3)  # forward flight rises
    assert 2.0 * n * 0.1 == pytest.approx(2.3e-4, rel=0.02)
    plant = drift(Effect.ORBIT_FRAME, seconds=1, position=(0.0, 1.0, 1.0))
    state = plant.states[0]
    assert state["velocity"] == pytest.approx([0.0, -(n**2), 3.0 * n**2], rel=1e-3, abs=1e-8)
    assert 3.0 * n**2 == pytest.approx(3.8e-6, rel=0.01)
    assert sample(plant)["angular_velocity"] == pytest.approx([0.0, n, 0.0], abs=1e-8)
    assert math.degrees(n) == pytest.approx(0.065, rel=0.01)
    # a spin keeps its axis in inertial space
    spin = drift(Effect.ORBIT_FRAME, seconds=1, rate=(0.0, 0.0, 0.1)).states[0]
    assert spin["rate"][2] == pytest.approx(0.1, rel=1e-4)
    turned = 2.0 * spin["orientation"][:2]
    assert np.linalg.norm(turned) < 2.0 * n


def a_steady_acceleration_grows_with_the_square_of_time():
    plant = drift(Effect.STEADY_ACCELERATION)
    state = plant.states[0]
    assert state["velocity"] == pytest.approx([5e-5, 0.0, -2e-5], rel=1e-12, abs=1e-18)
    assert state["position"] == pytest.approx([2.5e-4, 0.0, -1e-4], rel=1e-12, abs=1e-18)
    assert np.abs(sample(plant)["linear_acceleration"]).max() < 1e-12  # nothing pushes


CASES = {
    Effect.AIR_DRAG: drag_makes_one_over_the_speed_grow_linearly,
    Effect.ROTATION_DAMPING: a_spin_is_damped_by_a_linear_and_a_quadratic_torque,
    Effect.VENTILATION: a_draught_takes_a_body_along,
    Effect.ORBIT_FRAME: an_orbit_gives_coriolis_and_tidal_acceleration,
    Effect.STEADY_ACCELERATION: a_steady_acceleration_grows_with_the_square_of_time,
}


@pytest.mark.parametrize("effect", CASES)
def test_alone_it_has_the_size_of_its_closed_form(effect):
    CASES[effect]()


def test_in_the_ideal_cabin_a_body_goes_on_for_ever():
    state = drift(velocity=(0.05, 0.04, 0.03), rate=(0.0, 0.0, 0.1)).states[0]
    assert state["velocity"].tolist() == [0.05, 0.04, 0.03]
    assert state["rate"] == pytest.approx([0.0, 0.0, 0.1], abs=1e-15)
