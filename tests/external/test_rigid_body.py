"""Rigid bodies against MuJoCo: the same body, the same thrust, no contact.

MuJoCo (Todorov et al., IROS 2012) integrates with its own Runge-Kutta method at a tenth of a tick; it knows neither our
valves nor our equations, and gets the force of each of its steps from the closed form of the pulses. The tolerance of
either is what halving its step changes, and both have to agree to within that. MuJoCo's step can be set; the plant's is
halved by doubling every time instead: pulses twice as long at a quarter of the thrust, half the velocity and the rate,
a quarter of gravity make the same way in twice as many ticks.
"""

import mujoco
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.description.effects import Effect
from testbed.description.vehicle import MassProperties
from tests.model.effects.alone import plant_with
from tests.model.scene import CABIN, FLAT, START, TICK, a_schedule, run, set_motion, steady

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


def simulator(step, body, joints, position, orientation, gravity=(0.0, 0.0, 0.0)):
    """A MuJoCo model of one body with these properties; `joints` is its XML."""
    tensor = body.inertia_tensor()
    full = " ".join(str(tensor[pair]) for pair in ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2)))
    centre = " ".join(map(str, body.centre_of_mass))
    x, y, z, w = orientation
    model = mujoco.MjModel.from_xml_string(
        f"""<mujoco><option timestep="{step}" gravity="{" ".join(map(str, gravity))}" integrator="RK4"/>
        <worldbody><body name="v" pos="{" ".join(map(str, position))}" quat="{w} {x} {y} {z}">{joints}
        <inertial pos="{centre}" mass="{body.mass}" fullinertia="{full}"/></body></worldbody></mujoco>"""
    )
    return model, mujoco.MjData(model)


def fly(model, data, vehicle, body, pulses, duration):
    """Step MuJoCo under the pulses {valve: (opened, closed)}; forces act in body axes at the centre of mass."""
    wrench, step = vehicle.thrusters.wrench_matrix(body.centre_of_mass), model.opt.timestep
    for k in range(round(duration / step)):
        # the impulse of this step exactly: the levels are linear between multiples of 1 ms
        begin, end = k * step, (k + 1) * step
        total = np.zeros(6)
        for valve, (opened, closed) in pulses.items():
            total += wrench[:, valve] * 0.5 * (level(begin, opened, closed) + level(end, opened, closed))
        mujoco.mj_kinematics(model, data)
        mujoco.mj_comPos(model, data)
        mujoco.mj_comVel(model, data)
        # MuJoCo holds a force in the fixed frame during a step: give it the direction of the middle of the step
        half = Rotation.from_rotvec(data.cvel[1, :3] * step / 2.0).as_matrix()
        turn = half @ data.xmat[1].reshape(3, 3)
        data.xfrc_applied[1] = np.concatenate([turn @ total[:3], turn @ total[3:]])
        mujoco.mj_step(model, data)
    mujoco.mj_forward(model, data)


def opened_by(pulses, now, slowness):
    """The schedule of the pulses' edges from `now` on, one tenth of a second long."""
    begin = (now - START) / 1e9
    slow = {valve: (slowness * opened, slowness * closed) for valve, (opened, closed) in pulses.items()}
    instants = {begin} | {t for pair in slow.values() for t in pair if begin < t < begin + 0.1 - 1e-9}
    points = [
        (instant - begin, [v for v, (opened, closed) in slow.items() if opened <= instant < closed])
        for instant in sorted(instants)
    ]
    return a_schedule(now, *points, (0.1, ()))


def emulate(plant, pulses, duration, slowness):
    """Run the plant under the same pulses, all times so many times as long, a new schedule each tenth of a second."""
    for k in range(round(slowness * duration * 100)):
        now = START + k * TICK
        if k % 10 == 0:
            plant.accept_schedule(0, opened_by(pulses, now, slowness), now)
        run(plant, 1, now)


def slowed(body_of, body, slowness):
    """A vehicle whose every time is so many times as long."""
    vehicle = steady(**{body_of: body})
    thrusters = vehicle.thrusters
    valves = tuple(valve.model_copy(update={"thrust": valve.thrust / slowness**2}) for valve in thrusters.valves)
    times = {
        name: slowness * getattr(thrusters, name)
        for name in ("opening_delay", "closing_delay", "rise_time", "fall_time")
    }
    thrusters = thrusters.model_copy(update={"valves": valves, **times})
    return vehicle.model_copy(update={"thrusters": thrusters})


PULSES = {0: (0.0, 0.4), 4: (0.05, 0.85), 2: (0.2, 0.213), 7: (0.333, 1.5), 11: (1.0, 1.05), 9: (1.2, 2.0)}
DURATION = 4.0
VALVES = (Effect.VALVE_DELAY, Effect.VALVE_RAMP)


def random_pulses(seed):
    """One pulse of each valve, whole milliseconds."""
    random = np.random.default_rng(seed)
    begins, lengths = random.integers(0, 2500, 12), random.integers(10, 1000, 12)
    return {v: (begins[v] / 1000, (begins[v] + lengths[v]) / 1000) for v in range(12)}


