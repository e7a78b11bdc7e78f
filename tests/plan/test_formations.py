"""What the formation's planner gets of a plan."""

import math
from dataclasses import replace

import numpy as np
import pytest

from testbed.plan.authority import FREE, force_along, least_thrust_for_force, thrust_for_force, weakest_force
from testbed.plan.formation_schema import full
from testbed.plan.formations import formation_task, formation_tasks
from testbed.plan.poses import planned_poses
from testbed.plan.schema import SeparationLimit, SessionLimits
from testbed.plan.separation import kept_standing
from tests.plan.formation import CONVOY, LINE, RING, fly, session
from tests.plan.world import configuration

EVERYONE = {name: [fly("line")] for name in ("wren", "siskin", "dunlin")}


def test_every_formation_of_every_run_is_there_with_a_place_and_limits_for_each_who_flies_it():
    lab = session({"line": LINE, "convoy": CONVOY}, {"siskin": [fly("convoy")], "dunlin": [fly("convoy")]})
    tasks = formation_tasks(lab)
    assert set(tasks) == {("only", "convoy")}
    task = tasks["only", "convoy"]
    assert (task.leader, task.frame, task.axes) == ("wren", None, (0, 1))
    assert set(task.places) == set(task.limits) == {"siskin", "dunlin"}


def test_without_safety_filters_plans_keep_what_the_table_requires_and_more():
    unguarded = session({"line": LINE}, EVERYONE)
    limits = SessionLimits(separation=SeparationLimit(guaranteed=False))
    unguarded = replace(unguarded, plan=unguarded.plan.model_copy(update={"limits": limits}))
    keeping = formation_tasks(unguarded)["only", "line"].keeping
    assert keeping.planned == pytest.approx(configuration().table.separation + 0.06)
    assert keeping.wanted == pytest.approx(keeping.planned + 0.06)


def test_plans_keep_what_safety_filters_leave_alone():
    task = formation_tasks(session({"line": LINE}, EVERYONE))["only", "line"]
    assert task.keeping.required == configuration().table.separation
    stand = max(kept_standing(configuration(), "wren").values())
    assert task.keeping.planned == pytest.approx(stand + 0.06, abs=2e-3)
    assert task.keeping.wanted == pytest.approx(task.keeping.planned + 0.2)
    assert task.keeping.body == max(one.contact_radius("table") for one in configuration().vehicles.values())
    corner = configuration().table.working_area[1]
    assert task.area.excess(np.array(corner)) == pytest.approx(0.0)


@pytest.mark.parametrize(("name", "place"), [("demo", "table"), ("cabin-float", "cabin")])
def test_the_weakest_force_is_there_in_any_direction_and_is_not_far_below_the_weakest(name, place):
    """Against the linear program in drawn directions."""
    vehicle = configuration(name).vehicles["wren"]
    generator, count = np.random.default_rng(3), 40
    drawn = generator.normal(size=(count, 3)) * np.isin(np.arange(3), FREE[place])
    drawn /= np.linalg.norm(drawn, axis=1)[:, None]
    found = [force_along(vehicle, place, direction) for direction in drawn]
    assert 0.75 * min(found) < weakest_force(vehicle, place) <= min(found)
    assert least_thrust_for_force(vehicle, place) <= min(thrust_for_force(vehicle, place, one) for one in drawn) + 1e-9


def test_a_vehicle_is_planned_with_its_share_of_thrust_and_nine_tenths_of_its_speed():
    lab = session({"line": LINE}, EVERYONE)
    limits = formation_tasks(lab)["only", "line"].limits["wren"]
    vehicle = lab.vehicles["wren"]
    push = limits.acceleration * vehicle.floor.mass
    assert push == pytest.approx(vehicle.control.authority * weakest_force(vehicle, "table"))
    assert limits.speed == pytest.approx(0.9 * vehicle.limits.floor_speed)


def test_what_a_frame_turns_is_left_out_of_what_vehicles_turn():
    still, turning = (
        session({"ring": RING | {"frame": RING["frame"] | {"turn_deg": turn}}}, {"wren": [fly("ring")]})
        for turn in (0.0, 10.0)
    )
    rates = [math.degrees(formation_tasks(one)["only", "ring"].turn_rate) for one in (still, turning)]
    assert rates == pytest.approx([6.0, 0.9 * 15.0 - 10.0])


def test_in_the_cabin_all_axes_count():
    frame = {"kind": "moving", "x": 0.0, "y": 0.0, "z": 0.3, "velocity": [0.0, 0.0, 0.01]}
    alone = LINE | {"vehicles": ["wren"], "frame": frame}
    start, steps = {"wren": {"x": 0.0, "y": 0.0, "z": 0.0}}, {"wren": [fly("line", 20.0)]}
    lab = session({"line": alone}, steps, start, name="cabin-float")
    poses = planned_poses(lab)[0]
    task = formation_task(lab, lab.plan.runs[0], poses, "line")
    assert task.axes == (0, 1, 2)
    assert task.places["wren"].position == (0.0, 0.0, 0.0)
    assert poses.goal("wren").position == pytest.approx((0.0, 0.0, 0.5))
    low = lab.cabin.size[0] / 2.0 - lab.vehicles["wren"].contact_radius("cabin")
    assert task.area.excess(np.array([low, 0.0, 0.0])) == pytest.approx(0.0)


@pytest.mark.parametrize(("given", "components"), [((0.1, 0.2), (0.1, 0.2, 0.0)), ((0.1, 0.2, 0.3), (0.1, 0.2, 0.3))])
def test_a_velocity_without_a_height_has_none(given, components):
    assert full(given) == components
