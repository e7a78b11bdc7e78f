"""Planned trajectories that are replaced in flight, sent again, or go on beyond their plan."""

import math

import numpy as np
import pytest

from testbed.description.messages import NS_PER_S
from testbed.description.status import Phase, Reason
from testbed.flight.formation import (
    Coasting,
    Frame,
    Slot,
    Turn,
    redirect,
    resting,
)  # fmt: skip
from tests.flight.floating_body import START
from tests.flight.guidance.formation_flights import (
    INTERVAL,
    RULE,
    SPEED,
    as_record,
    errors_of,
    flying,
    has_arrived_without_a_jump,
    largest_jumps,
    limits_of,
    planned,
    still,
)
from tests.flight.guidance.test_guidance import HEIGHT, answer, maneuver, on_table


def test_a_replan_that_goes_on_smoothly_is_taken_over_without_a_jump():
    body = flying()
    course = planned(body, resting((0.6, 0.0, HEIGHT)))
    body.guidance.accept_trajectory(as_record(course))
    body.run(8.0)
    again = redirect(course, 8.0, (resting((0.3, 0.5, HEIGHT)),), RULE)
    assert body.guidance.accept_trajectory(as_record(again))
    body.run(again.plan.trajectories.end + 6.0)
    position, velocity = largest_jumps(body)
    assert velocity <= 2.0 * limits_of(body).acceleration * INTERVAL
    assert position <= limits_of(body).acceleration * INTERVAL**2
    expected = [again.plan.trajectories.at(t)[0][0] for t in body.recorded("time") if t >= 8.5]
    flown = body.recorded("reference")["position"][body.recorded("time") >= 8.5]
    assert flown[:, :2] == pytest.approx(np.array(expected)[:, :2], abs=1e-9)
    assert errors_of(body).max() < 6e-3
    assert body.base_position() == pytest.approx([0.3, 0.5, HEIGHT], abs=4e-3)


@pytest.mark.parametrize("ahead", [0.5, 0.0, -0.7], ids=["told before", "told then", "told late"])
def test_a_replan_from_elsewhere_is_joined_without_a_jump(ahead):
    body = flying()
    course = planned(body, resting((0.6, 0.0, HEIGHT)))
    body.guidance.accept_trajectory(as_record(course))
    body.run(10.0)
    place, speed, _ = course.plan.trajectories.at(10.0 + ahead)
    behind, slower = place[0] + [-0.05, 0.02, 0.0], 0.7 * speed[0]
    again = planned(body, resting((0.6, 0.0, HEIGHT)), tuple(behind), tuple(slower), 10.0 + ahead)
    assert body.guidance.accept_trajectory(as_record(again))
    body.run(again.plan.trajectories.end + 15.0)
    has_arrived_without_a_jump(body, [0.6, 0.0, HEIGHT])


