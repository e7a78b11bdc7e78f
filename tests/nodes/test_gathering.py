"""The conductor observes in lockstep exactly what is due, once, whatever comes when and how often."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sensor_msgs.msg import BatteryState, FluidPressure, Temperature
from std_msgs.msg import Header, String

from testbed.description import messages
from testbed.description.messages import LOCKSTEP_START_NS, PERIOD_NS, TICK_NS
from testbed.description.status import status_json
from testbed.description.ticks import due
from testbed.nodes.gathering import Gathering
from testbed.nodes.topics import to_time
from testbed.plan.observation import Contact, contacts_to_json
from tests.nodes.fake_contract import FakeContract
from tests.nodes.sessions import three_vehicles

CONFIGURATION = three_vehicles()
NAMES = list(CONFIGURATION.vehicles)
START, STEP = LOCKSTEP_START_NS, PERIOD_NS["/plan/state"]


class Scene:
    def __init__(self, lockstep=True):
        self.contract = FakeContract(lockstep)
        self.arrivals = 0
        self.gathering = Gathering(CONFIGURATION, self.contract, self.arrived)

    def arrived(self):
        self.arrivals += 1

    def complete(self, stamp):
        return all(wanted in inbox for inbox, wanted in self.gathering.needed(stamp))

    def observe(self, stamp):
        return self.gathering.observe(stamp, (), True, "")

    def deliver(self, what):
        name, message = what
        self.contract.send(name, message)


def odometry(stamp, value=0.0):
    record = np.zeros(1, messages.ODOMETRY)
    record["stamp"], record["position"] = stamp, value
    return record


def status(stamp, number=0):
    record = np.zeros(1, messages.STATUS)
    record["stamp"], record["number"] = stamp, number
    return String(data=status_json(record[0]))


def sent_for(stamp):
    """Everything that the rest of the graph sends from after the step before up to this one, by the rates."""
    sent = [("/contacts", String(data=contacts_to_json(stamp, ())))]
    first = stamp - STEP + TICK_NS if stamp > START else START
    for name in NAMES:
        sent += [
            (f"/{name}/{topic}", odometry(tick))
            for tick in range(first, stamp + 1, TICK_NS)
            for topic in ("truth", "odometry")
            if due(tick, PERIOD_NS[topic])
        ]
        sent.append((f"/{name}/reference", odometry(stamp)))
        if due(stamp, PERIOD_NS["maneuver/status"]):
            sent.append((f"/{name}/maneuver/status", status(stamp)))
        if due(stamp, PERIOD_NS["supply"]):
            header = Header(stamp=to_time(stamp))
            sent.append((f"/{name}/supply/pressure", FluidPressure(header=header, fluid_pressure=2e7)))
            sent.append((f"/{name}/carriage/pressure", FluidPressure(header=header, fluid_pressure=1e7)))
            sent.append((f"/{name}/supply/temperature", Temperature(header=header, temperature=20.0)))
        if due(stamp, PERIOD_NS["battery"]):
            sent.append(
                (f"/{name}/battery", BatteryState(header=Header(stamp=to_time(stamp)), percentage=0.5, voltage=15.0))
            )
    return sent


def brought_to(step):
    """A gathering that has observed every step before."""
    scene = Scene()
    for earlier in range(step):
        for what in sent_for(START + earlier * STEP):
            scene.deliver(what)
        scene.observe(START + earlier * STEP)
    return scene


@pytest.mark.parametrize("step", range(6))
def test_it_waits_for_each_message_that_is_due_and_for_nothing_else(step):
    stamp = START + step * STEP
    due_now = sent_for(stamp)
    for index, left_out in enumerate(due_now):
        scene = brought_to(step)
        for what in due_now[:index] + due_now[index + 1 :]:
            scene.deliver(what)
        older_odometry = "odometry" in left_out[0] and left_out[1][0]["stamp"] != stamp
        assert scene.complete(stamp) == older_odometry, left_out[0]
        scene.deliver(left_out)
        assert scene.complete(stamp)


@settings(max_examples=30, deadline=None)
@given(st.data())
def test_any_order_and_any_repeats_give_the_same_observations(data):
    """Messages come in any order within a step, some twice, and some of the step before once more."""
    plain, mixed = Scene(), Scene()
    before = []
    for step in range(3):
        stamp = START + step * STEP
        sent = sent_for(stamp)
        for what in sent:
            plain.deliver(what)
        again = data.draw(st.lists(st.sampled_from(sent + before), max_size=10))
        for what in data.draw(st.permutations(sent + again)):
            mixed.deliver(what)
        assert mixed.complete(stamp)
        assert same(plain.observe(stamp), mixed.observe(stamp))
        before = sent


def same(first, second):
    """Whether two observations hold the same, arrays included."""
    return repr(first) == repr(second)


def test_truth_and_reference_are_those_since_the_step_before_in_order():
    scene = Scene()
    for step in range(2):
        for what in reversed(sent_for(START + step * STEP)):
            scene.deliver(what)
        seen = scene.observe(START + step * STEP)
    expected = list(range(START + 2 * TICK_NS, START + STEP + 1, 2 * TICK_NS))
    for name in NAMES:
        assert seen.truth[name]["stamp"].tolist() == expected
        assert seen.reference[name]["stamp"].tolist() == [START + STEP]
        assert seen.odometry[name]["stamp"] == START + STEP


def test_in_lockstep_what_is_ahead_of_the_step_waits_for_the_next():
    scene = Scene()
    for what in (*sent_for(START), *sent_for(START + STEP)):
        scene.deliver(what)
    seen = scene.observe(START)
    assert seen.odometry["wren"]["stamp"] == START
    assert scene.observe(START + STEP).odometry["wren"]["stamp"] == START + STEP


def test_in_lockstep_a_status_sent_on_change_does_not_decide_anything():
    """Whether it has come by a tick is up to chance, so only those that are due count."""
    scene = Scene()
    for what in sent_for(START):
        scene.deliver(what)
    scene.deliver(("/wren/maneuver/status", status(START + STEP // 2, number=9)))
    scene.observe(START)
    for what in sent_for(START + STEP):
        scene.deliver(what)
    assert scene.observe(START + STEP).status["wren"]["number"] == 0


def test_on_wall_time_whatever_has_arrived_counts():
    scene = Scene(lockstep=False)
    scene.deliver(("/wren/maneuver/status", status(START + 7, number=9)))
    scene.deliver(("/wren/truth", odometry(START + 999)))
    seen = scene.observe(START)
    assert seen.status["wren"]["number"] == 9
    assert seen.truth["wren"]["stamp"].tolist() == [START + 999]
    assert scene.observe(START + STEP).truth["wren"].size == 0


def test_the_battery_is_the_latest_told():
    scene = Scene()
    for step in range(2):
        for what in sent_for(START + step * STEP):
            scene.deliver(what)
        assert scene.observe(START + step * STEP).battery == dict.fromkeys(NAMES, (0.5, 15.0))


def test_contacts_are_told_once_even_if_sent_twice():
    scene = Scene()
    touch = Contact(START, "wren", "edge", 3.0, 0.1)
    message = ("/contacts", String(data=contacts_to_json(START, (touch,))))
    scene.deliver(message)
    assert scene.observe(START).contacts == (touch,)
    scene.deliver(message)
    assert scene.observe(START + STEP).contacts == ()


def test_a_vehicle_that_has_sent_nothing_is_not_in_the_observation():
    scene = Scene(lockstep=False)
    scene.deliver(("/wren/odometry", odometry(START)))
    scene.deliver(("/wren/supply/pressure", FluidPressure(header=Header(stamp=to_time(START)), fluid_pressure=2e7)))
    seen = scene.observe(START)
    assert set(seen.odometry) == {"wren"}
    assert seen.supply == {}, "a pressure without a temperature tells no mass"
    assert json.loads(contacts_to_json(START, ()))["contacts"] == []
