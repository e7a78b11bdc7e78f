import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from testbed.description.gas import STANDARD_GRAVITY
from testbed.description.messages import IMU, NS_PER_S, SCHEDULE, TICK_NS, VALVES
from testbed.description.plenum import plenum_of
from testbed.flight.estimation import Estimator, accept_imu, accept_report, accept_schedule
from testbed.flight.estimation.valve_forces import loudness_at
from tests.flight.estimation.world import World, demo_vehicle

MS = 1_000_000
START = NS_PER_S
PATTERN = World([1])


class Bench:
    """An estimator whose gyro ticks, to watch what the valves are believed to do; its supply does not sag."""

    def __init__(self, estimator=None):
        self.estimator = estimator or PATTERN.new_estimator()
        self.p, self.s = self.estimator.parameters[0], self.estimator.state[0]
        self.mass = float(self.estimator.parameters[0]["mass"])
        self.stamp = START - TICK_NS
        self.tick()

    def tick(self, count=1):
        imu = np.zeros(1, IMU)
        for _ in range(count):
            self.stamp += TICK_NS
            imu[0]["stamp"] = self.stamp
            accept_imu(self.p, self.s, imu[0])

    def command(self, stamp, *points, count=None):
        schedule = np.zeros(1, SCHEDULE)
        schedule[0]["stamp"] = stamp
        schedule[0]["count"] = len(points) if count is None else count
        for k, (offset, valves) in enumerate(points):
            schedule[0]["offset"][k] = offset
            schedule[0]["open"][k, list(valves)] = 1
        accept_schedule(self.p, self.s, schedule[0])

    def report(self, stamp, *valves):
        report = np.zeros(1, VALVES)
        report[0]["stamp"] = stamp
        report[0]["open"][list(valves)] = 1
        accept_report(self.p, self.s, report[0])

    def impulse(self):
        """Impulse believed so far, body axes, N·s."""
        end = int(self.s["history_end"])
        return self.mass * 0.01 * self.s["history_push"][:end].sum(axis=0)

    def force(self, valve):
        return self.mass * self.p["push"][valve]


@given(st.integers(10, 100), st.integers(0, 9), st.integers(0, 11))
@settings(max_examples=30, deadline=None)
def test_the_impulse_of_a_pulse_is_thrust_times_shifted_on_time(on_ms, late_ms, valve):
    bench = Bench()
    bench.command(START + (20 + late_ms) * MS, (0, [valve]), (on_ms * MS, []))
    bench.tick(20)
    on_time = (
        on_ms * 1e-3 + 0.005 + 0.001 - 0.006 - 0.001
    )  # closing delay and half fall, less opening delay and half rise
    np.testing.assert_allclose(bench.impulse(), bench.force(valve) * on_time, atol=1e-12)
    assert bench.s["pulse_count"] == 0


def test_valves_open_together_sag_as_the_plenum_empties():
    """Against the plenum's own differential equation, solved by scipy: one valve opens while another is open."""
    vehicle = demo_vehicle()
    bench = Bench(Estimator(vehicle, PATTERN.beacons, PATTERN.noise, "table", PATTERN.axes))
    bench.command(START + 20 * MS, (0, [0]), (33 * MS, [0, 4]), (57 * MS, [4]), (71 * MS, []))
    bench.tick(15)
    flow = vehicle.thrusters.valves[0].thrust / (
        vehicle.gas.specific_impulse * STANDARD_GRAVITY * vehicle.gas.regulator.pressure
    )
    plenum = plenum_of(vehicle, flow)

    def slope(time, y):
        p = y[0]
        strength = (p - vehicle.gas.back_pressure) / (vehicle.gas.regulator.pressure - vehicle.gas.back_pressure)
        rest = plenum.conductance * (plenum.lockup - p)
        first, second = strength * (0.027 <= time < 0.083), strength * (0.060 <= time < 0.097)
        return [(rest - (bool(first) + bool(second)) * flow * p) / plenum.capacity, first, second]

    solved = solve_ivp(slope, (0.0, 0.12), (plenum.lockup, 0.0, 0.0), max_step=1e-4, rtol=1e-8, atol=1e-12)
    _, first, second = solved.y[:, -1]
    wanted = first * bench.force(0) + second * bench.force(4)
    np.testing.assert_allclose(bench.impulse(), wanted, rtol=2e-3, atol=1e-6)


