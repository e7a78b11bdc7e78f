"""A maneuver of kind formation: planned trajectories flown by a floating body, replaced in flight, and refused."""

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.description import messages
from testbed.description.messages import MAX_KNOTS, NS_PER_S, UNKNOWN_VARIANCE
from testbed.description.status import Phase, Reason
from testbed.flight.formation import (
    Area,
    Coasting,
    Frame,
    Keeping,
    Limits,
    Replanning,
    Slot,
    Task,
    Turn,
    begin,
    redirect,
    resting,
    trajectory_record,
)  # fmt: skip
from tests.flight.example_vehicle import vehicle
from tests.flight.floating_body import START, FloatingBody
from tests.flight.guidance.test_guidance import HEIGHT, answer, is_zero, maneuver, on_table

INTERVAL = 0.06
"""Longest time from one wrench to the next, s: each is due at the first odometry (20 ms) of its 50 ms."""
HOME = (0.0, 0.0, HEIGHT)
SPEED = 0.05
RULE = Replanning()


def limits_of(body):
    """What the planner may use of the vehicle: half of what guidance's own profiles may."""
    p = body.guidance.parameters[0]
    return Limits(0.5 * p["share"] * p["authority"][:3][p["active"][:3] > 0].min() / p["mass"], SPEED)


def planned(body, goal, start=HOME, velocity=(0.0, 0.0, 0.0), time=0.0):
    """A plan for one vehicle from `start` to the motion `goal`, beginning `time` s after START."""
    axes = tuple(int(k) for k in np.flatnonzero(body.active[:3]))
    area = Area.box((-2.0,) * len(axes), (2.0,) * len(axes))
    return begin(Task(time, np.array([start]), np.array([velocity]), (goal,), (limits_of(body),), Keeping(0.3, 0.05),
                      area, axes=axes))  # fmt: skip


def as_record(course, turn=None, number=1, until=0.0):
    """The record of the plan's only vehicle, turning as `turn` says, else keeping its attitude."""
    trajectories = course.plan.trajectories
    times, positions, velocities, _ = trajectories.points(max(until, trajectories.end), 2.0)
    slot = Slot(Frame((0.0, 0.0, 0.0)), (0.0, 0.0, 0.0))
    turn = turn or Turn(slot, (0.0, 0.0, 0.0, 1.0), (0.0, 0.0, 0.0), 0.0, 1.0)
    return trajectory_record(number, START, times, positions[0], velocities[0], turn)


def turning(end, duration, start=(0.0, 0.0, 0.0, 1.0)):
    return Turn(Slot(Frame((0.0, 0.0, 0.0), end), (0.0, 0.0, 0.0)), start, (0.0, 0.0, 0.0), 0.0, duration)


def flying(place="table", **more):
    body = FloatingBody(vehicle(), place, **more)
    body.command(maneuver("formation", speed_limit=SPEED))
    return body


def still(position=HOME, start=0.0, number=1, velocity=(0.0, 0.0, 0.0)):
    """A record of two knots, 1 s apart, at a place or past it with a velocity; stamped `start` s after START."""
    record = np.zeros(1, messages.TRAJECTORY)
    one = record[0]
    one["stamp"], one["number"], one["count"] = START + round(start * NS_PER_S), number, 2
    one["offset"][1] = NS_PER_S
    one["position"][0], one["position"][1] = position, np.add(position, velocity)
    one["velocity"][:2], one["orientation"][:2, 3] = velocity, 1.0
    return record


def largest_jumps(body, since=0):
    """Of the reference from step to step: position beside what both velocities make of it, m, and velocity, m/s."""
    references = body.recorded("reference")[since:]
    positions = references["position"]
    turns = Rotation.from_quat(references["orientation"])
    velocities = turns.apply(references["linear_velocity"])
    mean = 0.5 * (velocities[1:] + velocities[:-1]) * np.diff(references["stamp"])[:, None] / NS_PER_S
    return (
        np.linalg.norm(np.diff(positions, axis=0) - mean, axis=1).max(),
        np.linalg.norm(np.diff(velocities, axis=0), axis=1).max(),
    )


def errors_of(body, name="position_error"):
    return np.array([row[name] for row in body.recorded("status")])


# Following


