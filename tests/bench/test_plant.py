"""The plant's figures on flights too short to say anything about speed."""

import mujoco
import numpy as np
import pytest

from testbed.bench.plant.flight import PERIOD_TICKS, crowded, floating
from testbed.bench.plant.measure import exponent, plant_scaling, plant_speed
from testbed.bench.plant.mujoco_peer import MODEL, Peer
from testbed.bench.plant.reference import integrate
from testbed.description.locate import locate
from testbed.plan.configuration import load_configuration


@pytest.fixture(scope="module")
def configuration():
    return load_configuration(locate("plans/demo.yaml"))


@pytest.fixture(scope="module")
def flight(configuration):
    return floating(configuration, list(configuration.vehicles.values()), configuration.table, 2.0)


def test_three_valves_of_each_vehicle_fire_in_each_period(flight):
    assert np.all((flight.on_times > 0.0).sum(axis=2) == 3)
    assert flight.schedules.shape == (len(flight.noise) // PERIOD_TICKS, 3)


def test_every_schedule_is_taken_and_nothing_is_touched(flight):
    states, _ = flight.fly()
    assert states["verdicts"][:, 0].tolist() == [20, 20, 20]
    assert not states["verdicts"][:, 1:].any()
    assert np.all(states["valve_impulse"].sum(axis=1) > 0.1)
    assert flight.plant.world_state["contact_count"][0] == 0


def test_a_crowd_touches(configuration):
    crowd = crowded(configuration, list(configuration.vehicles.values()), configuration.table, 1.0)
    alone, _ = floating(configuration, list(configuration.vehicles.values()), configuration.table, 1.0).fly()
    together, _ = crowd.fly()
    assert not np.allclose(alone["velocity"], together["velocity"])
    assert np.all(np.isfinite(together["centre"]))


def test_mujoco_steps_the_same_bodies(flight):
    peer = Peer(flight.plant.world[0], flight.plant.vehicles, flight.plant.states, "RK4", True)
    assert peer.model.body_mass[1:].tolist() == flight.plant.vehicles["mass"].tolist()
    assert peer.model.nu == 24
    assert peer.model.npair == 3 + 12
    assert peer.model.dof_damping[0] == pytest.approx(float(flight.plant.vehicles["film_drag"][0]))


def test_the_model_is_complete_as_it_is_kept():
    model = mujoco.MjModel.from_xml_path(str(MODEL))
    assert (model.nv, model.npair) == (9, 15)


def test_both_end_where_the_reference_does_and_the_plant_nearer(configuration):
    """MuJoCo holds forces for a step, which costs it an order; the plant follows them within the step."""
    figures = {figure.measure: figure for figure in plant_speed(configuration, 1, 2.0, lambda text: None)}
    ours = float(figures["plant, one step of 3 vehicles"].note.split()[1])
    for way in ("valves as its actuators", "forces from a table"):
        theirs = float(figures[f"MuJoCo, one step, RK4, {way}"].note.split()[-2])
        assert ours < 1e-8 < theirs < 2e-6
    assert figures["plant, times faster than MuJoCo with valves as its actuators"].at_least == 10.0
    assert figures["plant, times faster than MuJoCo with forces from a table"].at_least == 10.0


def test_the_reference_conserves_what_acts(flight):
    """The impulse of its mean wrenches is what the velocity of an undamped body changes by."""
    plant = flight.plant
    vehicles = plant.vehicles.copy()
    vehicles["film_drag"] = vehicles["film_drag_rotation"] = 0.0
    reference = integrate(plant.world[0], vehicles, plant.states, flight.on_times, 0.5)
    moved = reference.end[:, 0] - plant.states["centre"][:, 0]
    mean = reference.wrench[:, :, 0] / vehicles["mass"]
    elapsed = 0.01 * (np.arange(50)[::-1, None] + 0.5)
    expected = plant.states["velocity"][:, 0] * 0.5 + (0.01 * mean * elapsed).sum(axis=0)
    assert moved == pytest.approx(expected, abs=1e-6)


def test_cost_is_measured_over_numbers_of_vehicles(configuration):
    figures = plant_scaling(configuration, 1, lambda text: None)
    assert [figure.at_most for figure in figures] == [1.1, 2.0]
    assert all(0.0 < figure.value < 3.0 for figure in figures)


def test_the_exponent_of_a_power_law_is_found():
    counts = [2, 4, 8]
    assert exponent(counts, 3.0 * np.array(counts) ** 1.5) == pytest.approx(1.5)
