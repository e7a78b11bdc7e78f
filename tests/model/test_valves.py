"""Valves: impulse against closed forms, sag, steps that change nothing."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from testbed.description.messages import MAX_VALVES
from testbed.description.vehicle import Valve
from testbed.model.schedule import Verdict, command_valves
from testbed.model.valves import FREE, STUCK_CLOSED, STUCK_OPEN, apply_valve_faults, move_valves
from tests.model.scene import CABIN, START, TICK, a_plant, a_schedule, a_vehicle, run, set_motion, steady

OPENING, CLOSING, RISE, FALL = 0.006, 0.005, 0.002, 0.002
AFTER = 0.02
CALM = np.zeros((MAX_VALVES, 2))


def pulse(plant, valves, on_time, index=0):
    """Open `valves` for `on_time` s, and let it end."""
    schedule = a_schedule(START + round(AFTER * 1e9), (0.0, valves), (on_time, ()))
    assert plant.accept_schedule(index, schedule, START) == Verdict.ACCEPTED
    run(plant, 30)


def impulse_of(plant, schedule, steps):
    """Move the valves over 0.3 s in `steps` per tick; return each impulse, and impulse and moment on the body."""
    plant.accept_schedule(0, schedule, START)
    wrench = np.zeros((2, 3))
    moment = np.zeros(3)
    for k in range(30):
        now = START + k * TICK
        command_valves(plant.vehicles[0], plant.states[0], now, now + TICK, CALM)
        for part in range(steps):
            begin = now + part * TICK // steps
            duration = TICK / steps / 1e9
            move_valves(plant.vehicles[0], plant.states[0], begin, begin + TICK // steps)
            thrust = plant.states[0]["thrust"] * plant.states[0]["thrusting"]
            wrench += thrust[::2] * duration
            middle = (begin - START) / 1e9 + duration / 2
            moment += thrust[0] * duration * middle + thrust[1] * duration**3 / 12.0
    return plant.states[0]["valve_impulse"].copy(), wrench, moment


@pytest.mark.parametrize("on_time", [0.0100, 0.0123, 0.0301, 0.0777, 0.1999])
def test_a_pulse_has_the_impulse_of_its_trapezoid(on_time):
    central = Valve(name="central", position=(0.0, 0.0, -0.13), exhaust=(0.0, 0.0, -1.0), thrust=0.15)
    vehicle = steady()
    thrusters = vehicle.thrusters.model_copy(update={"valves": (*vehicle.thrusters.valves[:2], central)})
    plant = a_plant(steady(thrusters=thrusters), room=CABIN)
    pulse(plant, (2,), on_time)
    expected = 0.15 * (on_time - OPENING + CLOSING - RISE / 2 + FALL / 2)
    assert plant.states[0]["valve_impulse"][2] == pytest.approx(expected, rel=1e-13)
    assert plant.states[0]["velocity"] * 6.0 == pytest.approx([0.0, 0.0, expected], rel=1e-13, abs=1e-18)


def test_a_pulse_too_short_to_open_fully_has_the_impulse_of_its_triangle():
    plant = a_plant(steady(), room=CABIN)
    on_time = 0.002
    pulse(plant, (2,), on_time)
    rising = on_time - OPENING + CLOSING
    assert plant.states[0]["valve_impulse"][2] == pytest.approx(0.15 * rising * rising / RISE, rel=1e-12)


def test_a_pulse_shorter_than_the_delays_differ_gives_nothing():
    plant = a_plant(steady(), room=CABIN)
    pulse(plant, (2,), 0.0009)
    assert plant.states[0]["valve_impulse"][2] == 0.0
    assert not plant.states[0]["velocity"].any()


@pytest.mark.parametrize("steps", [2, 5, 10])
@pytest.mark.parametrize("sag", [0.0, 0.12])
def test_smaller_steps_move_neither_impulse_nor_its_moment(steps, sag):
    points = (0.0, (0, 4, 7)), (0.0137, (0, 7)), (0.0421, (7, 2)), (0.0688, (2,)), (0.1034, ())
    vehicle = a_vehicle(thrusters={"delay_jitter": 0.0, "maximum_sag": sag})
    one, some = a_plant(vehicle, room=CABIN), a_plant(vehicle, room=CABIN)
    impulse, wrench, moment = impulse_of(one, a_schedule(START, *points), 1)
    impulse_fine, wrench_fine, moment_fine = impulse_of(some, a_schedule(START, *points), steps)
    assert np.allclose(impulse_fine, impulse, rtol=0.0, atol=1e-16)
    assert np.allclose(wrench_fine, wrench, rtol=0.0, atol=1e-16)
    assert np.allclose(moment_fine, moment, rtol=0.0, atol=1e-17)


def test_force_and_torque_follow_from_where_each_nozzle_is():
    vehicle = steady()
    plant = a_plant(vehicle, room=CABIN)
    impulse, wrench, _ = impulse_of(plant, a_schedule(START, (0.0, (0, 4, 8)), (0.1, ())), 1)
    matrix = vehicle.thrusters.wrench_matrix(vehicle.flight.centre_of_mass) / 0.15
    assert np.allclose(wrench.ravel(), matrix @ impulse[:12], rtol=0.0, atol=1e-16)


def test_without_a_schedule_there_is_no_thrust():
    plant = a_plant(a_vehicle(), room=CABIN)
    set_motion(plant, 0, velocity=(0.01, 0.0, 0.0))
    run(plant, 200, noise=np.random.default_rng(3).standard_normal((1, MAX_VALVES, 2)))
    assert not plant.states[0]["valve_impulse"].any()
    assert plant.states[0]["velocity"].tolist() == [0.01, 0.0, 0.0]


edges = st.lists(st.integers(1, 199_999), min_size=1, max_size=20, unique=True).map(sorted)


@settings(deadline=None, max_examples=60)
@given(edges, st.integers(0, 2**32 - 1), st.sampled_from([0.0, 0.0005, 0.005]), st.sampled_from([0.0, 0.002, 0.03]))
def test_whatever_the_schedule_impulse_is_what_openings_allow_and_the_valve_ends_closed(times, seed, jitter, ramp):
    thrusters = {"delay_jitter": jitter, "rise_time": ramp, "fall_time": ramp, "maximum_sag": 0.0}
    plant = a_plant(a_vehicle(thrusters=thrusters), room=CABIN)
    rng = np.random.default_rng(seed)
    points = [(time / 1e6, np.flatnonzero(rng.random(12) < 0.5)) for time in times[:-1]] + [(times[-1] / 1e6, ())]
    assert plant.accept_schedule(0, a_schedule(START, *points), START) == Verdict.ACCEPTED
    noise = rng.standard_normal((40, 1, MAX_VALVES, 2))
    for k in range(40):
        plant.advance(START + k * TICK, noise[k])
    state = plant.states[0]
    assert not state["opening"].any()
    assert state["moving"] == state["event_count"] == state["flow"] == 0
    assert np.all(state["valve_impulse"] >= 0.0)
    longest = 0.2 + CLOSING + 5.0 * jitter + ramp
    assert np.all(state["valve_impulse"] <= 0.15 * longest)
    assert np.all(np.isfinite(state["velocity"]))


def test_a_valve_told_back_on_its_way_turns_where_it_is():
    plant = a_plant(steady(), room=CABIN)
    # opens for 1 ms of a rise of 2 ms, falls back for 1 ms at the same speed
    on_time = OPENING - CLOSING + RISE / 2
    pulse(plant, (2,), on_time)
    assert plant.states[0]["valve_impulse"][2] == pytest.approx(0.15 * 0.5 * (RISE / 2 + FALL / 2) / 2, rel=1e-12)


@pytest.mark.parametrize(("stuck", "on_time"), [(STUCK_OPEN, 0.3), (STUCK_CLOSED, 0.0)])
def test_a_stuck_valve_heeds_no_command(stuck, on_time):
    plant = a_plant(steady(), room=CABIN)
    plant.vehicles[0]["valve_stuck"][2] = stuck
    apply_valve_faults(plant.vehicles[0], plant.states[0], 0, START)
    pulse(plant, (2,), 0.1)
    expected = 0.15 * (on_time - RISE / 2) if on_time else 0.0
    assert plant.states[0]["valve_impulse"][2] == pytest.approx(expected, rel=1e-12)


def test_a_valve_that_comes_free_goes_where_it_is_commanded_to_be():
    plant = a_plant(steady(), room=CABIN)
    plant.vehicles[0]["valve_stuck"][2] = STUCK_OPEN
    apply_valve_faults(plant.vehicles[0], plant.states[0], 0, START)
    run(plant, 10)
    plant.vehicles[0]["valve_stuck"][2] = FREE
    apply_valve_faults(plant.vehicles[0], plant.states[0], 1 << 2, START + 10 * TICK)
    run(plant, 10, START + 10 * TICK)
    assert plant.states[0]["opening"][2] == 0.0
    assert plant.states[0]["valve_impulse"][2] == pytest.approx(0.15 * (0.1 - RISE / 2 + FALL / 2), rel=1e-12)


def test_a_leak_pushes_with_its_share_all_the_time_and_beside_the_open_valve():
    plant = a_plant(steady(), room=CABIN)
    plant.vehicles[0]["valve_leak"][2] = 0.02
    apply_valve_faults(plant.vehicles[0], plant.states[0], 0, START)
    pulse(plant, (2,), 0.1)
    expected = 0.15 * (0.02 * 0.3 + 0.1 - OPENING + CLOSING)
    assert plant.states[0]["valve_impulse"][2] == pytest.approx(expected, rel=1e-12)
    plant.vehicles[0]["valve_leak"][2] = 0.0
    apply_valve_faults(plant.vehicles[0], plant.states[0], 0, START + 30 * TICK)
    run(plant, 10, START + 30 * TICK)
    assert plant.states[0]["valve_impulse"][2] == pytest.approx(expected, rel=1e-12)
    assert plant.states[0]["moving"] == plant.states[0]["flow"] == 0


def test_a_vehicle_put_elsewhere_has_its_valves_closed_and_keeps_its_faults():
    plant = a_plant(steady(), room=CABIN)
    plant.vehicles[0]["valve_stuck"][5] = STUCK_OPEN
    apply_valve_faults(plant.vehicles[0], plant.states[0], 0, START)
    plant.accept_schedule(0, a_schedule(START, (0.0, (2,)), (0.15, ())), START)
    run(plant, 5)
    plant.place(0, np.zeros(3), np.array([0.0, 0.0, 0.0, 1.0]), START + 5 * TICK)
    run(plant, 5, START + 5 * TICK)
    assert np.flatnonzero(plant.states[0]["opening"]).tolist() == [5]


def test_impulse_is_as_exact_on_wall_time_as_in_lockstep():
    """A stamp of today, 1.8e18 ns, is beyond what a float holds to the nanosecond."""
    impulses = []
    for start in (START, 1_795_000_000_000_000_000):
        plant = a_plant(steady(), room=CABIN)
        plant.place(0, np.zeros(3), np.array([0.0, 0.0, 0.0, 1.0]), start)
        plant.accept_schedule(0, a_schedule(start + 20_000_000, (0.0, (2,)), (0.0123, ())), start)
        run(plant, 30, start)
        impulses.append(float(plant.states[0]["valve_impulse"][2]))
    assert impulses[1] == pytest.approx(impulses[0], rel=1e-12)