def test_a_planned_trajectory_is_followed_as_closely_as_a_track():
    body = flying()
    course = planned(body, resting((0.6, -0.4, HEIGHT)))
    end = Rotation.from_rotvec([0.0, 0.0, math.radians(80.0)])
    record = as_record(course, turning(tuple(end.as_quat()), course.plan.trajectories.end))
    assert body.guidance.accept_trajectory(record)
    body.run(course.plan.trajectories.end + 8.0)
    one = record[0]
    assert one["count"] >= 13
    for k in range(one["count"]):
        row = body.history[int(np.argmin(np.abs(body.recorded("time") - one["offset"][k] / NS_PER_S)))]
        place = course.plan.trajectories.at(row["time"])[0][0]
        assert row["position"] == pytest.approx(place, abs=6e-3)
        off = Rotation.from_quat(one["orientation"][k]).inv() * Rotation.from_rotvec(row["rotation_vector"])
        assert off.magnitude() < math.radians(1.0)
    assert errors_of(body).max() < 6e-3
    assert body.status[0]["phase"] == Phase.HOLDING
    assert body.base_position() == pytest.approx([0.6, -0.4, HEIGHT], abs=4e-3)
    assert body.driver.state[0]["outcomes"][1:].sum() == 0, "nothing saturated"


def test_the_same_in_the_cabin_along_and_about_all_axes():
    body = flying("cabin")
    course = planned(body, resting((0.4, -0.3, 0.5)), start=(0.0, 0.0, 0.0))
    end = Rotation.from_rotvec(np.array([0.5, -1.2, 0.7]))
    assert body.guidance.accept_trajectory(
        as_record(course, turning(tuple(end.as_quat()), course.plan.trajectories.end))
    )
    body.run(course.plan.trajectories.end + 8.0)
    assert errors_of(body).max() < 6e-3
    assert errors_of(body, "attitude_error").max() < math.radians(1.0)
    assert body.status[0]["phase"] == Phase.HOLDING
    assert body.base_position() == pytest.approx([0.4, -0.3, 0.5], abs=4e-3)
    assert (end.inv() * body.attitude).magnitude() < math.radians(0.7)


def test_status_counts_down_to_the_last_knot_then_settles_then_holds():
    body = flying()
    course = planned(body, resting((0.3, 0.1, HEIGHT)))
    body.guidance.accept_trajectory(as_record(course))
    body.run(course.plan.trajectories.end + 6.0)
    status = body.recorded("status")
    progress, left = np.array([(row["progress"], row["time_left"]) for row in status]).T
    assert (progress[0], progress[-1], left[-1]) == (0.0, 1.0, 0.0)
    assert left[0] == pytest.approx(course.plan.trajectories.end, abs=1e-6)
    assert np.all(np.diff(progress) >= 0.0)
    phases = [row["phase"] for row in status]
    assert phases == sorted(phases)
    assert set(phases) == {Phase.MOVING, Phase.SETTLING, Phase.HOLDING}
    assert {int(row["reason"]) for row in status} == {Reason.NONE}


def test_what_the_trajectory_says_of_held_axes_is_not_followed():
    body = flying()
    record = still((0.0, 0.0, 2.0), velocity=(0.0, 0.0, 0.1))
    record["orientation"][0, 1] = Rotation.from_euler("ZYX", [0.3, 0.4, -0.2]).as_quat()
    record["rate"][0, :2] = 0.1, 0.2, 0.0
    assert body.guidance.accept_trajectory(record)
    body.run(20.0)
    reference = body.reference[0]
    assert reference["position"][2] == pytest.approx(HEIGHT)
    assert reference["linear_velocity"][2] == 0.0
    assert Rotation.from_quat(reference["orientation"]).as_rotvec()[:2] == pytest.approx([0.0, 0.0], abs=1e-12)
    assert body.status[0]["phase"] == Phase.HOLDING


def test_with_a_deadband_it_drifts_about_the_trajectory_within_it():
    body = FloatingBody(vehicle())
    body.command(maneuver("formation", speed_limit=SPEED, deadband=0.02, deadband_angle=math.radians(2.0)))
    course = planned(body, resting((0.6, -0.4, HEIGHT)))
    assert body.guidance.accept_trajectory(as_record(course))
    body.run(course.plan.trajectories.end + 10.0)
    assert errors_of(body).max() < math.sqrt(2.0) * 0.02
    assert errors_of(body, "attitude_error").max() < math.radians(2.0)
    assert body.reference[0]["position"] == pytest.approx([0.6, -0.4, HEIGHT])
    assert body.status[0]["phase"] == Phase.HOLDING


# Without a trajectory, before it, and with another's


