"""Quiet windows: no own valve open while a chirp can arrive, and what is wanted is given all the same, on average."""

import numpy as np
import pytest

from testbed.description.air import speed_of_sound
from testbed.description.locate import locate
from testbed.flight.modulation import Modulation, share_lost, windows_of
from testbed.plan.configuration import load_configuration
from tests.flight.fired import with_thrusters

PERIOD = 100_000_000
PLANS = {"table": "plans/first-float.yaml", "cabin": "plans/cabin-float.yaml"}


@pytest.fixture(params=PLANS.values(), ids=PLANS)
def scene(request):
    """A vehicle with quiet windows, and its place's beacons and room."""
    configuration = load_configuration(locate(request.param))
    vehicle = next(iter(configuration.vehicles.values()))
    return with_thrusters(vehicle, quiet_windows=True, delay_jitter=0.0005), configuration.beacons, configuration.room


def pulses_of(scene, duty, periods):
    """Commanded pulses (valve, opening, closing), ns, joined where they go on from one period to the next."""
    vehicle, beacons, room = scene
    modulation = Modulation(vehicle, windows_of(vehicle, beacons, room))
    found = []
    for number in range(periods):
        stamp = 10**9 + number * PERIOD
        modulation.modulate(stamp, duty)
        one = modulation.state[0]["pulses"]
        for k in range(one["count"]):
            valve, opening, closing = (int(one[name][k]) for name in ("valve", "opening", "closing"))
            before = [row for row in found if row[0] == valve and row[2] == stamp + opening]
            if before:
                before[0][2] = stamp + closing
            else:
                found.append([valve, stamp + opening, stamp + closing])
    return np.array(found), modulation


def arrivals(scene, stamp):
    """Times at which the last chirps before `stamp` + 0.5 s reach receivers all over the room, ns."""
    vehicle, beacons, room = scene
    generator = np.random.default_rng(3)
    if hasattr(room, "outline"):
        corners = np.array(room.outline)
        places = generator.uniform(corners.min(axis=0), corners.max(axis=0), (400, 2))
        places = np.column_stack([places, np.full(400, vehicle.shape.floor_height)])
    else:
        places = generator.uniform(-0.5, 0.5, (400, 3)) * room.size
    places = (
        places
        + np.array([one.position for one in vehicle.receivers])[generator.integers(len(vehicle.receivers), size=400)]
    )
    speed = speed_of_sound(beacons.air_temperature, beacons.air_humidity)
    pulse = stamp - stamp % beacons.cycle_ns
    times = []
    for cycle in range(-1, 3):
        for slot, beacon in enumerate(beacons.beacons):
            flights = np.linalg.norm(places - beacon.position, axis=1) / speed
            times.append(pulse + cycle * beacons.cycle_ns + 1e9 * (slot * beacons.slot + flights))
    return np.concatenate(times)


@pytest.mark.parametrize("duty", [0.05, 0.3, 1.0])
def test_no_chirp_arrives_while_a_valve_lets_gas_out(scene, duty):
    thrusters = scene[0].thrusters
    found, _ = pulses_of(scene, np.full(12, duty), 40)
    late = 4.0 * thrusters.delay_jitter
    opening = found[:, 1] + 1e9 * (thrusters.opening_delay - late)
    closing = found[:, 2] + 1e9 * (thrusters.closing_delay + thrusters.fall_time + late)
    assert len(found) > 40
    for valve, a, b in zip(found[:, 0], opening, closing, strict=True):
        times = arrivals(scene, int(a))
        assert not np.any((times > a) & (times < b)), f"valve {valve} is heard"


@pytest.mark.parametrize("duty", [0.05, 0.3, 1.0])
def test_pulses_are_never_shorter_than_the_shortest(scene, duty):
    found, _ = pulses_of(scene, np.full(12, duty), 40)
    shortest = round(scene[0].thrusters.minimum_on * 1e9)
    assert np.all(found[:, 2] - found[:, 1] >= shortest)


def test_what_is_wanted_is_given_between_the_chirps(scene):
    vehicle, beacons, room = scene
    lost = share_lost(windows_of(vehicle, beacons, room), vehicle)
    duty = np.where(np.arange(12) < 4, 0.5 * (1.0 - lost), 0.0)
    modulation = Modulation(vehicle, windows_of(vehicle, beacons, room))
    given = np.zeros(12)
    for number in range(100):
        modulation.modulate(10**9 + number * PERIOD, duty)
        given += modulation.state[0]["pulses"]["given"][:12]
    p = modulation.parameters[0]
    assert given == pytest.approx(10.0 * duty, abs=float(p["most"]))


def test_the_share_that_they_cost_is_what_a_valve_that_wants_to_stay_open_loses(scene):
    vehicle, beacons, room = scene
    found, _ = pulses_of(scene, np.where(np.arange(12) == 0, 1.0, 0.0), 100)
    was_open = (found[:, 2] - found[:, 1]).sum() / (100 * PERIOD)
    lost = share_lost(windows_of(vehicle, beacons, room), vehicle)
    assert 0.0 < lost < 1.0
    assert 1.0 - was_open == pytest.approx(lost, abs=0.06)


def test_without_the_key_there_are_none(scene):
    vehicle, beacons, room = scene
    loud = vehicle.model_copy(update={"thrusters": vehicle.thrusters.model_copy(update={"quiet_windows": False})})
    assert windows_of(loud, beacons, room).windows == ()
    assert share_lost(windows_of(loud, beacons, room), loud) == 0.0
