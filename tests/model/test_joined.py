"""Bodies of several vehicles: mass, inertia, motion, thrust of all members, chains, release."""

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.description.flatness import Flatness
from testbed.description.vehicle import MassProperties
from testbed.model.joined import settle
from testbed.model.ports import Phase
from tests.model.docking import BACK, FRONT, dock, docker, meeting, proud
from tests.model.mechanics import bodies, free_momentum, kinetic_energy
from tests.model.scene import CABIN, FLAT, LEVEL, START, a_plant, a_schedule, run, set_motion

ROOMS = pytest.mark.parametrize("room", [FLAT, CABIN], ids=["table", "cabin"])
LOPSIDED = {
    "flight": MassProperties(
        mass=5.6, inertia=(0.05, 0.065, 0.08), products=(0.004, -0.003, 0.002), centre_of_mass=(0.01, -0.02, 0.015)
    ),
    "floor": MassProperties(mass=12.6, inertia=(0.83, 0.84, 0.233), centre_of_mass=(0.01, -0.02, -0.21)),
}
WIDE = CABIN.model_copy(update={"size": (100.0, 100.0, 100.0)})


def pair(room=FLAT, **changes):
    """Two vehicles joined front to back, and the stamp."""
    plant = meeting(room, **changes)
    return plant, dock(plant)


def by_hand(plant):
    """Mass, centre of mass and inertia about it of all vehicles together, fixed axes, from each alone."""
    mass = plant.vehicles["mass"].sum()
    turns = [Rotation.from_quat(state["orientation"]).as_matrix() for state in plant.states]
    centres = [
        state["position"] + turn @ vehicle["centre_of_mass"]
        for state, turn, vehicle in zip(plant.states, turns, plant.vehicles, strict=True)
    ]
    centre = sum(m * c for m, c in zip(plant.vehicles["mass"], centres, strict=True)) / mass
    inertia = np.zeros((3, 3))
    for vehicle, turn, place in zip(plant.vehicles, turns, centres, strict=True):
        d = place - centre
        inertia += turn @ vehicle["inertia"] @ turn.T + vehicle["mass"] * (d @ d * np.eye(3) - np.outer(d, d))
    return mass, centre, inertia


@ROOMS
def test_the_joined_body_has_the_mass_centre_and_inertia_of_both(room):
    plant, _ = pair(room, angle=0.05, **LOPSIDED)
    mass, centre, inertia = by_hand(plant)
    for state in plant.states:  # each tells the same of the body they share, in its own axes
        turn = Rotation.from_quat(state["orientation"]).as_matrix()
        assert state["body_mass"] == pytest.approx(mass, rel=1e-15)
        assert np.allclose(state["position"] + turn @ state["body_centre"], centre, rtol=0.0, atol=1e-13)
        assert np.allclose(state["centre"], centre, rtol=0.0, atol=1e-13)
        assert np.allclose(turn @ state["body_inertia"] @ turn.T, inertia, rtol=0.0, atol=1e-13)
        free = turn @ state["body_inverse_inertia"] @ turn.T
        expected = np.linalg.inv(inertia) if room is CABIN else np.diag([0.0, 0.0, 1.0 / inertia[2, 2]])
        assert np.allclose(free, expected, rtol=0.0, atol=1e-12)


@ROOMS
def test_members_keep_their_places_in_the_body_exactly(room):
    plant, stamp = pair(room)

    def seen():
        one, other = plant.states
        turn = Rotation.from_quat(one["orientation"]).inv()
        return turn.apply(other["position"] - one["position"]), (turn * Rotation.from_quat(other["orientation"]))

    place, facing = seen()
    for index in range(2):
        plant.accept_schedule(index, a_schedule(stamp, (0.0, (0, 4)), (0.19, ())), stamp)
    run(plant, 300, stamp)
    later, turned = seen()
    assert np.allclose(later, place, rtol=0.0, atol=1e-13)
    assert (facing.inv() * turned).magnitude() < 1e-13
    assert np.abs(plant.states["rate"]).max() > 1e-3