def test_a_newer_schedule_replaces_the_rest_of_the_older_one():
    bench = Bench()
    bench.command(START + 20 * MS, (0, [0]), (100 * MS, []))
    bench.tick(4)
    bench.command(START + 60 * MS, (0, [1]), (30 * MS, []))
    bench.tick(20)
    np.testing.assert_allclose(bench.impulse(), bench.force(0) * 0.039 + bench.force(1) * 0.029, atol=1e-9)


def test_a_valve_held_open_by_the_next_schedule_has_no_edge_between():
    bench = Bench()
    bench.command(START + 20 * MS, (0, [0]), (100 * MS, []))
    bench.tick(5)
    bench.command(START + 120 * MS, (0, [0]), (50 * MS, []))
    bench.tick(20)
    np.testing.assert_allclose(bench.impulse(), bench.force(0) * 0.149, atol=1e-12)


def test_an_empty_schedule_closes_now():
    bench = Bench()
    bench.command(START + 20 * MS, (0, [0]), (100 * MS, []))
    bench.tick(5)
    bench.command(0, count=0)
    bench.tick(20)
    np.testing.assert_allclose(bench.impulse(), bench.force(0) * 0.029, atol=1e-12)


@pytest.mark.parametrize("stamp", [0, START - MS, START + 501 * MS], ids=["zero", "past", "too far ahead"])
def test_what_the_plant_refuses_is_refused(stamp):
    bench = Bench()
    bench.command(stamp, (0, [0]), (100 * MS, []))
    bench.tick(80)
    np.testing.assert_array_equal(bench.impulse(), 0.0)


def test_a_schedule_left_open_ends_with_the_deadman():
    bench = Bench()
    bench.command(START + 20 * MS, (0, [0]))
    bench.tick(40)
    np.testing.assert_allclose(bench.impulse(), bench.force(0) * 0.249, atol=1e-12)


