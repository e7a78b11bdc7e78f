import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from testbed.description.messages import IMU, NS_PER_S, SCHEDULE, TICK_NS
from testbed.flight.estimation import accept_imu, accept_schedule
from testbed.flight.estimation.valve_forces import fired_during
from tests.flight.estimation.world import World

MS = 1_000_000
START = NS_PER_S
PATTERN = World([1])


class Bench:
    """An estimator whose gyro ticks, to watch what the valves are believed to do."""

    def __init__(self):
        self.estimator = PATTERN.new_estimator()
        self.p, self.s = self.estimator.parameters[0], self.estimator.state[0]
        self.mass = self.estimator.mass
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


def test_valves_open_together_sag():
    bench = Bench()
    bench.command(START + 20 * MS, (0, [0, 1, 3, 4]), (50 * MS, []))
    bench.tick(15)
    four = sum(bench.force(v) for v in (0, 1, 3, 4)) * 0.049
    np.testing.assert_allclose(bench.impulse(), 0.88 * four, atol=1e-12)


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


def test_a_chirp_counts_as_disturbed_while_a_valve_fires_on_its_way():
    bench = Bench()
    bench.command(START + 20 * MS, (0, [0]), (30 * MS, []))  # thrust from 27 to 56 ms
    bench.tick(12)
    number = int(bench.s["history_end"]) - 1

    def disturbed(departure, arrival):
        return fired_during(bench.s, arrival // 10, START + departure * MS, START + arrival * MS)

    assert number == 11
    assert not disturbed(15, 24)
    assert disturbed(18, 26)
    assert disturbed(35, 42)
    assert disturbed(57, 66)
    assert disturbed(57, 77)
    assert not disturbed(60, 68)
    assert not disturbed(80, 101)  # over two intervals in which nothing fires