PROFILES = pytest.mark.parametrize("pulses", [PULSES, random_pulses(1)], ids=["six valves", "all valves"])


def agree(ours, theirs, floor):
    """Whether ours and theirs agree at a step and at half of it, to the tolerances of both; floor: rounding.

    Of second order, an error is 4/3 of what halving the step changes, and 1/3 of it after halving.
    """
    tolerance = np.linalg.norm(ours[0] - ours[1]) + np.linalg.norm(theirs[0] - theirs[1])
    coarse, fine = (np.linalg.norm(one - other) for one, other in zip(ours, theirs, strict=True))
    return coarse < 1.4 * tolerance + floor and fine < 0.4 * tolerance + floor


@PROFILES
def test_a_free_body_in_three_dimensions_flies_as_mujocos(pulses):
    start = Rotation.from_euler("ZYX", [0.4, -0.2, 0.3])
    position, velocity, rate = np.array([0.2, -0.1, 0.3]), np.array([0.05, -0.02, 0.03]), np.array([0.2, -0.15, 0.25])
    ours, theirs = [], []
    for slowness in (1, 2):
        plant = plant_with(*VALVES, vehicles=[slowed("flight", LOPSIDED, slowness)], room=CABIN)
        plant.place(0, position, start.as_quat(), START)
        set_motion(plant, 0, velocity=velocity / slowness, rate=rate / slowness)
        emulate(plant, pulses, DURATION, slowness)
        state = plant.states[0]
        turn = Rotation.from_quat(state["orientation"])
        ours.append((state["position"], state["centre"], turn, slowness * state["rate"]))
    for step in (0.001, 0.0005):
        model, data = simulator(step, LOPSIDED, "<freejoint/>", position, start.as_quat())
        # MuJoCo's free joint: velocity of the body's origin in fixed axes, rate in body axes
        data.qvel[:3] = velocity - np.cross(start.apply(rate), start.apply(LOPSIDED.centre_of_mass))
        data.qvel[3:] = rate
        fly(model, data, slowed("flight", LOPSIDED, 1), LOPSIDED, pulses, DURATION)
        theirs.append((data.qpos[:3], data.xipos[1], Rotation.from_quat(np.roll(data.qpos[3:], -1)), data.qvel[3:]))
    assert np.linalg.norm(ours[0][0] - position) > 0.1
    for quantity, floor in ((0, 1e-11), (1, 1e-11), (3, 1e-10)):
        assert agree([one[quantity] for one in ours], [one[quantity] for one in theirs], floor)
    first = ours[0][2].inv()
    assert agree(
        [(first * one[2]).as_rotvec() for one in ours], [(first * one[2]).as_rotvec() for one in theirs], 1e-10
    )


@PROFILES
@pytest.mark.parametrize("tilt_mrad", [(0.0, 0.0), (0.15, -0.1)], ids=["level", "tilted"])
def test_a_body_on_the_table_moves_as_mujocos_with_three_joints(pulses, tilt_mrad):
    start, rate = Rotation.from_euler("z", 0.6), 0.2
    ours, theirs = [], []
    for slowness in (1, 2):
        room = FLAT.model_copy(update={"tilt_mrad": tilt_mrad, "gravity": FLAT.gravity / slowness**2})
        plant = plant_with(*VALVES, Effect.TILT, vehicles=[slowed("floor", FLOOR, slowness)], room=room)
        plant.place(0, np.array([0.3, -0.2, 0.0]), start.as_quat(), START)
        set_motion(plant, 0, velocity=np.array([0.03, 0.05, 0.0]) / slowness, rate=(0.0, 0.0, rate / slowness))
        emulate(plant, pulses, DURATION, slowness)
        state = plant.states[0]
        heading = Rotation.from_quat(state["orientation"]).as_euler("ZYX")[:1]
        ours.append((state["position"][:2], heading, slowness * state["rate"][2:]))
    joints = '<joint type="slide" axis="1 0 0"/><joint type="slide" axis="0 1 0"/><joint type="hinge" axis="0 0 1"/>'
    downhill = -9.80665e-3 * np.array(tilt_mrad)
    arm = start.apply(FLOOR.centre_of_mass)
    for step in (0.001, 0.0005):
        model, data = simulator(step, FLOOR, joints, (0.0, 0.0, 0.45), (0.0, 0.0, 0.0, 1.0), (*downhill, -9.80665))
        data.qpos[:] = (0.3, -0.2, 0.6)
        data.qvel[:] = (0.03 + rate * arm[1], 0.05 - rate * arm[0], rate)
        fly(model, data, slowed("floor", FLOOR, 1), FLOOR, pulses, DURATION)
        turns = round(float(data.qpos[2] - ours[0][1][0]) / (2.0 * np.pi))
        theirs.append((data.qpos[:2], data.qpos[2:] - 2.0 * np.pi * turns, data.qvel[2:]))
    assert abs(ours[0][1][0] - 0.6) > 0.1
    for quantity, floor in ((0, 1e-11), (1, 1e-10), (2, 1e-10)):
        assert agree([one[quantity] for one in ours], [one[quantity] for one in theirs], floor)