@ROOMS
@pytest.mark.parametrize("index", [0, 1])
def test_each_member_thrusts_for_the_body(room, index):
    """One valve of either member gives the body its whole impulse, and its moment about the common centre."""
    plant, stamp = pair(room)
    plant.states["velocity"] = plant.states["rate"] = 0.0
    before = free_momentum(plant)
    place, turn = plant.states[index]["position"].copy(), Rotation.from_quat(plant.states[index]["orientation"])
    valve = 1  # pushes along y, at a corner
    plant.accept_schedule(index, a_schedule(stamp, (0.0, (valve,)), (0.1, ())), stamp)
    run(plant, 20, stamp)
    change = free_momentum(plant) - before
    force = plant.vehicles[index]["valve_force"][valve]
    strength = plant.states[index]["valve_impulse"][valve] / plant.vehicles[index]["valve_thrust"][valve]
    thrust = turn.apply(force) * strength
    torque = np.cross(place + turn.apply(docker().thrusters.valves[valve].position), thrust)
    expected = np.concatenate([thrust, torque])
    expected = expected[[0, 1, 5]] if room is FLAT else expected
    assert np.linalg.norm(change) > 0.01
    # the body turns by less than a milliradian meanwhile
    assert np.allclose(change, expected, rtol=0.0, atol=1e-3 * np.linalg.norm(expected))


def test_a_joined_body_turns_freely_with_constant_energy_and_angular_momentum():
    plant, stamp = pair(WIDE, **LOPSIDED)
    state = plant.states[0]
    state["rate"], state["velocity"] = (0.2, -0.25, 0.15), (0.05, -0.02, 0.01)
    settle(plant.states, 0)
    before, energy = free_momentum(plant), kinetic_energy(plant)
    run(plant, 6000, stamp)  # a minute
    assert np.allclose(free_momentum(plant), before, rtol=0.0, atol=1e-10 * np.abs(before).max())
    assert kinetic_energy(plant) == pytest.approx(energy, rel=1e-10)


@ROOMS
def test_release_changes_no_momentum_and_gives_no_impulse(room):
    plant, stamp = pair(room, lateral=0.01, closing=0.05, angle=0.05)
    state = plant.states[0]
    state["rate"] = (0.0, 0.0, 0.1)
    settle(plant.states, 0)
    before, energy = free_momentum(plant), kinetic_energy(plant)
    plant.command_latch(1, BACK, False, stamp)
    assert bodies(plant) == [0, 1]
    assert np.allclose(free_momentum(plant), before, rtol=0.0, atol=1e-12 * np.abs(before).max())
    assert kinetic_energy(plant) == pytest.approx(energy, rel=1e-12)
    gaps = []
    for _ in range(20):
        stamp = run(plant, 1, stamp)
        gaps.append(np.linalg.norm(np.diff(plant.states["position"][:, :2], axis=0)))
    assert np.allclose(free_momentum(plant), before, rtol=0.0, atol=1e-12 * np.abs(before).max())
    assert kinetic_energy(plant) <= energy * (1.0 + 1e-9)
    assert plant.latches() == []
    assert np.all(np.diff(gaps) > 0.0)  # spinning, they part tangentially


def test_release_at_rest_leaves_both_at_rest():
    plant, stamp = pair(lateral=0.01, closing=0.05)
    plant.states["velocity"] = plant.states["rate"] = plant.states["linear_velocity"] = 0.0
    plant.command_latch(0, FRONT, False, stamp)
    run(plant, 100, stamp)
    assert np.abs(plant.states["velocity"]).max() < 1e-12
    assert np.abs(plant.states["rate"]).max() < 1e-12


@ROOMS
def test_three_dock_to_a_chain_and_part_in_any_order(room):
    reach = 2.0 * proud(room)
    plant = a_plant(*[docker(name) for name in ("wren", "dunlin", "siskin")], room=room)
    for index in range(3):
        plant.place(index, np.array([index * (reach + 0.002), 0.0, 0.0]), LEVEL, START)
    set_motion(plant, 0, velocity=(0.02, 0.0, 0.0))
    set_motion(plant, 2, velocity=(-0.02, 0.0, 0.0))
    for index, port in ((0, FRONT), (1, BACK), (1, FRONT), (2, BACK)):
        plant.command_latch(index, port, True, START)
    before = free_momentum(plant)
    stamp = run(plant, 600)
    assert [latch.phase for latch in plant.latches()] == [Phase.JOINED] * 2
    assert bodies(plant) == [0]
    assert plant.states[2]["body_mass"] == pytest.approx(plant.vehicles["mass"].sum())
    assert np.allclose(free_momentum(plant), before, rtol=0.0, atol=1e-14)
    plant.command_latch(1, BACK, False, stamp)
    assert bodies(plant) == [0, 1]
    assert plant.root(2) == 1
    stamp = run(plant, 10, stamp)
    plant.command_latch(2, BACK, False, stamp)
    assert bodies(plant) == [0, 1, 2]
    run(plant, 10, stamp)
    assert np.allclose(free_momentum(plant), before, rtol=0.0, atol=1e-14)