def test_without_a_trajectory_it_brakes_and_stands():
    body = FloatingBody(vehicle())
    body.velocity[:] = (0.04, 0.02, 0.0)
    body.rate[2] = 0.05
    body.command(maneuver("formation"))
    body.run(0.05)
    distance = body.status[0]["stopping_distance"]
    body.run(30.0)
    assert {(int(row["phase"]), int(row["reason"])) for row in body.recorded("status")} == {
        (Phase.IDLE, Reason.NO_TRAJECTORY)
    }
    assert np.linalg.norm(body.velocity) < 2e-3
    assert np.linalg.norm(body.base_position()[:2]) == pytest.approx(distance, rel=0.6)
    reference = body.recorded("reference")[-1]
    assert not reference["linear_velocity"].any()
    body.run(10.0)
    assert body.recorded("reference")[-1]["position"].tolist() == reference["position"].tolist()


@pytest.mark.parametrize("first", ["maneuver", "trajectory"])
def test_the_order_of_maneuver_and_trajectory_does_not_matter(first):
    guidance = on_table()
    guidance.accept_maneuver(maneuver("hold", number=1).record())
    told = [lambda: guidance.accept_maneuver(maneuver("formation", number=2).record()),
            lambda: guidance.accept_trajectory(still((0.2, 0.0, HEIGHT), number=2))]  # fmt: skip
    for tell in told if first == "maneuver" else told[::-1]:
        assert tell()
    _, _, status = answer(guidance)
    assert (status["number"], status["phase"], status["reason"]) == (2, Phase.MOVING, Reason.NONE)


def test_a_trajectory_for_a_later_maneuver_waits_and_one_for_an_earlier_is_not_taken():
    guidance = on_table()
    guidance.accept_maneuver(maneuver("formation", number=4).record())
    assert not guidance.accept_trajectory(still(number=3))
    assert answer(guidance)[2]["reason"] == Reason.NO_TRAJECTORY
    assert guidance.accept_trajectory(still(number=5))
    assert answer(guidance)[2]["reason"] == Reason.NO_TRAJECTORY
    guidance.accept_maneuver(maneuver("formation", number=5).record())
    assert answer(guidance)[2]["reason"] == Reason.NONE


def test_a_maneuver_after_the_formation_knows_nothing_of_its_trajectory():
    guidance = on_table()
    guidance.accept_maneuver(maneuver("formation").record())
    guidance.accept_trajectory(still((0.5, 0.0, HEIGHT)))
    answer(guidance)
    guidance.accept_maneuver(maneuver("hold", number=2).record())
    _, reference, status = answer(guidance, stamp=START + 5 * NS_PER_S)
    assert reference["position"][0] == 0.0
    assert status["reason"] == Reason.NONE
    guidance.accept_maneuver(maneuver("formation", number=3).record())
    assert answer(guidance, stamp=START + 6 * NS_PER_S)[2]["reason"] == Reason.NO_TRAJECTORY


def test_it_stands_until_the_first_knot_and_then_follows_without_lagging():
    body = flying()
    body.run(0.05)
    course = planned(body, resting((0.3, 0.2, HEIGHT)), time=4.0)
    assert body.guidance.accept_trajectory(as_record(course))
    body.run(3.9)
    assert body.status[0]["reason"] == Reason.NO_TRAJECTORY
    body.run(course.plan.trajectories.end + 4.0)
    assert errors_of(body).max() < 6e-3
    assert body.status[0]["phase"] == Phase.HOLDING


def test_a_trajectory_that_comes_late_is_joined_from_where_it_stands():
    body = flying()
    course = planned(body, resting((0.5, 0.2, HEIGHT)))
    body.run(6.0)
    assert body.guidance.accept_trajectory(as_record(course))
    body.run(course.plan.trajectories.end + 20.0)
    has_arrived_without_a_jump(body, [0.5, 0.2, HEIGHT])


# Replanned in flight


def has_arrived_without_a_jump(body, goal):
    """The reference's position and velocity changed by no more at once than the valves can give."""
    position, velocity = largest_jumps(body)
    assert velocity <= authority_of(body) * INTERVAL
    assert position <= authority_of(body) * INTERVAL**2
    assert errors_of(body).max() < 6e-3
    assert body.base_position() == pytest.approx(goal, abs=4e-3)


def authority_of(body):
    """What the valves give along any direction in the plane at least, m/s²."""
    p = body.guidance.parameters[0]
    return p["authority"][:2].min() / p["mass"]


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


# Refused


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
