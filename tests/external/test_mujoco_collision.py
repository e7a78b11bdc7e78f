"""Velocities after collisions of discs, and of a disc and an edge, against MuJoCo.

MuJoCo (Todorov et al., IROS 2012) resolves contact by its own constraint solver. Its spring has the plant's stiffness,
its damper is tuned on a head-on collision to the wanted coefficient of restitution; then both get the same oblique
collisions of unequal discs. Its forces over time differ from the plant's, velocities afterwards must not.

Without friction: MuJoCo's friction is convex, so that sliding raises the normal force and costs rebound, which
Coulomb's does not.
"""

from dataclasses import dataclass
from functools import cache

import mujoco
import numpy as np
import pytest
from scipy.optimize import brentq

from testbed.description.effects import Effect
from testbed.description.vehicle import MassProperties
from tests.model.effects.alone import plant_with
from tests.model.scene import FLAT, LEVEL, START, run, set_motion, steady

STEP = 2e-6
RADIUS = 0.2
STIFFNESS = 1e5
"""N/m, of both: contacts of some 30 ms, in which discs slide along each other by a few millimetres, alike in both."""
SPEED = 0.14
"""m/s, of approach: twice the limit."""


@dataclass(frozen=True)
class Disc:
    """One disc as it comes: position (m) and velocity (m/s) of its centre, spin rad/s."""

    mass: float
    moment: float
    position: tuple[float, float]
    velocity: tuple[float, float]
    spin: float


def model(discs, damping_ratio, edge=None):
    """Two discs on slides and hinges, or one and an edge at x = `edge`."""
    bodies = "".join(
        f"""<body><joint type="slide" axis="1 0 0"/><joint type="slide" axis="0 1 0"/><joint type="hinge" axis="0 0 1"/>
        <inertial pos="0 0 0" mass="{d.mass}" diaginertia="{d.moment} {d.moment} {d.moment}"/>
        <geom name="d{k}" type="sphere" size="{RADIUS}"/></body>"""
        for k, d in enumerate(discs)
    )
    names = [(f"d{k}", f"d{j}") for k in range(len(discs)) for j in range(k)]
    plane = ""
    if edge is not None:
        plane = f'<geom name="edge" type="plane" size="9 9 1" pos="{edge} 0 0" zaxis="-1 0 0"/>'
        names += [(f"d{k}", "edge") for k in range(len(discs))]
    inverse_mass = sum(1.0 / d.mass for d in discs)
    per_mass = STIFFNESS * inverse_mass  # MuJoCo's contact works on accelerations
    damping = 2.0 * damping_ratio * np.sqrt(per_mass)
    pairs = "".join(
        f"""<pair geom1="{a}" geom2="{b}" condim="1" solref="{-per_mass} {-damping}" solimp="0.9999 0.9999 0.001"/>"""
        for a, b in names
    )
    built = mujoco.MjModel.from_xml_string(
        f"""<mujoco><option timestep="{STEP}" gravity="0 0 0"/><default><geom contype="0" conaffinity="0"/></default>
        <worldbody>{plane}{bodies}</worldbody><contact>{pairs}</contact></mujoco>"""
    )
    data = mujoco.MjData(built)
    for k, d in enumerate(discs):
        data.qpos[3 * k : 3 * k + 3] = (*d.position, 0.0)
        data.qvel[3 * k : 3 * k + 3] = (*d.velocity, d.spin)
    return built, data


def by_mujoco(discs, restitution, edge=None):
    """Velocity and spin of each disc afterwards, shape (discs, 3)."""
    built, data = model(discs, tuned_damping_ratio(restitution), edge)
    mujoco.mj_step(built, data, round(0.06 / STEP))
    return data.qvel.reshape(-1, 3).copy()


@cache
def tuned_damping_ratio(restitution):
    """Share of critical damping that gives MuJoCo this restitution when a disc runs head-on into an edge."""
    if restitution == 1.0:
        return 0.0

    def excess(ratio):
        built, data = model([Disc(13.0, 1.0, (-RADIUS - 1e-6, 0.0), (SPEED, 0.0), 0.0)], ratio, edge=0.0)
        mujoco.mj_step(built, data, round(0.1 / STEP))
        return -data.qvel[0] / SPEED - restitution

    return brentq(excess, 0.0, 1.0, xtol=1e-5)


def by_the_plant(discs, restitution):
    """The same by the plant."""
    vehicles = []
    for k, d in enumerate(discs):
        vehicle = steady(f"v{k}", floor=MassProperties(mass=d.mass, inertia=(d.moment, d.moment, d.moment)))
        figures = {"bumper_stiffness": STIFFNESS, "restitution": restitution}
        shape = vehicle.shape.model_copy(update=figures)
        vehicles.append(vehicle.model_copy(update={"shape": shape}))
    room = FLAT.model_copy(update={"edge_stiffness": STIFFNESS, "edge_restitution": restitution})
    plant = plant_with(Effect.CONTACT_DAMPING, vehicles=vehicles, room=room)
    for k, d in enumerate(discs):
        plant.place(k, np.array([*d.position, 0.0]), LEVEL, START)
        set_motion(plant, k, velocity=(*d.velocity, 0.0), rate=(0.0, 0.0, d.spin))
    run(plant, 30)
    return np.column_stack([plant.states["velocity"][:, :2], plant.states["rate"][:, 2]])


def meeting(masses, offset, spins):
    """Two discs that touch at once; `offset`: distance between their paths over the sum of radii."""
    aside = 2.0 * RADIUS * offset
    apart = 2.0 * RADIUS * np.sqrt(1.0 - offset**2) + 1e-6
    moments = [0.018 * mass for mass in masses]
    return [
        Disc(masses[0], moments[0], (-0.5 * apart, -0.5 * aside), (0.6 * SPEED, 0.01), spins[0]),
        Disc(masses[1], moments[1], (0.5 * apart, 0.5 * aside), (-0.4 * SPEED, 0.01), spins[1]),
    ]


RESTITUTIONS = pytest.mark.parametrize("restitution", [0.3, 0.5, 0.9])
PAIRS = pytest.mark.parametrize(
    ("masses", "offset"), [((13.0, 13.0), 0.0), ((12.6, 13.3), 0.5), ((6.0, 20.0), -0.7)], ids=str
)


@PAIRS
@RESTITUTIONS
def test_two_discs_part_as_in_mujoco(restitution, masses, offset):
    discs = meeting(masses, offset, (0.2, -0.1))
    ours, theirs = by_the_plant(discs, restitution), by_mujoco(discs, restitution)
    assert np.linalg.norm(theirs[0, :2] - discs[0].velocity) > 0.3 * SPEED * masses[1] / sum(masses)
    assert ours[:, :2] == pytest.approx(theirs[:, :2], abs=1e-3 * SPEED)
    assert ours[:, 2] == pytest.approx(theirs[:, 2], abs=1e-9)


@pytest.mark.parametrize("angle_deg", [0.0, 30.0, 60.0])
@RESTITUTIONS
def test_a_disc_leaves_an_edge_as_in_mujoco(restitution, angle_deg):
    angle = np.radians(angle_deg)
    velocity = (SPEED * np.cos(angle), SPEED * np.sin(angle))
    disc = Disc(13.0, 0.24, (1.8 - RADIUS - 1e-6, 0.3), velocity, 0.1)
    ours, theirs = by_the_plant([disc], restitution), by_mujoco([disc], restitution, edge=1.8)
    assert ours == pytest.approx(theirs, abs=1e-3 * SPEED)
