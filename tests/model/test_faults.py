"""Every fault against its closed form in an otherwise ideal world, and everything whole again afterwards."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from testbed.description import messages
from testbed.description.air import speed_of_sound
from testbed.description.effects import Effect
from testbed.description.faults import KINDS, from_words
from testbed.description.gas_supply import Relief
from testbed.description.vehicle import Battery, ThrusterSet, Valve
from testbed.model.draws import IMU_NORMALS, RANGE_NUMBERS, TRACKING_NORMALS
from testbed.model.faults import Faults
from testbed.model.ports import Phase
from testbed.model.schedule import Verdict
from testbed.plan.configuration import load_configuration
from testbed.rehearsal.build import build_plant
from testbed.rehearsal.cameras import Cameras
from tests.model.docking import FRONT, dock, docker, meeting, ports
from tests.model.effects.alone import plant_with, world_with
from tests.model.scene import BEACONS, CABIN, FLAT, LEVEL, START, a_schedule, a_vehicle, run, set_motion

PLAN = Path(__file__).resolve().parents[2] / "config" / "plans" / "first-float.yaml"
THRUST, MASS = 0.15, 6.0
UP = Valve(name="up", position=(0.0, 0.0, -0.13), exhaust=(0.0, 0.0, -1.0), thrust=THRUST)
DOWN = Valve(name="down", position=(0.0, 0.0, 0.13), exhaust=(0.0, 0.0, 1.0), thrust=THRUST)
"""Both push through the centre of mass."""


class Scene:
    """One vehicle, or a few, that a fault happens to."""

    def __init__(self, *effects, room=CABIN, vehicles=None):
        self.vehicles = vehicles or (
            a_vehicle().model_copy(update={"thrusters": ThrusterSet(valves=(UP, DOWN)), "ports": ports()}),
        )
        self.plant = plant_with(*effects, room=room, vehicles=self.vehicles)
        self.faults = Faults(self.plant, world_with(*effects, room=room, vehicles=self.vehicles).vehicles)
        self.stamp = START

    def broken(self, *texts):
        self.faults.apply([from_words(text) for text in texts], self.stamp)
        return self

    def run(self, seconds):
        self.stamp = run(self.plant, round(seconds / 0.01), self.stamp)

    def pulse(self, on_time, valves=(0,)):
        schedule = a_schedule(self.stamp, (0.0, valves), (on_time, ()))
        assert self.plant.accept_schedule(0, schedule, self.stamp) == Verdict.ACCEPTED

    def impulse(self):
        """Along z, N·s, since the vehicle was at rest."""
        return self.plant.states[0]["velocity"][2] * MASS

    def imu(self):
        record = np.zeros(1, messages.IMU)
        self.plant.sense_imu(0, self.stamp, np.zeros(IMU_NORMALS), record[0])
        return record[0].copy()

    def truth(self):
        record = np.zeros(1, messages.ODOMETRY)
        self.plant.sense_truth(0, self.stamp, np.zeros(TRACKING_NORMALS), record[0])
        return record[0].copy()

    def ranges(self, index=0):
        """One whole beacon cycle: time of flight by (beacon, receiver)."""
        start = self.stamp
        for _ in range(round(BEACONS.cycle / 0.01)):
            self.plant.listen(index, self.stamp, np.zeros(RANGE_NUMBERS), np.full(RANGE_NUMBERS, 0.5))
            self.run(0.01)
        record = np.zeros(1, messages.RANGES)
        self.plant.take_ranges(index, start, record[0])
        count = int(record["count"][0])
        keys = zip(record["beacon"][0][:count].tolist(), record["receiver"][0][:count].tolist(), strict=True)
        return dict(zip(keys, record["time_of_flight"][0][:count].tolist(), strict=True))


def on_the_table():
    return Scene(room=FLAT, vehicles=(a_vehicle(),))


# ---- valves


def a_weak_valve_gives_its_share():
    scene = Scene().broken("valve_weak wren up 0.6")
    scene.pulse(0.05)
    scene.run(0.3)
    assert scene.impulse() == pytest.approx(0.6 * THRUST * 0.05, rel=1e-12)


def a_valve_stuck_open_pushes_all_the_time():
    scene = Scene().broken("valve_stuck_open wren up")
    scene.pulse(0.05)
    scene.run(0.4)
    assert scene.impulse() == pytest.approx(THRUST * 0.4, rel=1e-12)
    scene.broken()
    scene.run(0.1)
    assert scene.impulse() == pytest.approx(THRUST * 0.4, rel=1e-12)


def a_valve_stuck_closed_never_pushes_until_it_comes_free():
    scene = Scene().broken("valve_stuck_closed wren up")
    scene.pulse(0.15)
    scene.run(0.1)
    assert scene.impulse() == 0.0
    scene.broken()
    scene.run(0.2)
    assert scene.impulse() == pytest.approx(THRUST * 0.05, rel=1e-12)


def a_leak_pushes_with_its_share_all_the_time():
    scene = Scene().broken("valve_leak wren up 0.2", "valve_leak wren down 0.05")
    scene.pulse(0.05)
    scene.run(0.4)
    assert scene.impulse() == pytest.approx(THRUST * (0.15 * 0.4 + 0.05), rel=1e-12)


def a_slow_valve_does_everything_later():
    scene = Scene().broken("valve_slow wren up 0.03")
    scene.pulse(0.05)
    scene.run(0.03)
    assert scene.impulse() == 0.0
    scene.run(0.01)
    assert scene.impulse() == pytest.approx(THRUST * 0.01, rel=1e-12)
    scene.run(0.2)
    assert scene.impulse() == pytest.approx(THRUST * 0.05, rel=1e-12)


# ---- supply


def a_drooping_regulator_lets_the_plenum_sag_more():
    scene = Scene(Effect.PLENUM_SAG).broken("regulator_droop wren 0.25", "valve_stuck_open wren up")
    vehicle, state = scene.plant.vehicles[0], scene.plant.states[0]
    scene.run(2.0)
    before = scene.impulse()
    scene.run(0.1)
    conductance, flow = vehicle["regulator_conductance"], vehicle["valve_flow"][0]
    pressure = conductance * state["lockup_pressure"] / (conductance + flow)
    assert conductance == 0.25 * scene.faults._vehicles[0]["regulator_conductance"]
    assert scene.impulse() - before == pytest.approx(THRUST * 0.1 * pressure / vehicle["nominal_pressure"], rel=1e-9)


def behind_a_regulator_stuck_closed_the_plenum_runs_empty():
    scene = Scene(Effect.PLENUM_SAG).broken("regulator_stuck wren", "valve_stuck_open wren up")
    vehicle, start = scene.plant.vehicles[0], scene.plant.states[0]["plenum_pressure"]
    scene.run(0.3)
    decay = vehicle["valve_flow"][0] / vehicle["plenum_capacity"]
    expected = THRUST * start / vehicle["nominal_pressure"] * -math.expm1(-decay * 0.3) / decay
    assert scene.impulse() == pytest.approx(expected, rel=1e-9)


def a_leak_empties_the_tank_at_its_rate_times_its_pressure():
    scene = Scene().broken("tank_leak wren 0.5")
    left, start, rate = gas(scene), float(scene.plant.states["tank_pressure"][0]), 0.5e-3
    for _ in range(15):
        pressure = float(scene.plant.states["tank_pressure"][0])
        scene.run(0.2)  # tanks are brought up to date so often
        left -= rate * pressure / start * 0.2
        assert gas(scene) == pytest.approx(left, rel=1e-12)
    assert scene.impulse() == 0.0


def an_open_relief_valve_lets_gas_out_at_any_pressure():
    supply = a_vehicle().gas.model_copy(update={"relief": Relief(pressure=25e6, reseat=22e6, flow=3e-3)})
    scene = Scene(Effect.RELIEF, vehicles=(a_vehicle(gas=supply),)).broken("relief_open wren")
    left, pressure = gas(scene), float(scene.plant.states["tank_pressure"][0])
    scene.run(0.2)
    left -= 3e-3 * pressure / 25e6 * 0.2
    assert gas(scene) == pytest.approx(left, rel=1e-12)
    scene.broken()
    scene.run(1.0)
    assert gas(scene) == pytest.approx(left, rel=1e-12)


def gas(scene):
    return float(scene.plant.states["gas_mass"][0])


# ---- battery


def a_weak_battery_loses_voltage_on_more_resistance():
    battery = Battery(internal_resistance=0.1, cutoff_voltage=11.0, idle_power=20.0, voltage=14.0)
    effects = (Effect.BATTERY_DRAIN, Effect.BATTERY_RESISTANCE, Effect.BATTERY_CUTOFF)
    scene = Scene(*effects, vehicles=(a_vehicle(battery=battery),)).broken("battery_weak wren 6")
    scene.run(0.1)
    current = (14.0 - math.sqrt(14.0**2 - 4.0 * 0.6 * 20.0)) / (2.0 * 0.6)
    assert scene.plant.states[0]["battery_voltage"] == pytest.approx(14.0 - 0.6 * current, rel=1e-12)
    assert not scene.plant.states[0]["power_off"]
    scene.broken("battery_weak wren 23")
    scene.run(0.1)
    assert scene.plant.states[0]["power_off"], "it gives out"
    scene.broken()
    scene.run(0.1)
    assert not scene.plant.states[0]["power_off"], "another battery"


# ---- carriage


def without_air_a_carriage_slides_to_rest_under_its_friction():
    scene = on_the_table().broken("bearing_lost wren")
    scene.run(0.1)
    set_motion(scene.plant, 0, velocity=(0.4, 0.0, 0.0))
    start = scene.plant.states["position"][0, 0]
    scene.run(0.5)
    slide = 0.4**2 / (2.0 * FLAT.bearing.friction * FLAT.gravity)
    assert scene.plant.states["position"][0, 0] - start == pytest.approx(slide, rel=1e-3)
    assert not scene.plant.states["velocity"][0].any()
    scene.broken()
    scene.run(0.1)
    set_motion(scene.plant, 0, velocity=(0.4, 0.0, 0.0))
    scene.run(1.0)
    assert scene.plant.states["velocity"][0, 0] == 0.4


# ---- inertial sensor


def a_jump_of_the_bias_adds_to_the_rate():
    scene = Scene().broken("gyro_bias wren y -2.5")
    assert scene.imu()["angular_velocity"] == pytest.approx([0.0, math.radians(-2.5), 0.0], abs=1e-15)


def a_dead_gyro_repeats_its_last_word():
    scene = Scene()
    set_motion(scene.plant, 0, rate=(0.0, 0.0, 0.1))
    scene.run(0.01)
    assert scene.imu()["angular_velocity"][2] == pytest.approx(0.1)
    scene.broken("gyro_dead wren")
    set_motion(scene.plant, 0, rate=(0.0, 0.0, -0.3))
    scene.run(0.01)
    assert scene.imu()["angular_velocity"][2] == pytest.approx(0.1)


def a_dead_accelerometer_repeats_its_last_word():
    scene = Scene()
    scene.imu()
    scene.broken("accelerometer_dead wren")
    scene.pulse(0.1)
    scene.run(0.05)
    assert not scene.imu()["linear_acceleration"].any()
    scene.broken()
    scene.run(0.01)
    assert scene.imu()["linear_acceleration"][2] == pytest.approx(THRUST / MASS, rel=1e-9)


# ---- ranging


def a_dead_receiver_hears_no_beacon():
    whole, broken = Scene().ranges(), Scene().broken("receiver_dead wren 3").ranges()
    assert any(receiver == 3 for _, receiver in whole)
    assert broken == {key: time for key, time in whole.items() if key[1] != 3}


def a_dead_beacon_is_heard_by_nobody():
    whole, broken = Scene().ranges(), Scene().broken("beacon_dead 2").ranges()
    assert any(beacon == 2 for beacon, _ in whole)
    assert broken == {key: time for key, time in whole.items() if key[0] != 2}


def without_the_start_pulse_nothing_is_timed():
    two = (a_vehicle(), a_vehicle("siskin"))
    scene = Scene(vehicles=two).broken("infrared_lost siskin")
    scene.plant.place(1, np.array([0.0, 1.0, 0.0]), LEVEL, scene.stamp)
    assert len(scene.ranges(0)) > 10
    assert scene.ranges(1) == {}


def warmer_air_makes_flights_shorter_by_the_speed_of_sound():
    whole, broken = Scene().ranges(), Scene().broken("air_temperature 10").ranges()
    ratio = speed_of_sound(BEACONS.air_temperature) / speed_of_sound(BEACONS.air_temperature + 10.0)
    assert ratio == pytest.approx(math.sqrt(294.15 / 304.15), rel=1e-3)
    for key, time in whole.items():
        assert broken[key] == pytest.approx(ratio * time, rel=1e-9)


# ---- ports


def a_stuck_latch_stays_as_it_is_and_then_does_what_it_was_told():
    plant = meeting()
    faults = Faults(plant, [docker("wren"), docker("dunlin")])
    stamp = dock(plant)
    faults.apply([from_words("latch_stuck wren front")], stamp)
    plant.command_latch(0, FRONT, False, stamp)
    stamp = run(plant, 50, stamp)
    assert [latch.phase for latch in plant.latches()] == [Phase.JOINED]
    faults.apply([], stamp)
    assert plant.latches() == []
    faults.apply([from_words("latch_stuck wren front")], stamp)
    plant.command_latch(0, FRONT, True, stamp)
    assert plant.states[0]["port_engaged"][FRONT] == 0
    faults.apply([], stamp)
    assert plant.states[0]["port_engaged"][FRONT] == 1


# ---- overhead tracking


def a_vehicle_out_of_sight_goes_on_as_it_was_last_seen():
    scene = Scene()
    set_motion(scene.plant, 0, velocity=(0.05, 0.0, 0.0))
    scene.run(0.02)
    last = scene.truth()["position"]
    scene.broken("tracking_lost wren")
    set_motion(scene.plant, 0, velocity=(0.0, 0.04, 0.0))
    for frame in range(1, 26):
        scene.run(0.02)
        seen = scene.truth()
        assert seen["position"] == pytest.approx(last + np.array([0.05 * 0.02 * frame, 0.0, 0.0]), abs=1e-12)
    assert seen["linear_velocity"] == pytest.approx([0.05, 0.0, 0.0], abs=1e-12)
    assert seen["pose_covariance"][0, 0] == messages.UNKNOWN_VARIANCE
    scene.broken()
    assert scene.truth()["position"] == pytest.approx(last + np.array([0.0, 0.04 * 0.5, 0.0]), abs=1e-12)


# ---- camera


def a_dark_camera_sees_its_dark_level_alone():
    pytest.importorskip("cv2")
    configuration = load_configuration(PLAN)
    planned = configuration.plan.vehicles["wren"].model_copy(update={"camera": True})
    plan = configuration.plan.model_copy(update={"vehicles": {"wren": planned}, "switched_off": tuple(Effect)})
    configuration = replace(configuration, plan=plan)
    plant, draws = build_plant(configuration)
    cameras = Cameras(configuration, plant, draws)
    faults = Faults(plant, list(configuration.vehicles.values()))
    light = cameras.picture(0, START)
    faults.apply([from_words("camera_dark wren")], START)
    level = configuration.vehicles["wren"].camera.dark_level
    assert (cameras.picture(0, START) == round(level)).all()
    faults.apply([], START)
    assert np.array_equal(cameras.picture(0, START), light)
    assert light.mean() > level + 10.0


# ---- table


def a_table_that_sinks_pulls_downhill():
    scene = on_the_table().broken("table_tilt 0.3 -0.1")
    scene.run(10.0)
    expected = -FLAT.gravity * 10.0 * np.array([0.3e-3, -0.1e-3])
    assert scene.plant.states[0]["velocity"][:2] == pytest.approx(expected, rel=1e-9)


CASES = {
    "valve_stuck_open": a_valve_stuck_open_pushes_all_the_time,
    "valve_stuck_closed": a_valve_stuck_closed_never_pushes_until_it_comes_free,
    "valve_leak": a_leak_pushes_with_its_share_all_the_time,
    "valve_slow": a_slow_valve_does_everything_later,
    "regulator_droop": a_drooping_regulator_lets_the_plenum_sag_more,
    "regulator_stuck": behind_a_regulator_stuck_closed_the_plenum_runs_empty,
    "valve_weak": a_weak_valve_gives_its_share,
    "tank_leak": a_leak_empties_the_tank_at_its_rate_times_its_pressure,
    "relief_open": an_open_relief_valve_lets_gas_out_at_any_pressure,
    "battery_weak": a_weak_battery_loses_voltage_on_more_resistance,
    "bearing_lost": without_air_a_carriage_slides_to_rest_under_its_friction,
    "latch_stuck": a_stuck_latch_stays_as_it_is_and_then_does_what_it_was_told,
    "tracking_lost": a_vehicle_out_of_sight_goes_on_as_it_was_last_seen,
    "camera_dark": a_dark_camera_sees_its_dark_level_alone,
    "gyro_bias": a_jump_of_the_bias_adds_to_the_rate,
    "gyro_dead": a_dead_gyro_repeats_its_last_word,
    "accelerometer_dead": a_dead_accelerometer_repeats_its_last_word,
    "receiver_dead": a_dead_receiver_hears_no_beacon,
    "beacon_dead": a_dead_beacon_is_heard_by_nobody,
    "infrared_lost": without_the_start_pulse_nothing_is_timed,
    "air_temperature": warmer_air_makes_flights_shorter_by_the_speed_of_sound,
    "table_tilt": a_table_that_sinks_pulls_downhill,
}

EXAMPLES = {
    "vehicle": "wren",
    "valve": "up",
    "receiver": "2",
    "beacon": "3",
    "port": "back",
}


def example(kind):
    from testbed.description.faults import words_of

    fields = KINDS[kind].model_fields
    return " ".join([kind, *(EXAMPLES[name] for name in words_of(KINDS[kind]) if fields[name].is_required())])


def test_every_kind_has_its_case():
    assert set(CASES) == set(KINDS)


@pytest.mark.parametrize("kind", CASES)
def test_it_has_the_size_of_its_closed_form(kind):
    CASES[kind]()


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_over_leaves_the_parameters_as_they_were(kind):
    scene = Scene(*Effect)

    def actual():
        hidden = scene.plant.states["tracking_lost"]
        return [array.tobytes() for array in (scene.plant.world, scene.plant.vehicles, hidden)]

    whole = actual()
    scene.broken(example(kind))
    assert actual() != whole
    scene.broken()
    assert actual() == whole


def test_faults_of_one_part_add_up_and_end_one_by_one():
    scene = Scene().broken("gyro_bias wren z 1", "gyro_bias wren z 2")
    assert scene.imu()["angular_velocity"][2] == pytest.approx(math.radians(3.0))
    scene.broken("gyro_bias wren z 2")
    assert scene.imu()["angular_velocity"][2] == pytest.approx(math.radians(2.0))


def test_a_latch_stays_stuck_whatever_else_breaks_or_is_mended():
    plant = meeting()
    faults = Faults(plant, [docker("wren"), docker("dunlin")])
    stamp = dock(plant)
    stuck, other = from_words("latch_stuck wren front"), from_words("air_temperature 5")
    faults.apply([stuck], stamp)
    plant.command_latch(0, FRONT, False, stamp)
    for in_force in ([stuck, other], [stuck]):
        faults.apply(in_force, stamp)
        stamp = run(plant, 1, stamp)
        assert [latch.phase for latch in plant.latches()] == [Phase.JOINED]
    faults.apply([], stamp)
    assert plant.latches() == []


def test_a_valve_on_its_way_is_not_disturbed_by_another_fault():
    expected, disturbed = (Scene(Effect.VALVE_DELAY, Effect.VALVE_RAMP) for _ in range(2))
    for scene in (expected, disturbed):
        scene.pulse(0.014)
        scene.run(0.01)
    disturbed.broken("valve_stuck_closed wren down")
    for scene in (expected, disturbed):
        scene.run(0.2)
    assert disturbed.impulse() == pytest.approx(expected.impulse(), rel=1e-12)