def test_of_two_replans_the_later_counts_and_a_repeated_or_older_one_changes_nothing():
    guidance = on_table()
    guidance.accept_maneuver(maneuver("formation").record())
    assert guidance.accept_trajectory(still((0.1, 0.0, HEIGHT)))
    assert not guidance.accept_trajectory(still((0.9, 0.0, HEIGHT)))
    assert guidance.accept_trajectory(still((0.2, 0.0, HEIGHT), start=2.0))
    assert guidance.accept_trajectory(still((0.3, 0.0, HEIGHT), start=3.0))
    assert not guidance.accept_trajectory(still((0.9, 0.0, HEIGHT), start=2.5))
    for step in range(1200):
        _, reference, status = answer(guidance, stamp=START + step * NS_PER_S // 20)
    assert reference["position"][0] == pytest.approx(0.3)
    assert status["reason"] == Reason.NONE


def test_newer_is_what_begins_later_whenever_it_was_sent():
    guidance = on_table()
    guidance.accept_maneuver(maneuver("formation").record())
    assert guidance.accept_trajectory(still((0.1, 0.0, HEIGHT), start=2.0))
    assert not guidance.accept_trajectory(sent_later(still((0.1, 0.0, HEIGHT), start=2.0), 3.0))
    assert not guidance.accept_trajectory(sent_later(still((0.9, 0.0, HEIGHT), start=1.5), 4.0))
    assert guidance.accept_trajectory(sent_later(still((0.2, 0.0, HEIGHT), start=2.5), 4.0))


def test_what_has_begun_when_it_is_sent_is_followed_as_if_it_had_been_sent_before():
    answers = []
    for late in (0.0, 3.0):
        guidance = on_table()
        guidance.accept_maneuver(maneuver("formation").record())
        assert guidance.accept_trajectory(sent_later(still(start=1.0, velocity=(0.02, 0.0, 0.0)), late))
        answers.append(answer(guidance, stamp=START + 8 * NS_PER_S)[1]["position"][0])
    assert answers[0] == answers[1]


def test_without_knots_nothing_is_planned_yet_and_nothing_is_wrong():
    guidance = on_table()
    guidance.accept_maneuver(maneuver("formation").record())
    empty = still()
    empty["count"] = 0
    assert not guidance.accept_trajectory(empty)
    assert answer(guidance)[2]["reason"] == Reason.NO_TRAJECTORY


def sent_later(record, delay):
    """The same trajectory, sent `delay` s later."""
    record["stamp"] += round(delay * NS_PER_S)
    record["offset"][0, :2] -= round(delay * NS_PER_S)
    return record


# From one maneuver of a formation to the next


def test_the_next_maneuver_of_a_formation_goes_on_with_what_is_followed_until_it_has_its_own():
    body = flying()
    moving = still(velocity=(0.02, 0.0, 0.0))
    assert body.guidance.accept_trajectory(moving)
    body.run(30.0)  # the fade from rest is over by then
    since = len(body.history)
    start = START + round((body.history[-1]["time"] + 0.3) * NS_PER_S)
    body.command(maneuver("formation", number=2, speed_limit=SPEED, start=start))
    body.run(2.0)
    assert body.status[0]["number"] == 2
    assert body.status[0]["reason"] == Reason.NO_TRAJECTORY
    moving["number"] = 2
    assert body.guidance.accept_trajectory(moving)
    body.run(4.0)
    assert body.status[0]["reason"] == Reason.NONE
    position, velocity = largest_jumps(body, since)
    assert velocity < 1e-9
    assert position < 1e-9
    assert body.base_position()[0] == pytest.approx(0.02 * body.history[-1]["time"], abs=6e-3)


# Ends in motion


def test_after_a_last_knot_in_motion_it_goes_on_until_a_newer_one_comes():
    body = flying()
    moving = Coasting(np.array([0.2, 0.0, HEIGHT]), np.array([0.01, 0.005, 0.0]))
    course = planned(body, moving)
    end = course.plan.trajectories.end
    body.guidance.accept_trajectory(as_record(course))
    body.run(end + 20.0)
    assert {int(row["phase"]) for row in body.recorded("status")} == {Phase.MOVING}
    assert (body.status[0]["progress"], body.status[0]["time_left"]) == (1.0, 0.0)
    assert body.base_position() == pytest.approx(moving.at(np.array([end + 20.0]))[0][0], abs=6e-3)
    again = redirect(course, end + 20.0, (resting((0.8, 0.4, HEIGHT)),), RULE)
    assert body.guidance.accept_trajectory(as_record(again))
    body.run(again.plan.trajectories.end - end - 20.0 + 6.0)
    assert body.status[0]["phase"] == Phase.HOLDING
    assert errors_of(body).max() < 6e-3


def test_a_message_that_reaches_beyond_the_plan_follows_a_frame_that_turns():
    body = flying()
    frame = Frame((0.0, 0.0, HEIGHT), rate=(0.0, 0.0, 0.02))
    slot = Slot(frame, (0.4, 0.0, 0.0))
    course = planned(body, slot)
    end = course.plan.trajectories.end
    turn = Turn(slot, (0.0, 0.0, 0.0, 1.0), (0.0, 0.0, 0.0), 0.0, end)
    assert body.guidance.accept_trajectory(as_record(course, turn, until=end + 30.0))
    body.run(end + 30.0)
    assert body.base_position() == pytest.approx(slot.at(np.array([end + 30.0]))[0][0], abs=6e-3)
    assert errors_of(body).max() < 6e-3
    assert errors_of(body, "attitude_error").max() < math.radians(1.0)
