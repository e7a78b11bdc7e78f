"""A feed holds what a vehicle heard in the engine, and can be moved to other times by whole seconds."""

import json

import numpy as np
import pytest

from testbed.bench.feed import record_feed
from testbed.description.locate import locate
from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S, TICK_NS
from testbed.plan.configuration import load_configuration


@pytest.fixture(scope="module")
def configuration():
    return load_configuration(locate("plans/first-float.yaml"))


@pytest.fixture(scope="module")
def feed(configuration):
    return record_feed(configuration, "wren", 6.0)


def test_no_tick_is_missing(feed):
    assert feed.imu[0]["stamp"] == LOCKSTEP_START_NS
    assert set(np.diff(feed.imu["stamp"])) == {TICK_NS}


def test_ranges_come_at_the_end_of_their_cycle(feed, configuration):
    assert feed.ranges
    for at, record in feed.ranges.items():
        assert configuration.beacons.ranges_due(at, LOCKSTEP_START_NS)
        assert at - record[0]["stamp"] == configuration.beacons.cycle_ns


def test_schedules_are_answered_from_the_permission_on(feed):
    assert json.loads(feed.states[feed.permitted_from])["permit"]
    assert any(record[0]["count"] > 1 for at, record in feed.schedules.items() if at > feed.permitted_from)


def test_a_shifted_feed_says_the_same_later(feed):
    later = feed.shifted(5 * NS_PER_S)
    assert np.array_equal(later.imu["stamp"], feed.imu["stamp"] + 5 * NS_PER_S)
    assert np.array_equal(later.imu["angular_velocity"], feed.imu["angular_velocity"])
    for at, record in feed.ranges.items():
        assert later.ranges[at + 5 * NS_PER_S][0]["stamp"] == record[0]["stamp"] + 5 * NS_PER_S
    for at, maneuver in feed.maneuvers.items():
        assert later.maneuvers[at + 5 * NS_PER_S].expiry == maneuver.expiry + 5 * NS_PER_S
    assert {json.loads(text)["stamp"] for text in later.states.values()} == set(later.states)


def test_a_session_that_never_permits_is_refused(configuration):
    with pytest.raises(ValueError, match="wren was not permitted"):
        record_feed(configuration, "wren", 0.2)
