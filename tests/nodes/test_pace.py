"""Stamps become moments of the monotonic clock, at real time or at a chosen speed."""

import time

import pytest

from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S, TICK_NS
from testbed.nodes.pace import CATCH_UP_NS, Pace


@pytest.fixture
def clock(monkeypatch):
    """A monotonic clock and a system clock that stand still until a test moves them."""

    class Clock:
        now = 5_000 * NS_PER_S
        system = 1_795_000_000 * NS_PER_S + 123_456_789

        def move(self, nanoseconds):
            self.now += nanoseconds
            self.system += nanoseconds

    one = Clock()
    monkeypatch.setattr(time, "monotonic_ns", lambda: one.now)
    monkeypatch.setattr(time, "time_ns", lambda: one.system)
    return one


def test_lockstep_begins_at_its_fixed_stamp(clock):
    assert Pace(True, 1.0).begin() == LOCKSTEP_START_NS


def test_wall_time_begins_at_a_whole_tick_of_the_system_clock(clock):
    first = Pace(False, 7.0).begin()
    assert first % TICK_NS == 0
    assert 0 <= clock.system - first < TICK_NS


@pytest.mark.parametrize("speed", [0.5, 1.0, 4.0, 40.0])
def test_a_tick_comes_when_its_time_has_passed_at_that_speed(clock, speed):
    pace = Pace(True, speed)
    stamp = pace.begin() + 100 * TICK_NS
    clock.move(round(NS_PER_S / speed) - 1)
    assert not pace.reached(stamp)
    clock.move(1)
    assert pace.reached(stamp)


def test_wall_time_always_runs_at_real_time(clock):
    pace = Pace(False, 40.0)
    stamp = pace.begin() + 100 * TICK_NS
    clock.move(NS_PER_S // 2)
    assert not pace.reached(stamp)


def test_as_fast_as_it_goes_waits_for_nothing(clock):
    pace = Pace(True, 0.0)
    assert pace.reached(pace.begin() + 1000 * TICK_NS)


def test_ticks_a_little_late_are_caught_up(clock):
    pace = Pace(True, 1.0)
    first = pace.begin()
    clock.move(CATCH_UP_NS // 2)
    behind = [number for number in range(200) if pace.reached(first + number * TICK_NS)]
    assert behind == list(range(CATCH_UP_NS // 2 // TICK_NS + 1))


def test_after_a_long_pause_lockstep_goes_on_at_its_speed_instead_of_rushing(clock):
    pace = Pace(True, 1.0)
    first = pace.begin()
    clock.move(10 * CATCH_UP_NS)
    assert pace.reached(first + TICK_NS)
    assert not pace.reached(first + 2 * TICK_NS)
    clock.move(TICK_NS)
    assert pace.reached(first + 2 * TICK_NS)


def test_wall_time_never_gives_up_time_because_the_world_does_not_wait(clock):
    pace = Pace(False, 1.0)
    first = pace.begin()
    clock.move(10 * CATCH_UP_NS)
    assert pace.reached(first + 10 * CATCH_UP_NS)


def test_the_wait_is_until_the_tick_but_never_long(clock):
    pace = Pace(True, 1.0)
    assert pace.wait(LOCKSTEP_START_NS) == 0.02
    first = pace.begin()
    assert pace.wait(first + TICK_NS) == pytest.approx(0.01)
    assert pace.wait(first + 100 * TICK_NS) == 0.02
    clock.move(2 * TICK_NS)
    assert pace.wait(first + TICK_NS) == 0.0
