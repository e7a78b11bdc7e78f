"""Valves open only while a holder is active, released, and the session's permission is fresh."""

from hypothesis import given
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from testbed.nodes.permission import FRESH_NS, Permission

START = 1_000_000_000_000
times = st.integers(START, START + 10 * FRESH_NS)


class PermissionUnderAnyOrderOfEvents(RuleBasedStateMachine):
    """A second account of the rules, kept beside the first: what was said since the last stop."""

    def __init__(self):
        super().__init__()
        self.permission = Permission(latched_at=START)
        self.last_stop = START
        self.released = self.activated = self.permit = False
        self.state_at = None
        self.now = START

    @rule(wait=st.integers(0, 2 * FRESH_NS))
    def time_passes(self, wait):
        self.now += wait

    @rule()
    def stop(self):
        self.permission.stop(self.now)
        self.last_stop, self.released, self.activated = self.now, False, False

    @rule(age=st.integers(-FRESH_NS, FRESH_NS))
    def release(self, age):
        self.permission.release(self.now - age)
        self.released |= self.now - age > self.last_stop

    @rule()
    def activate(self):
        assert self.permission.activate() == self.released
        self.activated = self.released

    @rule()
    def deactivate(self):
        self.permission.deactivate()
        self.activated = False

    @rule(permit=st.booleans(), age=st.integers(0, 2 * FRESH_NS))
    def hear_state(self, permit, age):
        self.permission.hear_state(permit, self.now - age)
        self.permit, self.state_at = permit, self.now - age

    @invariant()
    def fires_only_with_every_permission(self):
        fresh = self.state_at is not None and self.now - self.state_at <= FRESH_NS
        assert self.permission.may_fire(self.now) == (self.released and self.activated and self.permit and fresh)


TestPermissionUnderAnyOrderOfEvents = PermissionUnderAnyOrderOfEvents.TestCase


def ready(now=START):
    permission = Permission(latched_at=now)
    permission.release(now + 1)
    permission.activate()
    permission.hear_state(True, now + 1)
    return permission


def test_a_holder_starts_stopped_and_inactive():
    permission = Permission(latched_at=START)
    permission.hear_state(True, START)
    assert permission.stopped
    assert not permission.active
    assert not permission.may_fire(START)


def test_released_active_and_permitted_it_may_fire_until_the_state_is_a_quarter_second_old():
    permission = ready()
    assert permission.may_fire(START + 1 + FRESH_NS)
    assert not permission.may_fire(START + 2 + FRESH_NS)


def test_activating_before_the_release_is_refused_and_does_not_count_later():
    permission = Permission(latched_at=START)
    assert not permission.activate()
    permission.release(START + 1)
    permission.hear_state(True, START + 1)
    assert not permission.may_fire(START + 1)


def test_after_a_stop_release_alone_is_not_enough():
    permission = ready()
    permission.stop(START + 5)
    permission.hear_state(True, START + 6)
    assert permission.release(START + 6)
    assert not permission.may_fire(START + 6)
    assert permission.activate()
    assert permission.may_fire(START + 6)


@given(stop=times, release=times)
def test_a_release_clears_only_older_stops(stop, release):
    permission = ready(START - 10)
    permission.stop(stop)
    assert permission.release(release) == (release > stop)
    assert permission.stopped == (release <= stop)


@given(st.lists(times, min_size=1))
def test_of_several_stops_the_newest_counts_whatever_their_order(stops):
    permission = ready(START - 10)
    for stop in stops:
        permission.stop(stop)
    assert not permission.release(max(stops))
    assert permission.release(max(stops) + 1)
