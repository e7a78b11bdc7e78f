"""A maneuver of kind formation: planned trajectories flown by a floating body."""

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.description.messages import NS_PER_S
from testbed.description.status import Phase, Reason
from testbed.flight.formation import (
    resting,
)  # fmt: skip
from tests.flight.example_vehicle import vehicle
from tests.flight.floating_body import START, FloatingBody
from tests.flight.guidance.formation_flights import (
    SPEED,
    as_record,
    errors_of,
    flying,
    has_arrived_without_a_jump,
    planned,
    still,
    turning,
)
from tests.flight.guidance.test_guidance import HEIGHT, answer, maneuver, on_table


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
