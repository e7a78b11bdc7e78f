"""Which messages are due when."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S, PERIOD_NS, TICK_NS
from testbed.description.ticks import due, last_schedule_due, last_wrench_due, schedule_due, wrench_due

SECOND = range(LOCKSTEP_START_NS, LOCKSTEP_START_NS + NS_PER_S, TICK_NS)


@pytest.mark.parametrize(
    ("topic", "rate"), [("imu", 100), ("odometry", 50), ("/plan/state", 10), ("supply", 5), ("battery", 1)]
)
def test_a_periodic_message_is_due_at_its_rate(topic: str, rate: int) -> None:
    assert sum(due(stamp, PERIOD_NS[topic]) for stamp in SECOND) == rate


def test_guidance_answers_twenty_times_a_second_and_only_where_odometry_is_due() -> None:
    answered = [stamp for stamp in SECOND if wrench_due(stamp)]
    assert len(answered) == 20
    assert all(due(stamp, PERIOD_NS["odometry"]) for stamp in answered)


@pytest.mark.parametrize("period", [50_000_000, 70_000_000, 100_000_000, 180_000_000])
def test_the_driver_answers_once_in_each_modulation_period_and_only_where_a_wrench_is_due(period: int) -> None:
    answered = [stamp for stamp in SECOND if schedule_due(stamp, period)]
    assert all(wrench_due(stamp) for stamp in answered)
    slots = [stamp // period for stamp in answered]
    assert len(set(slots)) == len(slots)


@given(st.integers(100, 10_000), st.sampled_from([50_000_000, 100_000_000, 160_000_000]))
def test_the_last_due_tick_is_due_and_nothing_between_it_and_now_is(tick: int, period: int) -> None:
    stamp = tick * TICK_NS
    last = last_schedule_due(stamp, period)
    assert last <= stamp
    assert schedule_due(last, period)
    assert not any(schedule_due(later, period) for later in range(last + TICK_NS, stamp + 1, TICK_NS))
    assert last_wrench_due(stamp) >= last