@pytest.mark.parametrize("moment", [0.0, 1.0], ids=["gliding", "turning"])
def test_each_carriage_drags_where_it_is(moment):
    """Film drag m/T at each centre: a pair glides to exp(-t/T); about its middle each adds (m/T)·(r² + R²/2)."""
    plant, stamp = pair(FLAT.model_copy(update={"film_drag_time": 300.0}))
    state = plant.states[0]
    state["velocity"], state["rate"] = (0.02 * (1.0 - moment), 0.0, 0.0), (0.0, 0.0, 0.1 * moment)
    settle(plant.states, 0)
    run(plant, 500, stamp)
    slowed = state["rate"][2] / 0.1 if moment else state["velocity"][0] / 0.02
    share = 1.0
    if moment:
        radius = 0.5 * np.linalg.norm(np.diff(plant.states["position"][:, :2], axis=0))
        share = 2.0 * 13.0 * (radius**2 + 0.20**2 / 2.0) / state["body_inertia"][2, 2]
    assert slowed == pytest.approx(math.exp(-share * 5.0 / 300.0), rel=1e-6)


def test_each_carriage_glides_on_the_slope_where_it_is():
    """On a saddle h = -c·x·y the slope is (-c·y, -c·x): each carriage is pulled by m·g·c·(y, x) at its own place."""
    plant, stamp = pair()
    high = 400e-6
    saddle = Flatness(
        origin=(-2.0, -2.0), spacing=4.0, heights_um=((-1e6 * high, 1e6 * high), (1e6 * high, -1e6 * high))
    )
    plant.world[:] = a_plant(docker(), room=FLAT.model_copy(update={"flatness": saddle})).world
    states = plant.states
    states["velocity"] = states["rate"] = states["linear_velocity"] = 0.0
    states["centre"][:, :2] -= states[0]["centre"][:2] - (0.5, 0.2)
    settle(plant.states, 0)
    run(plant, 10, stamp)
    pull, arms = 9.80665 * high / 4.0, states["position"] - states[0]["centre"]
    force = 13.0 * pull * states["position"][:, 1::-1]
    assert np.ptp(force[:, 1]) > 0.5 * np.abs(force[:, 1]).max()
    assert states[0]["velocity"][:2] == pytest.approx(0.1 * force.sum(axis=0) / 26.0, rel=1e-4)
    torque = np.sum(arms[:, 0] * force[:, 1] - arms[:, 1] * force[:, 0])
    assert states[0]["rate"][2] == pytest.approx(0.1 * torque / states[0]["body_inertia"][2, 2], rel=1e-3)


def test_a_placed_vehicle_leaves_the_body():
    plant, stamp = pair()
    plant.place(1, np.array([0.0, 1.0, 0.0]), LEVEL, stamp)
    assert bodies(plant) == [0, 1]
    assert plant.latches() == []
    assert plant.states[0]["body_mass"] == plant.vehicles[0]["mass"]
    run(plant, 10, stamp)
    assert plant.states[1]["position"][:2] == pytest.approx((0.0, 1.0), abs=1e-12)


@ROOMS
def test_a_third_vehicle_hits_the_body_as_a_whole(room):
    plant = a_plant(*[docker(name) for name in ("wren", "dunlin", "siskin")], room=room)
    reach = proud(room)
    plant.place(0, np.array([-0.002, 0.0, 0.0]), LEVEL, START)
    plant.place(1, np.array([2.0 * reach, 0.0, 0.0]), LEVEL, START)
    plant.place(2, np.array([0.0, 0.7, 0.0]), LEVEL, START)
    set_motion(plant, 0, velocity=(0.02, 0.0, 0.0))
    plant.command_latch(0, FRONT, True, START)
    plant.command_latch(1, BACK, True, START)
    stamp = dock(plant)
    plant.take_contacts()
    set_motion(plant, 2, velocity=(0.0, -0.2, 0.0))
    before = free_momentum(plant)
    run(plant, 300, stamp)
    assert plant.take_contacts()
    assert np.allclose(free_momentum(plant), before, rtol=0.0, atol=1e-12 * np.abs(before).max())
    assert abs(plant.states[0]["rate"][2]) > 0.01
    assert math.isclose(plant.states[0]["rate"][2], plant.states[1]["rate"][2], rel_tol=1e-12)
