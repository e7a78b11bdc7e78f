"""Which state of the plan is in force at a tick, and when it arrived."""

import json
import time

import pytest
from std_msgs.msg import String

from testbed.description.messages import LOCKSTEP_START_NS, PERIOD_NS, TICK_NS
from testbed.nodes.plan_state import ARRIVED, PlanStates
from tests.nodes.fake_contract import FakeContract

START, PERIOD = LOCKSTEP_START_NS, PERIOD_NS["/plan/state"]


def states(lockstep=True):
    contract, arrivals = FakeContract(lockstep), []
    return PlanStates(contract, lambda: arrivals.append(1)), contract, arrivals


def send(contract, stamp, number=0, permit=True):
    contract.send("/plan/state", String(data=json.dumps(state(stamp, number, permit))))


def state(stamp, number=0, permit=True):
    numbers = {"maneuvers": {"wren": number}, "places": {"wren": 0}}
    return {"stamp": stamp, "permit": permit, "run": "hop", "attempt": 1, **numbers}


def test_in_lockstep_a_state_is_in_force_from_the_tick_after_its_own():
    plan, contract, _ = states()
    send(contract, START, number=1)
    assert plan.in_force(START) is None
    assert plan.in_force(START + TICK_NS)["maneuvers"] == {"wren": 1}


def test_in_lockstep_the_newest_older_state_counts_even_if_a_newer_has_arrived():
    plan, contract, _ = states()
    send(contract, START, number=1)
    send(contract, START + PERIOD, number=2)
    assert plan.maneuver_number(START + PERIOD, "wren") == 1
    assert plan.maneuver_number(START + PERIOD + TICK_NS, "wren") == 2


@pytest.mark.parametrize("tick", range(1, 31))
def test_what_is_needed_is_what_is_in_force_once_all_has_arrived(tick):
    """If a node waits for what `needed` names, then later states make no difference."""
    stamp = START + tick * TICK_NS
    plan, contract, _ = states()
    sent = [START + step * PERIOD for step in range(5)]
    ((inbox, wanted),) = plan.needed(stamp)
    for one in sent:
        if one <= wanted:
            send(contract, one, number=one)
    assert wanted in inbox
    alone = plan.in_force(stamp)
    for one in sent:
        if one > wanted and one <= wanted + PERIOD:
            send(contract, one, number=one)
    assert plan.in_force(stamp) == alone
    assert alone["stamp"] == max(one for one in sent if one < stamp)


def test_on_wall_time_the_newest_arrived_counts_whatever_the_stamp():
    plan, contract, _ = states(lockstep=False)
    send(contract, START + 5, number=7)
    assert plan.maneuver_number(START, "wren") == 7


def test_before_any_state_there_is_no_permission_and_no_maneuver():
    plan, _, _ = states()
    assert not plan.heard
    assert plan.in_force(START) is None
    assert plan.maneuver_number(START, "wren") == 0
    assert plan.at(START) is None


def test_the_state_of_a_tick_can_be_asked_for():
    plan, contract, arrivals = states()
    send(contract, START)
    assert plan.at(START)["permit"] is True
    assert plan.heard
    assert arrivals == [1]


def test_a_state_sent_again_is_no_fresher(monkeypatch):
    plan, contract, arrivals = states(lockstep=False)
    monkeypatch.setattr(time, "monotonic_ns", lambda: 100)
    send(contract, START)
    monkeypatch.setattr(time, "monotonic_ns", lambda: 900)
    send(contract, START)
    assert plan.in_force(START)[ARRIVED] == 100
    assert len(arrivals) == 2


def test_old_states_are_forgotten():
    plan, contract, _ = states()
    for step in range(100):
        send(contract, START + step * PERIOD)
    assert plan.at(START) is None
    assert plan.at(START + 97 * PERIOD) is not None


@pytest.mark.parametrize(
    "text",
    ["", "no JSON", "[]", "{}", '{"stamp": "soon", "permit": true, "maneuvers": {}, "places": {}}', '{"stamp": 1}'],
)
def test_a_malformed_state_is_passed_over_and_nobody_fires_by_it(text):
    plan, contract, arrivals = states()
    contract.send("/plan/state", String(data=text))
    assert not plan.heard
    assert not arrivals
    assert len(contract.complaints) == 1


@pytest.mark.parametrize("permit", [1, "true", None])
def test_only_true_is_a_permission(permit):
    plan, contract, _ = states()
    send(contract, START, permit=permit)
    assert plan.in_force(START + TICK_NS)["permit"] is False