def test_a_valve_is_heard_from_its_first_thrust_to_its_last_and_half_at_its_edges():
    bench = Bench()
    bench.command(START + 20 * MS, (0, [0]), (30 * MS, []))  # thrust from 27 to 56 ms
    bench.tick(12)
    doubt = bench.p["edge_doubt"]
    assert doubt == pytest.approx(2.5 * MS)  # half a ramp of 2 ms, thrice a jitter of 0.5 ms
    at = np.array([5, 15, 24, 26, 27, 28, 30, 35, 53, 56, 57, 59, 75])
    heard = [loudness_at(bench.p, bench.s, ms // 10, 0, START + ms * MS) for ms in at.tolist()]
    expected = np.clip(0.5 + (at - 27) / 5.0, 0.0, 1.0) * np.clip(0.5 + (56 - at) / 5.0, 0.0, 1.0)
    np.testing.assert_allclose(heard, expected * bench.p["range_loudness"][0, 0], atol=1e-12)


def test_loudness_is_three_times_the_noise_at_its_distance_and_falls_with_distance_squared():
    vehicle, ranging = PATTERN.vehicle, PATTERN.noise.ranging
    away = np.linalg.norm(np.subtract(vehicle.receivers[3].position, vehicle.thrusters.valves[7].position))
    expected = (ranging.valve_factor**2 - 1.0) * (ranging.valve_distance / away) ** 2
    assert Bench().p["range_loudness"][3, 7] == pytest.approx(expected)


def test_the_error_of_a_valve_adds_up_over_its_pulses():
    """σ² of the velocity is that of one error common to all pulses, along the push and across it."""
    bench = Bench()
    for k in range(4):
        bench.command(START + (20 + 100 * k) * MS, (0, [1]), (30 * MS, []))
        bench.tick(10)
    bench.tick(10)
    end = int(bench.s["history_end"])
    noise = 0.01 * sum(bench.s["history_noise"][k] for k in range(end) if bench.s["history_pushed"][k])
    given = np.linalg.norm(bench.impulse()) / bench.mass
    direction = bench.p["push_direction"][1]
    error = bench.p["thrust_error"] ** 2 + bench.p["shared_thrust_error"] ** 2
    assert direction @ noise @ direction == pytest.approx(error * given**2, rel=0.06)  # a little is forgotten
    across = np.cross(direction, (0.0, 0.0, 1.0))
    assert across @ noise @ across == pytest.approx((bench.p["thrust_lean"] * given) ** 2, rel=0.06)


def test_what_all_valves_share_is_taken_away_again_by_pushing_back():
    bench = Bench()
    bench.p["thrust_error"] = bench.p["thrust_lean"] = 0.0
    push = bench.p["push"]
    ahead = [int(np.argmax(push[:, 1])), int(np.argmin(push[:, 1]))]
    for k in range(6):
        bench.command(START + (20 + 100 * k) * MS, (0, [ahead[k % 2]]), (30 * MS, []))
        bench.tick(10)
    end = int(bench.s["history_end"])
    noise = 0.01 * sum(bench.s["history_noise"][k] for k in range(end) if bench.s["history_pushed"][k])
    one = np.linalg.norm(push[ahead[0]]) * 0.029
    assert noise[1, 1] < 6.0 * (bench.p["shared_thrust_error"] * one) ** 2


def by_reports():
    """A bench whose estimator goes by which valves are reported open."""
    bench = Bench()
    bench.p["valves_reported"] = 1
    return bench


def reported_pulse(bench, opened, closed, valve):
    """Edges reported with the tick after them, and at each tick which valves are open, as the plant does."""
    for _ in range(40):
        stamp = bench.stamp + TICK_NS
        for edge, valves in ((opened, [valve]), (closed, [])):
            if bench.stamp <= edge < stamp:
                bench.report(edge, *valves)
        bench.report(stamp, *([valve] if opened < stamp <= closed else []))
        bench.tick()


@given(st.integers(10, 150), st.integers(0, 19), st.integers(0, 11))
@settings(max_examples=30, deadline=None)
def test_a_reported_pulse_pushes_as_the_same_one_commanded(on_ms, late_ms, valve):
    reported, commanded = by_reports(), Bench()
    opened = START + (20 + late_ms) * MS
    reported_pulse(reported, opened, opened + on_ms * MS, valve)
    commanded.command(opened, (0, [valve]), (on_ms * MS, []))
    commanded.tick(40)
    np.testing.assert_allclose(reported.impulse(), commanded.impulse(), atol=1e-12)
    assert reported.s["pulse_count"] == 0


def test_each_goes_by_its_own_messages_only():
    reported, commanded = by_reports(), Bench()
    reported.command(START + 20 * MS, (0, [0]), (50 * MS, []))
    commanded.report(START, 0)
    for bench in (reported, commanded):
        bench.tick(20)
        assert not bench.impulse().any()


def test_a_report_sent_again_late_changes_nothing():
    bench = by_reports()
    bench.report(START, 3)
    bench.report(START + 4 * MS)
    bench.report(START, 3)
    bench.report(START + 4 * MS)
    bench.tick(50)
    expected = bench.force(3) * (0.004 + 0.005 + 0.001 - 0.006 - 0.001)
    np.testing.assert_allclose(bench.impulse(), expected, atol=1e-12)


def test_where_reports_end_the_deadman_has_closed_the_valves():
    bench = by_reports()
    bench.report(START, 3)
    bench.tick(50)
    np.testing.assert_allclose(bench.impulse(), bench.force(3) * (0.25 - 0.001), atol=1e-12)


def test_a_report_from_far_ahead_is_passed_over():
    bench = by_reports()
    bench.report(START + NS_PER_S, 3)
    bench.report(START + 10 * MS)
    bench.tick(50)
    assert not bench.impulse().any()
