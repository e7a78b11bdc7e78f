"""Rigid bodies against MuJoCo: the same body, the same thrust, no contact.

MuJoCo (Todorov et al., IROS 2012) integrates with its own Runge-Kutta method at a tenth of a tick; it knows neither our
valves nor our equations, and gets the force of each of its steps from the closed form of the pulses.
"""

import mujoco
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.description.vehicle import MassProperties
from tests.model.scene import CABIN, FLAT, START, TICK, a_plant, a_schedule, run, set_motion, steady

STEP = 0.001
OPENING, CLOSING, RISE, FALL = 0.006, 0.005, 0.002, 0.002
LOPSIDED = MassProperties(
    mass=6.0, inertia=(0.05, 0.065, 0.08), products=(0.004, -0.003, 0.002), centre_of_mass=(0.01, -0.02, 0.015)
)
FLOOR = MassProperties(mass=13.0, inertia=(0.25, 0.26, 0.24), centre_of_mass=(0.012, -0.008, -0.2))


def level(time, opened, closed):
    """How far a valve commanded open from `opened` to `closed` (s) is open."""
    rising = np.clip((time - opened - OPENING) / RISE, 0.0, 1.0)
    falling = np.clip((time - closed - CLOSING) / FALL, 0.0, 1.0)
    return rising - falling


def simulator(body, joints, position, orientation, gravity=(0.0, 0.0, 0.0), damping=0.0):
    """A MuJoCo model of one body with these properties; `joints` is its XML."""
    tensor = body.inertia_tensor()
    full = " ".join(str(tensor[pair]) for pair in ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2)))
    centre = " ".join(map(str, body.centre_of_mass))
    x, y, z, w = orientation
    model = mujoco.MjModel.from_xml_string(
        f"""<mujoco><option timestep="{STEP}" gravity="{" ".join(map(str, gravity))}" integrator="RK4"/>
        <worldbody><body name="v" pos="{" ".join(map(str, position))}" quat="{w} {x} {y} {z}">{joints}
        <inertial pos="{centre}" mass="{body.mass}" fullinertia="{full}"/></body></worldbody></mujoco>"""
    )
    return model, mujoco.MjData(model)


def fly(model, data, vehicle, body, pulses, duration):
    """Step MuJoCo under the pulses {valve: (opened, closed)}; forces act in body axes at the centre of mass."""
    wrench = vehicle.thrusters.wrench_matrix(body.centre_of_mass)
    for k in range(round(duration / STEP)):
        # the impulse of this step exactly: the levels are linear between multiples of 1 ms
        begin, end = k * STEP, (k + 1) * STEP
        total = np.zeros(6)
        for valve, (opened, closed) in pulses.items():
            total += wrench[:, valve] * 0.5 * (level(begin, opened, closed) + level(end, opened, closed))
        mujoco.mj_kinematics(model, data)
        mujoco.mj_comPos(model, data)
        mujoco.mj_comVel(model, data)
        # MuJoCo holds a force in the fixed frame during a step: give it the direction of the middle of the step
        half = Rotation.from_rotvec(data.cvel[1, :3] * STEP / 2.0).as_matrix()
        turn = half @ data.xmat[1].reshape(3, 3)
        data.xfrc_applied[1] = np.concatenate([turn @ total[:3], turn @ total[3:]])
        mujoco.mj_step(model, data)
    mujoco.mj_forward(model, data)


def opened_by(pulses, now):
    """The schedule of the pulses' edges from `now` on, one tenth of a second long."""
    begin = (now - START) / 1e9
    instants = {begin} | {t for pair in pulses.values() for t in pair if begin < t < begin + 0.1 - 1e-9}
    points = [
        (instant - begin, [v for v, (opened, closed) in pulses.items() if opened <= instant < closed])
        for instant in sorted(instants)
    ]
    return a_schedule(now, *points, (0.1, ()))


def emulate(plant, pulses, duration):
    """Run the plant under the same pulses, a new schedule each tenth of a second."""
    for k in range(round(duration * 100)):
        now = START + k * TICK
        if k % 10 == 0:
            plant.accept_schedule(0, opened_by(pulses, now), now)
        run(plant, 1, now)


