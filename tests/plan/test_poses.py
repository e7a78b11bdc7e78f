"""Poses that a plan asks for."""

import math
from itertools import pairwise

import pytest
from scipy.spatial.transform import Rotation

from testbed.description.rotation import heading
from testbed.plan.maneuvers import Hold, Pose, Rotate, Track, TrackPoint, Translate
from testbed.plan.poses import PlannedPose, orientation_of, planned_poses, pose_after, pose_of
from tests.plan.formation import RING, fly, session
from tests.plan.world import configuration

BEFORE = PlannedPose((0.1, 0.2, 0.45), orientation_of(0.0, 0.0, 30.0))


def test_angles_turn_about_the_fixed_axes_in_the_order_x_y_z():
    ours = Rotation.from_quat(orientation_of(10.0, 20.0, 30.0))
    theirs = Rotation.from_euler("xyz", [10.0, 20.0, 30.0], degrees=True)
    assert (ours.inv() * theirs).magnitude() == pytest.approx(0.0, abs=1e-12)


def test_a_hold_stays_and_a_hold_at_a_pose_goes_there():
    assert pose_after(Hold(kind="hold", duration=1.0), BEFORE, 0.45) == BEFORE
    there = pose_after(Hold(kind="hold", duration=1.0, pose=Pose(x=0.15, y=0.2)), BEFORE, 0.45)
    assert there.position == (0.15, 0.2, 0.45)


def test_a_move_keeps_the_attitude_and_a_turn_the_position():
    moved = pose_after(Translate(kind="translate", x=1.0, y=-1.0), BEFORE, 0.45)
    assert moved == PlannedPose((1.0, -1.0, 0.45), BEFORE.orientation)
    turned = pose_after(Rotate(kind="rotate", heading_deg=90.0), BEFORE, 0.45)
    assert turned.position == BEFORE.position
    assert turned.orientation == pytest.approx((0.0, 0.0, math.sqrt(0.5), math.sqrt(0.5)))


def test_in_the_cabin_the_height_is_free_and_stays_unless_given():
    assert pose_after(Translate(kind="translate", x=1.0, y=0.0), BEFORE, None).position == (1.0, 0.0, 0.45)
    assert pose_after(Translate(kind="translate", x=1.0, y=0.0, z=0.9), BEFORE, None).position == (1.0, 0.0, 0.9)
    assert pose_of(Pose(x=0.0, y=0.0, z=0.3), None).position == (0.0, 0.0, 0.3)


def test_a_track_ends_at_its_last_waypoint():
    points = (TrackPoint(time=0.0, x=0.1, y=0.2), TrackPoint(time=9.0, x=0.4, y=0.5, heading_deg=90.0))
    after = pose_after(Track(kind="track", waypoints=points), BEFORE, 0.45)
    assert after == PlannedPose((0.4, 0.5, 0.45), orientation_of(0.0, 0.0, 90.0))


def test_a_run_without_start_poses_begins_where_the_one_before_ended():
    runs = planned_poses(configuration("demo"))
    for before, after in pairwise(runs):
        assert after.start == before.goals
    assert runs[-2].goals["wren"].position[:2] == (-1.0, -0.6)
    assert runs[-1].goals["wren"].position[:2] == (1.0, 0.6)


def test_after_a_formation_a_vehicle_is_in_its_place_where_the_frame_is_then():
    lab = session({"ring": RING}, {"wren": [fly("ring", 30.0), fly("ring", 30.0)], "siskin": [fly("ring", 30.0)]})
    poses = planned_poses(lab)[0]
    place = poses.places["ring"]["wren"]
    angle = math.radians(30.0 + 60.0 + 120.0 * place)
    radius = 0.8 / math.sqrt(3.0)
    wanted = (-0.2 + 60.0 * 0.01 + radius * math.cos(angle), 60.0 * 0.004 + radius * math.sin(angle))
    assert poses.goal("wren").position[:2] == pytest.approx(wanted)
    assert poses.goal("wren").position[2] == lab.vehicles["wren"].shape.floor_height
    turned = abs(math.degrees(heading(poses.goal("wren").orientation)))
    assert turned == pytest.approx(180.0), "30 at the start, 60 turned, 90 in the frame"


def test_the_next_run_begins_where_a_formation_ended():
    runs = planned_poses(configuration("formation"))
    assert runs[0].places.keys() == {"ring"}
    assert runs[1].places == {"convoy": {"siskin": 0, "dunlin": 1}}
    demo = planned_poses(configuration("demo"))
    assert demo[2].start["dunlin"].position[:2] == pytest.approx((0.8, 0.35))
