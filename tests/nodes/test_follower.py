"""A follower works once per tick, when everything due is in, whatever the order of arrival, and repeats itself."""

from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from std_msgs.msg import String

from testbed.nodes.follower import Follower, Slots, forget_before
from testbed.nodes.wire import read_header
from tests.nodes.fake_contract import FakeContract, FakeNode

TICK = 20
FIRST = 1_000


class Worker:
    """A node that needs two inputs at a tick and publishes their sum."""

    def __init__(self, lockstep=True):
        self.contract = FakeContract(lockstep)
        self.left, self.right = {}, {}
        self.worked = []
        self.out = self.contract.publisher("/plan/events")
        self.node = FakeNode()
        self.follower = Follower(self.node, self.contract, self.needed, self.work)

    def needed(self, stamp):
        return [(self.left, stamp), (self.right, stamp)]

    def work(self, stamp):
        self.worked.append(stamp)
        self.follower.publish(self.out, String(data=f"{self.left.get(stamp)} {self.right.get(stamp)}"))

    def arrive(self, what, stamp):
        if what == "tick":
            self.follower.begin(stamp)
            return
        getattr(self, what)[stamp] = f"{what} {stamp}"
        self.follower.poll()

    @property
    def done(self):
        return [read_header(data)[0] for data in self.contract.sent("/clock/done")]

    @property
    def said(self):
        return [one.data for one in self.out.sent]


@pytest.mark.parametrize("order", list(permutations(["tick", "left", "right"])), ids=" ".join)
def test_it_works_once_when_all_is_in_whatever_the_order(order):
    worker = Worker()
    for count, what in enumerate(order):
        assert worker.worked == [], f"after {order[:count]}"
        worker.arrive(what, FIRST)
    assert worker.worked == [FIRST]
    assert worker.said == [f"left {FIRST} right {FIRST}"]
    assert worker.done == [FIRST]


@given(st.data())
def test_any_interleaving_with_repeats_gives_the_same_messages_in_the_same_order(data):
    """The plant sends the next tick only when all have answered; within a tick nothing has an order."""
    worker, expected = Worker(), []
    for number in range(4):
        stamp = FIRST + number * TICK
        arrivals = data.draw(st.permutations(["tick", "left", "right"] * data.draw(st.integers(1, 3))))
        for what in arrivals:
            worker.arrive(what, stamp)
        expected.append(f"left {stamp} right {stamp}")
        assert worker.worked == [FIRST + k * TICK for k in range(number + 1)]
    assert list(dict.fromkeys(worker.said)) == expected
    assert sorted(worker.done) == worker.done
    assert len(worker.said) == len(worker.done)


def test_a_tick_asked_for_again_is_answered_with_the_same_messages_and_no_new_work():
    worker = Worker()
    for what in ("left", "right", "tick"):
        worker.arrive(what, FIRST)
    worker.left[FIRST] = "something else"
    worker.arrive("tick", FIRST)
    assert worker.worked == [FIRST]
    assert worker.said == [f"left {FIRST} right {FIRST}"] * 2
    assert worker.done == [FIRST, FIRST]


def test_an_old_tick_is_passed_over():
    worker = Worker()
    for stamp in (FIRST, FIRST + TICK):
        for what in ("left", "right", "tick"):
            worker.arrive(what, stamp)
    worker.arrive("tick", FIRST)
    assert worker.worked == [FIRST, FIRST + TICK]
    assert worker.done == [FIRST, FIRST + TICK]


def test_the_first_tick_waits_until_everybody_hears():
    worker = Worker()
    worker.contract.everybody_hears = False
    for what in ("left", "right", "tick"):
        worker.arrive(what, FIRST)
    assert worker.worked == []
    worker.contract.everybody_hears = True
    worker.arrive("tick", FIRST)
    assert worker.worked == [FIRST]


def test_on_wall_time_it_works_with_what_has_arrived_and_reports_no_tick():
    worker = Worker(lockstep=False)
    worker.arrive("tick", FIRST)
    assert worker.said == ["None None"]
    assert "/clock/done" not in worker.contract.publishers


def test_on_wall_time_a_repeated_or_older_input_starts_no_work():
    worker = Worker(lockstep=False)
    for stamp in (FIRST, FIRST, FIRST - TICK):
        worker.arrive("tick", stamp)
    assert worker.worked == [FIRST]


@pytest.mark.parametrize("lockstep", [True, False], ids=["lockstep", "wall time"])
def test_what_nobody_waits_for_is_sent_at_once_in_lockstep_and_a_moment_later_on_wall_time(lockstep):
    worker, sent = Worker(lockstep), []
    worker.follower.aside(lambda: sent.append(1))
    assert sent == ([1] if lockstep else [])
    worker.node.tick()
    worker.node.tick()
    assert sent == [1]


def test_the_first_input_of_each_period_starts_work_and_that_one_again():
    slots = Slots(50)
    started = [stamp for stamp in (0, 20, 40, 60, 60, 80, 100, 120, 140, 160, 160) if slots.starts(stamp)]
    assert started == [0, 60, 60, 100, 160, 160]


@given(st.lists(st.integers(0, 10_000), unique=True, min_size=1).map(sorted), st.integers(1, 500))
def test_every_period_with_an_input_starts_work_exactly_once(stamps, period):
    slots = Slots(period)
    started = [stamp for stamp in stamps if slots.starts(stamp)]
    assert [stamp // period for stamp in started] == sorted({stamp // period for stamp in stamps})


def test_forgetting_keeps_the_stamp_itself():
    inbox = {1: "a", 2: "b", 3: "c"}
    forget_before(inbox, 2)
    assert inbox == {2: "b", 3: "c"}
