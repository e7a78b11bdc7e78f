"""The safety filter in the thruster driver: what it passes is what the guard gets, and alone it is not there."""

import numpy as np
import pytest

from testbed.description import messages
from testbed.description.axes import TABLE_AXES
from testbed.flight.separation import Action, Company, Partner, SafetyFilter, Worry
from testbed.flight.thruster_driver import ThrusterDriver
from tests.flight.example_vehicle import vehicle
from tests.flight.guard.test_guard import START, odometry, wrench
from tests.flight.separation.test_safety_filter import ERRORS, MINIMUM, PERIOD, heard

ONE = vehicle()
PARTNER = Partner(ONE, MINIMUM, *ERRORS)


def driver(partners=1):
    return ThrusterDriver(ONE, "table", TABLE_AXES, company=Company((PARTNER,) * partners, *ERRORS))


def answer(one, asked, partners, own=None, permitted=True):
    """The schedule to a wrench, and what the filter has begun or ceased to worry about, and whom."""
    schedule = np.zeros(1, messages.SCHEDULE)
    stamp = int(asked[0]["stamp"])
    one.step(odometry(stamp=stamp) if own is None else own, asked, permitted, schedule, partners)
    concerns = {(Worry(c["objection"]), int(c["about"]), bool(c["over"])) for c in one.concerns}
    return schedule[0], concerns


def kept(one):
    """Force and torque that the filter has passed on."""
    record = one.state[0]["kept"]
    return [*record["force"], *record["torque"]]


@pytest.mark.parametrize("apart", [2.0, 0.9, 0.7, 0.6])
def test_the_guard_gets_what_the_filter_passes(apart):
    one, alone = driver(), SafetyFilter(ONE, "table", TABLE_AXES, [PARTNER], *ERRORS)
    near, asked = heard(odometry((apart, 0.0, 0.0))), wrench(0.3, 0.05, 0.0, 0.0, 0.0, 0.01)
    answer(one, asked, near)
    passed, action = alone.judge(odometry(), near, asked)
    assert kept(one) == list(passed)
    assert list(one.state[0]["guard"]["asked"]) == list(passed)
    assert (action == Action.PASSED) == (kept(one) == [*asked[0]["force"], *asked[0]["torque"]])
    assert (action == Action.PASSED) == (apart > 1.0)


def test_what_earlier_pulses_still_give_is_reckoned_with():
    """The filter looks ahead from what the last schedule still does when the next wrench is asked for."""
    one = driver()
    answer(one, wrench(0.3), heard(odometry((2.0, 0.0, 0.0))))
    stamp = START + PERIOD
    answer(one, wrench(stamp=stamp), heard(odometry((2.0, 0.0, 0.0), stamp=stamp)))
    coming = one.state[0]["separation"]["ahead"]["coming"]
    assert coming[0] > 0.0
    assert list(coming) == list(one.state[0]["guard"]["coming"])


def test_alone_nothing_changes_whatever_is_heard():
    """Bit for bit: schedules, and the whole state of all that comes after the filter."""
    first, second = ThrusterDriver(ONE, "table", TABLE_AXES), ThrusterDriver(ONE, "table", TABLE_AXES)
    generator = np.random.default_rng(3)
    for number in range(30):
        stamp = START + number * PERIOD
        asked = wrench(*generator.normal(0.0, 0.1, 6), stamp=stamp)
        near = heard(odometry((0.3, 0.0, 0.0), stamp=stamp))
        assert answer(first, asked, near)[0].tobytes() == answer(second, asked, heard())[0].tobytes()
        assert kept(first) == [*asked[0]["force"], *asked[0]["torque"]]
        assert not first.concerns.size
    assert first.state.tobytes() == second.state.tobytes()


@pytest.mark.parametrize("permitted", [False, True])
def test_who_has_not_been_heard_of_matters_once_there_is_permission(permitted):
    one = driver(2)
    schedule, concerns = answer(one, wrench(0.3), heard(odometry((2.0, 0.0, 0.0))), permitted=permitted)
    assert concerns == ({(Worry.UNHEARD, 1, False)} if permitted else set())
    assert (one.state[0]["separation"]["action"] == Action.BRAKED) == permitted
    assert schedule["count"] == 1, "it stands, so the brake has nothing to do"


def test_before_permission_partners_may_be_late_lost_or_carried_about():
    """So does every session begin, and every try: no word of it, and none afterwards."""
    one = driver()
    unknown = odometry((1.5, 0.0, 0.0))
    unknown[0]["pose_covariance"] = messages.UNKNOWN_VARIANCE * np.eye(6)
    begins = [heard(), heard(unknown), *(heard(odometry((x, 0.0, 0.0), stamp=START)) for x in (1.5, 2.5, 0.5, 2.0))]
    for number, partners in enumerate(begins):
        stamp = START + number * PERIOD
        partners["stamp"] = np.where(partners["stamp"] > 0, stamp, 0)
        assert answer(one, wrench(stamp=stamp), partners, permitted=False)[1] == set()
    stamp = START + len(begins) * PERIOD
    for _ in range(3):
        assert answer(one, wrench(stamp=stamp), heard(odometry((1.5, 0.0, 0.0), stamp=stamp)))[1] == set()
        stamp += PERIOD


def test_a_partner_that_loses_its_fix_is_told_braked_for_and_told_again_when_it_is_back():
    one, told = driver(), []
    for number in range(20):
        stamp = START + number * PERIOD
        partner = odometry((2.0, 0.0, 0.0), stamp=stamp)
        if 3 <= number < 8:
            partner[0]["pose_covariance"] = messages.UNKNOWN_VARIANCE * np.eye(6)
        _, concerns = answer(one, wrench(0.01, stamp=stamp), heard(partner))
        told += [(number, *concern) for concern in concerns]
        assert (kept(one)[0] == 0.01) == (not 3 <= number < 8)
    assert told == [(3, Worry.UNSURE, 0, False), (12, Worry.UNSURE, 0, True)]


def test_towards_a_partner_nothing_is_fired_however_hard_it_is_asked():
    one = driver()
    for number in range(10):
        stamp = START + number * PERIOD
        schedule, _ = answer(one, wrench(1.0, stamp=stamp), heard(odometry((0.62, 0.0, 0.0), stamp=stamp)))
        opened = schedule["open"][: schedule["count"]].any(axis=0)
        forces = one.parameters[0]["matrix"][0, opened.astype(bool)]
        assert not (forces > 1e-6).any()
