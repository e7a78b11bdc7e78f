"""Energy and momentum of emulated bodies, from their state alone."""

import numpy as np
from scipy.spatial.transform import Rotation


def bodies(plant):
    """Indices of the vehicles that are bodies of their own."""
    return [index for index, state in enumerate(plant.states) if state["root"] == index]


def linear_momentum(plant, which=None):
    """Sum over bodies, kg·m/s, fixed axes."""
    return sum(plant.states[k]["body_mass"] * plant.states[k]["velocity"] for k in which or bodies(plant))


def angular_momentum(plant, which=None):
    """Sum over bodies about the fixed origin, kg·m²/s, fixed axes."""
    total = np.zeros(3)
    for k in which or bodies(plant):
        state = plant.states[k]
        spin = Rotation.from_quat(state["orientation"]).apply(state["body_inertia"] @ state["rate"])
        total += spin + np.cross(state["centre"], state["body_mass"] * state["velocity"])
    return total


def spin_momentum(plant, index):
    """Angular momentum of a body about its own centre of mass, kg·m²/s, fixed axes."""
    state = plant.states[index]
    return Rotation.from_quat(state["orientation"]).apply(state["body_inertia"] @ state["rate"])


def kinetic_energy(plant, which=None):
    """Sum over bodies, J."""
    total = 0.0
    for k in which or bodies(plant):
        state = plant.states[k]
        total += 0.5 * state["body_mass"] * state["velocity"] @ state["velocity"]
        total += 0.5 * state["rate"] @ state["body_inertia"] @ state["rate"]
    return total


def height_energy(plant, tilt, gravity, which=None):
    """Energy of bodies on a plane with this tilt (slope along x and y, rad) against the fixed origin, J."""
    slope = np.array([*tilt, 0.0])
    return sum(
        plant.states[k]["body_mass"] * gravity * slope @ plant.states[k]["centre"] for k in which or bodies(plant)
    )


def free_momentum(plant):
    """Linear and angular momentum of all bodies along the axes that the room leaves free, shape (3,) or (6,)."""
    both = np.concatenate([linear_momentum(plant), angular_momentum(plant)])
    return both[[0, 1, 5]] if plant.world[0]["on_table"] else both