def no_sag(**bodies):
    vehicle = steady()
    thrusters = vehicle.thrusters.model_copy(update={"maximum_sag": 0.0})
    return vehicle.model_copy(update={"thrusters": thrusters, **bodies})


PULSES = {0: (0.0, 0.4), 4: (0.05, 0.85), 2: (0.2, 0.213), 7: (0.333, 1.5), 11: (1.0, 1.05), 9: (1.2, 2.0)}


def test_a_free_body_in_three_dimensions_flies_as_mujocos():
    vehicle = no_sag(flight=LOPSIDED)
    start = Rotation.from_euler("ZYX", [0.4, -0.2, 0.3])
    rate = np.array([0.2, -0.15, 0.25])
    velocity = np.array([0.05, -0.02, 0.03])
    plant = a_plant(vehicle, room=CABIN)
    plant.place(0, np.array([0.2, -0.1, 0.3]), start.as_quat(), START)
    set_motion(plant, 0, velocity=velocity, rate=rate)
    model, data = simulator(LOPSIDED, "<freejoint/>", (0.2, -0.1, 0.3), start.as_quat())
    # MuJoCo's free joint: velocity of the body's origin in fixed axes, rate in body axes
    data.qvel[:3] = velocity - np.cross(start.apply(rate), start.apply(LOPSIDED.centre_of_mass))
    data.qvel[3:] = rate
    emulate(plant, PULSES, 4.0)
    fly(model, data, vehicle, LOPSIDED, PULSES, 4.0)
    state = plant.states[0]
    turned = Rotation.from_quat(state["orientation"]).inv() * Rotation.from_quat(np.roll(data.qpos[3:], -1))
    assert np.linalg.norm(state["position"] - [0.2, -0.1, 0.3]) > 0.2
    assert state["position"] == pytest.approx(data.qpos[:3], abs=2e-8)
    assert turned.magnitude() < 1e-7
    assert state["rate"] == pytest.approx(data.qvel[3:], abs=5e-8)
    assert state["centre"] == pytest.approx(data.xipos[1], abs=2e-8)


@pytest.mark.parametrize("tilt_mrad", [(0.0, 0.0), (0.15, -0.1)], ids=["level", "tilted"])
def test_a_body_on_the_table_moves_as_mujocos_with_three_joints(tilt_mrad):
    vehicle = no_sag(floor=FLOOR)
    plant = a_plant(vehicle, room=FLAT.model_copy(update={"tilt_mrad": tilt_mrad}))
    start = Rotation.from_euler("z", 0.6)
    plant.place(0, np.array([0.3, -0.2, 0.0]), start.as_quat(), START)
    set_motion(plant, 0, velocity=(0.03, 0.05, 0.0), rate=(0.0, 0.0, 0.2))
    joints = '<joint type="slide" axis="1 0 0"/><joint type="slide" axis="0 1 0"/><joint type="hinge" axis="0 0 1"/>'
    downhill = -9.80665e-3 * np.array(tilt_mrad)
    model, data = simulator(FLOOR, joints, (0.0, 0.0, 0.45), (0.0, 0.0, 0.0, 1.0), (*downhill, -9.80665))
    data.qpos[:] = (0.3, -0.2, 0.6)
    arm = start.apply(FLOOR.centre_of_mass)
    data.qvel[:] = (0.03 + 0.2 * arm[1], 0.05 - 0.2 * arm[0], 0.2)
    emulate(plant, PULSES, 4.0)
    fly(model, data, vehicle, FLOOR, PULSES, 4.0)
    state = plant.states[0]
    heading = Rotation.from_quat(state["orientation"]).as_euler("ZYX")[0]
    assert abs(heading - 0.6) > 0.3
    assert state["position"][:2] == pytest.approx(data.qpos[:2], abs=2e-8)
    assert heading == pytest.approx(data.qpos[2], abs=5e-8)
    assert state["rate"][2] == pytest.approx(data.qvel[2], abs=5e-8)
