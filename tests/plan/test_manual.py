"""Goals of a manual run: which are taken, which are refused and why; and how such a run goes."""

import math
from dataclasses import replace

import numpy as np
import pytest

from testbed.description import messages
from testbed.description.maneuver import Maneuver
from testbed.description.messages import NS_PER_S
from testbed.description.status import status_json, status_record
from testbed.plan.check import check
from testbed.plan.configuration import load_configuration
from testbed.plan.formation_schema import KeepOutCircle
from testbed.plan.manual import GoalRefusedError, goal_maneuver
from testbed.plan.schema import SessionLimits
from testbed.plan.sequence import Sequence
from tests.graph.session import PLANS
from tests.plan.world import START, World, configuration

MANUAL = load_configuration(PLANS / "manual.yaml")
CABIN = configuration("cabin-float")
LEVEL = (0.0, 0.0, 0.0, 1.0)


def present(manual=True):
    return Maneuver(number=3, run="by-hand", attempt=1, kind="hold", start=0, expiry=100 * NS_PER_S, manual=manual)


def goal(position=(0.3, -0.2, 0.0), orientation=LEVEL, frame="table", manual=True, lab=MANUAL):
    return goal_maneuver(lab, "wren", present(manual), frame, position, orientation, 5 * NS_PER_S)


def test_a_goal_is_a_move_there_from_now_on_under_the_number_in_force():
    turned = (0.0, 0.0, math.sin(0.4), math.cos(0.4))
    move = goal(orientation=turned)
    assert (move.number, move.start, move.expiry) == (3, 5 * NS_PER_S, 100 * NS_PER_S)
    assert move.position == (0.3, -0.2, MANUAL.vehicles["wren"].shape.floor_height), "the table holds the height"
    assert move.orientation == turned
    assert move.speed_limit <= MANUAL.vehicles["wren"].speed_limit("table")
    assert move.manual, "and the next goal is taken, too"


def test_a_frame_may_be_left_out():
    assert goal(frame="") == goal()


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        ({"manual": False}, "no run of kind manual"),
        ({"frame": "cabin"}, "its frame is cabin, allowed: table"),
        ({"position": (math.nan, 0.0, 0.0)}, "not finite"),
        ({"orientation": (0.0, 0.0, 0.0, 0.5)}, "length one"),
        ({"position": (9.0, 0.0, 0.0)}, "x is 9 m, allowed: .* the working area"),
        ({"position": (0.0, -9.0, 0.0)}, "y is -9 m"),
        ({"orientation": (math.sin(0.1), 0.0, 0.0, math.cos(0.1))}, "it is tilted"),
    ],
)
def test_what_is_no_goal_is_refused_with_the_reason(wrong, told):
    with pytest.raises(GoalRefusedError, match=told):
        goal(**wrong)


def test_the_limits_of_the_session_count_for_goals_too():
    limits = SessionLimits(speed=0.03, spin_deg=2.0, work_area=((-0.2, -0.2), (0.2, 0.2)))
    lab = replace(MANUAL, plan=MANUAL.plan.model_copy(update={"limits": limits}))
    move = goal(position=(0.1, 0.1, 0.0), lab=lab)
    assert move.speed_limit == 0.03
    assert move.rate_limit == pytest.approx(math.radians(2.0))
    with pytest.raises(GoalRefusedError, match=r"x is 0\.3 m, allowed: -0\.2 to 0\.2 m"):
        goal(position=(0.3, 0.0, 0.0), lab=lab)


def test_a_goal_with_the_body_in_a_keep_out_zone_is_refused():
    stand = KeepOutCircle(kind="circle", name="stand", x=0.5, y=-0.2, radius=0.1)
    lab = replace(MANUAL, plan=MANUAL.plan.model_copy(update={"keep_out": (stand,)}))
    radius = MANUAL.vehicles["wren"].contact_radius("table")
    assert goal(position=(0.39 - radius, -0.2, 0.0), lab=lab)
    with pytest.raises(GoalRefusedError, match=r"0\.01 m inside a keep-out zone"):
        goal(position=(0.41 - radius, -0.2, 0.0), lab=lab)


def test_in_the_cabin_all_six_axes_count_and_walls_keep_their_distance():
    lab = {"lab": CABIN, "frame": "cabin"}
    tilted = (math.sin(0.1), 0.0, 0.0, math.cos(0.1))
    move = goal(position=(0.1, 0.0, 0.2), orientation=tilted, **lab)
    assert move.position == (0.1, 0.0, 0.2)
    assert move.orientation == tilted
    with pytest.raises(GoalRefusedError, match="z is 9 m"):
        goal(position=(0.0, 0.0, 9.0), **lab)
    edge = CABIN.cabin.size[0] / 2.0
    with pytest.raises(GoalRefusedError, match="x is"):
        goal(position=(edge - 0.01, 0.0, 0.0), **lab)


def test_the_plan_is_sound():
    assert check(PLANS / "manual.yaml") == []


def test_a_manual_run_holds_and_is_over_when_its_time_is_up():
    world = World(Sequence(MANUAL))
    world.step(START)
    world.until("running")
    began = world.stamp
    assert world.maneuvers["wren"].manual
    assert world.maneuvers["wren"].kind == "hold"
    world.until("evaluating")
    assert (world.stamp - began) / NS_PER_S == pytest.approx(30.0, abs=0.3)
    world.to_the_end()
    (result,) = world.sequence.results
    assert result.passed
    assert len(result.tries) == 1


def test_the_word_on_a_goal_travels_beside_the_status():
    record = np.zeros(1, messages.STATUS)
    text = status_json(record[0], "refused: it is not finite")
    assert '"goal": "refused: it is not finite"' in text
    assert status_record(text)[0] == record[0]
    assert "goal" not in status_json(record[0])
