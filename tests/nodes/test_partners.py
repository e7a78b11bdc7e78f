"""What a driver hears of partners: in lockstep it waits for what the radio names, on wall time the newest counts."""

from itertools import permutations
from types import SimpleNamespace

import numpy as np
import pytest
from sensor_msgs.msg import JointState

from testbed.description import messages
from testbed.description.messages import LOCKSTEP_START_NS as START
from testbed.nodes.convert import header
from testbed.nodes.partners import Partners
from tests.nodes.fake_contract import FakeContract

PERIOD = 40_000_000
RADIO = SimpleNamespace(radio=SimpleNamespace(period_ns=PERIOD))
NAMES = ("siskin", "wren", "dunlin")


class Listener:
    """The partners of wren, fed through a contract without ROS."""

    def __init__(self, lockstep=True, wanted=True):
        self.contract = FakeContract(lockstep)
        self.contract.vehicle = SimpleNamespace(name="wren")
        self.contract.configuration = SimpleNamespace(vehicles=dict.fromkeys(NAMES), noise=RADIO)
        self.arrivals = 0
        self.complaints = []
        logger = SimpleNamespace(warning=self.complaints.append)
        self.partners = Partners(SimpleNamespace(get_logger=lambda: logger), self.contract, wanted, self.arrived)

    def arrived(self):
        self.arrivals += 1

    def tell(self, name, stamp):
        record = np.zeros(1, messages.ODOMETRY)
        record["stamp"] = stamp
        self.contract.send(f"//partners/{name}/odometry", record)

    def heard(self, stamp, **sent):
        message = JointState(header=header(stamp, ""), name=list(sent))
        message.position = [(one - stamp) / 1e9 for one in sent.values()]
        self.contract.send("//partners/heard", message)

    def ready(self, stamp):
        return all(due in inbox for inbox, due in self.partners.needed(stamp))

    def stamps(self, stamp):
        return self.partners.newest(stamp)["stamp"].tolist()[:3]


@pytest.mark.parametrize("order", list(permutations(range(3))), ids=str)
def test_in_lockstep_it_waits_for_all_that_the_radio_has_given_out(order):
    one, tick = Listener(), START + 2 * PERIOD
    sent = {"siskin": tick - PERIOD, "dunlin": tick - 2 * PERIOD + 1}
    arrivals = [lambda: one.heard(tick, **sent), *(lambda n=name: one.tell(n, sent[n]) for name in sent)]
    for number in order:
        assert not one.ready(tick + 20_000_000)
        arrivals[number]()
    assert one.ready(tick + 20_000_000)
    assert one.arrivals == 3
    assert one.stamps(tick + 20_000_000) == [*sent.values(), 0]


def test_in_lockstep_what_came_later_does_not_count():
    one = Listener()
    one.heard(START, siskin=START - PERIOD)
    one.tell("siskin", START - PERIOD)
    one.heard(START + PERIOD, siskin=START)
    one.tell("siskin", START)
    assert one.stamps(START + PERIOD - 1) == [START - PERIOD, 0, 0]
    assert one.stamps(START + PERIOD) == [START, 0, 0]


def test_before_anything_was_heard_it_waits_for_that_to_be_told():
    one = Listener()
    assert not one.ready(START)
    one.heard(START)
    assert one.ready(START)
    assert one.stamps(START) == [0, 0, 0]


def test_without_a_filter_it_waits_for_nothing():
    one = Listener(wanted=False)
    assert one.ready(START)
    assert one.stamps(START) == [0, 0, 0]


def test_on_wall_time_the_newest_counts():
    one = Listener(lockstep=False)
    for stamp in (START, START + 3 * PERIOD, START + PERIOD):
        one.tell("dunlin", stamp)
    assert one.stamps(START) == [0, START + 3 * PERIOD, 0]


def test_what_names_no_partner_is_passed_over_and_said():
    one = Listener()
    one.heard(START, robin=START)
    assert one.complaints
    assert not one.ready(START)
