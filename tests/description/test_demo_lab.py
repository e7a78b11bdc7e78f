"""The invented lab hangs together: slopes, authority, gas, geometry and the contact budget, worked out here."""

import math
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from testbed.description.beacons import Beacons
from testbed.description.gas_tables import gas_table
from testbed.description.gas_tables.state import gas_state
from testbed.description.load import load
from testbed.description.table import Table
from testbed.description.vehicle import Vehicle
from testbed.plan.gas_outlook import full_flow, outlook

CONFIG = Path(__file__).resolve().parents[2] / "config"
TABLE = load(CONFIG / "tables" / "floor.yaml", Table).description
BEACONS = load(CONFIG / "beacons" / "floor.yaml", Beacons).description
NAMES = ("wren", "siskin", "dunlin")


@pytest.fixture(params=NAMES)
def vehicle(request) -> Vehicle:
    return load(CONFIG / "vehicles" / f"{request.param}.yaml", Vehicle).description


def test_the_table_is_level_and_flat_enough():
    assert math.hypot(*TABLE.tilt_mrad) <= 0.1 + 1e-9
    heights = np.array(TABLE.flatness.heights_um)
    steps = np.concatenate([np.diff(heights, axis=0).ravel(), np.diff(heights, axis=1).ravel()])
    along_an_axis = np.abs(steps).max() * 1e-3 / TABLE.flatness.spacing
    assert math.sqrt(2.0) * along_an_axis <= 0.2, "mrad, even where both axes slope at once"


def test_the_flatness_grid_covers_the_whole_outline():
    rows, columns = np.array(TABLE.flatness.heights_um).shape
    x, y = TABLE.flatness.origin
    far = (x + (columns - 1) * TABLE.flatness.spacing, y + (rows - 1) * TABLE.flatness.spacing)
    xs, ys = zip(*TABLE.outline, strict=True)
    assert (x, y) == (min(xs), min(ys))
    assert far == pytest.approx((max(xs), max(ys)))


def test_the_beacons_stand_around_the_table():
    assert not any(TABLE.inside(beacon.position[:2]) for beacon in BEACONS.beacons)


def test_twelve_valves_give_full_control_of_six_axes(vehicle):
    effect = vehicle.thrusters.wrench_matrix(vehicle.flight.centre_of_mass)
    assert effect.shape == (6, 12)
    assert np.linalg.matrix_rank(effect) == 6
    assert np.maximum(effect, 0.0).sum(axis=1) == pytest.approx([0.26, 0.45, 0.30, 0.039, 0.039, 0.0533], abs=2e-4)
    assert effect.sum(axis=1) == pytest.approx(np.zeros(6), abs=1e-12), "all open at once push nowhere"


def test_the_tank_gives_the_impulse_of_a_session(vehicle):
    impulse = vehicle.gas.usable_mass() * vehicle.gas.specific_impulse * 9.80665
    assert 60.0 < impulse < 70.0, "N·s"
    assert impulse / vehicle.floor.mass == pytest.approx(5.0, abs=0.5)
    assert impulse / vehicle.flight.mass == pytest.approx(11.0, abs=1.0)


def test_the_vehicle_on_liquid_does_what_its_file_says():
    dipper = load(CONFIG / "vehicles" / "dipper.yaml", Vehicle).description
    gas = dipper.gas
    assert gas.start_mass() / gas.volume == pytest.approx(625.0)
    assert gas.start_pressure() == pytest.approx(5.73e6, rel=1e-3)
    assert full_flow(dipper) == pytest.approx(2.5e-3, rel=0.02), "kg/s, all twelve valves"
    told = outlook(dipper, "table", gas.start_mass(), gas.temperature, 10e-3)
    assert told.full_thrust == pytest.approx(138.0, abs=2.0), "s until it freezes"
    table = gas_table("carbon_dioxide")[0]
    assert gas_state(table, 273.15 + 30.8, 625.0).liquid == 1.0, "full"
    assert gas_state(table, 273.15 + 47.0, 625.0).pressure == pytest.approx(gas.relief.pressure, rel=0.02)
    assert gas_state(table, 253.7, 100.0).pressure == pytest.approx(gas.reserve_pressure, rel=0.01)


def test_floor_speeds_stay_within_the_contact_budget():
    """Peak force of an elastic contact sqrt(m_eff·k)·v: on a wall, and head-on at the sum of both speeds."""
    vehicles = [load(CONFIG / "vehicles" / f"{name}.yaml", Vehicle).description for name in NAMES]
    for one in vehicles:
        speed, stiffness = one.limits.floor_speed, one.shape.bumper_stiffness
        assert math.sqrt(one.floor.mass * stiffness) * speed < one.limits.contact_force
    for one, other in pairwise(vehicles):
        reduced = one.floor.mass * other.floor.mass / (one.floor.mass + other.floor.mass)
        head_on = math.sqrt(reduced * 8000.0) * (one.limits.floor_speed + other.limits.floor_speed)
        assert head_on < one.limits.contact_force


def test_ports_stand_proud_and_stay_within_the_contact_budget(vehicle):
    (port,) = vehicle.ports
    for place, apart in (("table", 0.42), ("cabin", 0.30)):
        assert 2.0 * port.place(place)[0] == pytest.approx(apart)
        assert port.place(place)[0] > vehicle.contact_radius(place)
    mass = vehicle.floor.mass / 2.0  # with a partner like it
    assert math.sqrt(mass * port.stiffness) * port.admittance.fastest_closing < vehicle.limits.contact_force
    assert port.capture.stiffness * port.admittance.lateral < vehicle.limits.contact_force


def test_the_required_separation_leaves_room_between_carriages(vehicle):
    assert TABLE.separation > 2.0 * vehicle.contact_radius("table") + 0.1


def test_the_three_differ():
    masses = [load(CONFIG / "vehicles" / f"{name}.yaml", Vehicle).description.floor.mass for name in NAMES]
    assert masses == [12.6, 13.0, 13.3]
