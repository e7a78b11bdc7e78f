"""What an estimator says of itself on `/diagnostics`."""

import numpy as np
import pytest

from testbed.description import messages
from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S, TICK_NS, UNKNOWN_VARIANCE
from testbed.flight.estimation import ACQUIRED, CONFIRMING, SEARCHING
from testbed.flight.estimation.layout import STATE
from testbed.nodes.estimator_health import COUNTS, EstimatorHealth, health
from tests.nodes.fake_contract import FakeContract

NOW = LOCKSTEP_START_NS + 4 * NS_PER_S


def odometry(variance, stamp=NOW):
    record = np.zeros(1, messages.ODOMETRY)[0]
    record["stamp"], record["pose_covariance"] = stamp, variance * np.eye(6)
    return record


def said(status):
    return {one.key: one.value for one in status.values}


@pytest.mark.parametrize(("phase", "acquired"), [(SEARCHING, False), (CONFIRMING, False), (ACQUIRED, True)])
def test_it_says_whether_the_pose_is_acquired_and_how_sure(phase, acquired):
    state = np.zeros(1, STATE)[0]
    state["phase"], state["rejected"], state["last_fix"] = phase, 7, NOW - NS_PER_S // 2
    status = health("/wren/estimator", odometry(1e-6 if acquired else UNKNOWN_VARIANCE), state)
    assert (status.name, status.message.startswith("not acquired")) == ("/wren/estimator", not acquired)
    assert said(status)["rejected"] == "7"
    assert said(status)["since_last_range_s"] == "0.50"
    assert set(COUNTS) <= set(said(status))
    assert said(status).get("position_sigma_mm") == ("1.7" if acquired else None)


def test_of_a_users_own_it_says_what_its_covariance_does():
    assert health("one", odometry(1e-6), None).message == "acquired"
    assert health("one", odometry(UNKNOWN_VARIANCE), None).message.startswith("not acquired")


@pytest.mark.parametrize(("stamp", "count"), [(NOW, 1), (NOW + 2 * TICK_NS, 0)])
def test_it_is_sent_once_a_second(stamp, count):
    contract = FakeContract(lockstep=True)
    EstimatorHealth(contract, "one").send(odometry(1.0, stamp), None)
    assert len(contract.sent("/diagnostics")) == count
