"""Planned trajectories given to a floating body, and how smoothly it follows them."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.description import messages
from testbed.description.messages import NS_PER_S
from testbed.flight.formation import (
    Area,
    Frame,
    Keeping,
    Limits,
    Replanning,
    Slot,
    Task,
    Turn,
    begin,
    trajectory_record,
)  # fmt: skip
from tests.flight.example_vehicle import vehicle
from tests.flight.floating_body import START, FloatingBody
from tests.flight.guidance.test_guidance import HEIGHT, maneuver

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
