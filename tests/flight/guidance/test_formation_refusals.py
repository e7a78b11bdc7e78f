"""Trajectories that cannot be followed, and maneuvers in which none is."""

import math

import pytest

from testbed.description.messages import MAX_KNOTS, NS_PER_S, UNKNOWN_VARIANCE
from testbed.description.status import Phase, Reason
from testbed.flight.formation import (
    resting,
)  # fmt: skip
from tests.flight.example_vehicle import vehicle
from tests.flight.floating_body import START, FloatingBody
from tests.flight.guidance.formation_flights import (
    INTERVAL,
    as_record,
    authority_of,
    errors_of,
    flying,
    largest_jumps,
    planned,
    still,
)
from tests.flight.guidance.test_guidance import HEIGHT, answer, is_zero, maneuver, on_table


def spoilt(**changes):
    record = still((0.4, 0.0, HEIGHT), start=1.0)
    for name, (index, value) in changes.items():
        record[name][(0, *index)] = value
    return record


BAD = {
    "fewer knots than none": spoilt(count=((), -1)),
    "more knots than there is room for": spoilt(count=((), MAX_KNOTS + 1)),
    "times that do not grow": spoilt(offset=((1,), 0)),
    "a beginning before all time": spoilt(offset=((0,), -START - 2 * NS_PER_S)),
    "a position that is no number": spoilt(position=((1, 2), math.nan)),
    "an infinite velocity": spoilt(velocity=((0, 0), math.inf)),
    "a rate that is no number": spoilt(rate=((0, 1), math.nan)),
    "no orientation": spoilt(orientation=((1, 3), 0.0)),
    "no stamp": spoilt(stamp=((), 0)),
}


@pytest.mark.parametrize("record", BAD.values(), ids=BAD)
def test_what_cannot_be_followed_is_refused_and_the_status_says_so(record):
    guidance = on_table()
    guidance.accept_maneuver(maneuver("formation").record())
    assert not guidance.accept_trajectory(record)
    wrench, _, status = answer(guidance)
    assert (status["phase"], status["reason"]) == (Phase.IDLE, Reason.BAD_TRAJECTORY)
    assert is_zero(wrench)
    assert guidance.accept_trajectory(still())
    assert answer(guidance, stamp=START + NS_PER_S // 10)[2]["reason"] == Reason.NONE


def test_a_bad_replan_leaves_the_trajectory_in_force_and_is_told_until_a_good_one_comes():
    guidance = on_table()
    guidance.accept_maneuver(maneuver("formation").record())
    guidance.accept_trajectory(still(velocity=(0.02, 0.0, 0.0)))
    answer(guidance, linear_velocity=(0.02, 0.0, 0.0))
    assert not guidance.accept_trajectory(BAD["a position that is no number"])
    _, reference, status = answer(guidance, stamp=START + 10 * NS_PER_S, position=(0.2, 0.0, HEIGHT))
    assert (status["phase"], status["reason"]) == (Phase.MOVING, Reason.BAD_TRAJECTORY)
    assert reference["position"][0] == pytest.approx(0.2)
    assert guidance.accept_trajectory(still(start=10.0))
    assert answer(guidance, stamp=START + 11 * NS_PER_S)[2]["reason"] == Reason.NONE


# Authority


def test_without_a_fix_it_asks_for_nothing_and_then_joins_again_from_where_it_is():
    body = flying()
    course = planned(body, resting((0.5, 0.0, HEIGHT)))
    body.guidance.accept_trajectory(as_record(course))
    body.run(8.0)
    body.odometry["pose_covariance"][0, 0, 0] = UNKNOWN_VARIANCE
    body.run(3.0)
    assert is_zero(body.wrench[0])
    assert body.status[0]["reason"] == Reason.NO_FIX
    body.odometry["pose_covariance"][0, 0, 0] = 0.0
    since = len(body.history)
    body.run(course.plan.trajectories.end + 10.0)
    position, velocity = largest_jumps(body, since)
    assert velocity <= authority_of(body) * INTERVAL
    assert position <= authority_of(body) * INTERVAL**2
    assert body.status[0]["phase"] == Phase.HOLDING
    assert body.base_position() == pytest.approx([0.5, 0.0, HEIGHT], abs=4e-3)


def test_an_expired_formation_asks_for_nothing():
    guidance = on_table()
    guidance.accept_maneuver(maneuver("formation", expiry=START + NS_PER_S).record())
    guidance.accept_trajectory(still((0.4, 0.0, HEIGHT)))
    assert not is_zero(answer(guidance, stamp=START + NS_PER_S // 2)[0])
    wrench, _, status = answer(guidance, stamp=START + NS_PER_S)
    assert is_zero(wrench)
    assert (status["phase"], status["reason"]) == (Phase.EXPIRED, Reason.OUT_OF_TIME)


def test_before_the_maneuver_s_start_no_trajectory_is_followed():
    body = FloatingBody(vehicle())
    body.command(maneuver("formation", start=START + 5 * NS_PER_S))
    course = planned(body, resting((0.3, 0.0, HEIGHT)), time=5.0)
    body.guidance.accept_trajectory(as_record(course))
    body.run(4.95)
    assert body.status[0]["reason"] == Reason.NOT_STARTED
    assert body.impulse == 0.0
    body.run(course.plan.trajectories.end + 4.0)
    assert errors_of(body).max() < 6e-3
    assert body.status[0]["phase"] == Phase.HOLDING
