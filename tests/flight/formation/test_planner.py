"""Plans for all vehicles at once, looked at densely, not through the planner's own eyes."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from testbed.flight.formation import planner, slots
from testbed.flight.formation.frame import Frame
from testbed.flight.formation.planner import Outcome, plan
from testbed.flight.formation.task import Task
from testbed.flight.formation.trajectories import Coasting, Followed, resting
from testbed.flight.formation.zones import Area, Zone
from tests.drawn.reconfigurations import KEEPING as DRAWN_KEEPING
from tests.drawn.reconfigurations import drawn
from tests.flight.formation.examples import KEEPING, LIMITS, TABLE, opposite, task

FINE = 0.013
"""Time between looks, s: no divisor of the planner's own."""


def looks(found):
    """Positions of all vehicles at many times, (S, V, 3), and these times."""
    times = np.arange(found.trajectories.times[0], found.trajectories.end + 1.0, FINE)
    return times, np.array([found.trajectories.at(float(time))[0] for time in times])


def least_separation(positions):
    one, other = np.triu_indices(positions.shape[1], 1)
    return float(np.min(np.linalg.norm(positions[:, one] - positions[:, other], axis=2)))


@pytest.mark.parametrize("count", [2, 3, 4, 5, 6])
def test_all_who_meet_in_the_middle_get_past_each_other(count):
    found = plan(opposite(count))
    assert found.outcome == Outcome.TOGETHER
    assert not found.tight
    assert least_separation(looks(found)[1]) >= KEEPING.planned - 1e-3


@settings(max_examples=20)
@given(st.integers(0, 10_000))
def test_drawn_reconfigurations_keep_everything_between_the_knots_too(seed):
    draw = drawn(seed, np.random.default_rng([2, seed]))
    found = plan(draw.task())
    assert found.outcome == Outcome.TOGETHER
    _, positions = looks(found)
    assert least_separation(positions) >= DRAWN_KEEPING.planned - 1e-3
    assert np.max(np.abs(positions[..., :2]) - [1.6, 1.3]) <= 1e-3
    for zone in draw.zones:
        assert np.min(zone.distance(positions[..., :2].reshape(-1, 2))) >= DRAWN_KEEPING.clearance - 1e-3
    velocities = np.diff(positions, axis=0) / FINE
    assert np.max(np.linalg.norm(velocities, axis=2)) <= draw.task().limits[0].speed * 1.001
    assert (
        np.max(np.linalg.norm(np.diff(velocities, axis=0) / FINE, axis=2)) <= draw.task().limits[0].acceleration * 1.001
    )
    assert positions[0] == pytest.approx(draw.starts)
    assert positions[-1] == pytest.approx(draw.goals)


def test_knots_and_a_cubic_curve_through_them_are_the_trajectory():
    trajectories = plan(opposite(3)).trajectories
    k, u = 5, 0.3
    h = trajectories.times[k + 1] - trajectories.times[k]
    a, b = trajectories.positions[:, k], trajectories.positions[:, k + 1]
    da, db = h * trajectories.velocities[:, k], h * trajectories.velocities[:, k + 1]
    hermite = a + (b - a) * u * u * (3.0 - 2.0 * u) + u * (1.0 - u) * (da * (1.0 - u) - db * u)
    assert hermite == pytest.approx(trajectories.at(float(trajectories.times[k] + u * h))[0], abs=1e-12)


def test_a_single_vehicle_goes_round_a_zone():
    box = Zone.hull([(-0.3, -0.2), (0.3, -0.2), (0.3, 0.2), (-0.3, 0.2)])
    found = plan(task([(-1.2, 0.0)], [(1.2, 0.0)], zones=(box,)))
    _, positions = looks(found)
    assert found.outcome == Outcome.TOGETHER
    assert np.min(box.distance(positions[:, 0, :2])) >= KEEPING.clearance - 1e-3


def test_the_same_task_gives_the_same_plan_bit_for_bit():
    one, other = plan(opposite(5)).trajectories, plan(opposite(5)).trajectories
    assert np.array_equal(one.positions, other.positions)
    assert np.array_equal(one.accelerations, other.accelerations)


def test_a_duration_that_is_given_is_kept():
    given_time = plan(replace(opposite(3), duration=77.0))
    assert given_time.trajectories.end == pytest.approx(77.0)
    assert plan(replace(opposite(3), least=90.0)).trajectories.end == pytest.approx(90.0)


def test_vehicles_join_a_frame_that_moves_and_turns_and_stay_in_their_slots():
    frame = Frame((-0.3, 0.0, 0.0), velocity=(0.01, 0.0, 0.0), rate=(0.0, 0.0, 0.02))
    carried = slots.carried(frame, slots.ring(3, 0.8))
    joining = replace(task([(-1.3, -1.0), (-1.3, 0.0), (-1.3, 1.0)], [(0.0, 0.0)] * 3), goals=carried)
    found = plan(joining)
    assert found.outcome == Outcome.TOGETHER
    times, positions = looks(found)
    assert least_separation(positions) >= KEEPING.planned - 1e-3
    late = times > found.trajectories.end
    for vehicle, slot in enumerate(carried):
        assert positions[late, vehicle] == pytest.approx(slot.at(times[late])[0], abs=1e-9)
    end = found.trajectories.end
    before, after = found.trajectories.at(end - 1e-9), found.trajectories.at(end + 1e-9)
    assert before[0] == pytest.approx(after[0], abs=1e-8)
    assert before[1] == pytest.approx(after[1], abs=1e-8)


def test_one_vehicle_leaves_a_moving_formation_that_the_others_keep():
    frame = Frame((-0.4, 0.0, 0.0), velocity=(0.01, 0.0, 0.0), rate=(0.0, 0.0, 0.015))
    carried = slots.carried(frame, slots.ring(3, 0.9))
    position, velocity, _ = carried[0].at(np.zeros(1))
    leaving = Task(
        0.0, position, velocity, (resting(np.array([-1.3, 1.0, 0.0])),), (LIMITS,), KEEPING, TABLE, others=carried[1:]
    )  # fmt: skip
    found = plan(leaving)
    assert found.outcome == Outcome.TOGETHER
    times, positions = looks(found)
    for kept in carried[1:]:
        assert np.min(np.linalg.norm(positions[:, 0] - kept.at(times)[0], axis=1)) >= KEEPING.planned - 1e-3


def test_a_coaster_that_crosses_is_let_pass():
    coaster = Coasting(np.array([0.0, -1.2, 0.0]), np.array([0.0, 0.04, 0.0]))
    found = plan(task([(-1.2, 0.0)], [(1.2, 0.0)], others=(coaster,)))
    times, positions = looks(found)
    apart = np.linalg.norm(positions[:, 0] - coaster.at(times)[0], axis=1)
    assert found.outcome == Outcome.TOGETHER
    assert np.min(apart[times <= found.trajectories.end]) >= KEEPING.planned - 1e-3


def test_in_the_cabin_paths_use_all_three_axes():
    rng = np.random.default_rng(3)
    corners = np.array([[x, y, z] for x in (-0.8, 0.8) for y in (-0.8, 0.8) for z in (-0.8, 0.8)])
    starts = corners[rng.permutation(8)[:6]]
    cabin = Area.box((-1.0, -1.0, -1.0), (1.0, 1.0, 1.0))
    flight = Task(
        0.0, starts, np.zeros_like(starts), tuple(resting(-start) for start in starts), (LIMITS,) * 6, KEEPING, cabin,
        (Zone.ball((0.0, 0.0, 0.0), 0.1),), axes=(0, 1, 2),
    )  # fmt: skip
    found = plan(flight)
    _, positions = looks(found)
    assert found.outcome == Outcome.TOGETHER
    assert least_separation(positions) >= KEEPING.planned - 1e-3
    assert np.min(np.linalg.norm(positions, axis=2)) >= 0.1 + KEEPING.clearance - 1e-3


def test_held_axes_stay_as_they_are():
    standing = task([(-1.0, 0.0), (1.0, 0.0)], [(1.0, 0.0), (-1.0, 0.0)])
    raised = replace(standing, positions=standing.positions + np.array([0.0, 0.0, 0.25]))
    assert np.ptp(plan(raised).trajectories.positions[:, :, 2]) == 0.0


def test_one_after_the_other_is_a_plan_too():
    found = planner.in_turn(opposite(4))
    assert found.trajectories is not None
    assert found.findings.separation >= KEEPING.planned - 1e-3
    times = np.arange(0.0, found.trajectories.end, FINE)
    paths = np.array([Followed(found.trajectories, vehicle).at(times)[0] for vehicle in range(4)])
    assert least_separation(paths.transpose(1, 0, 2)) >= KEEPING.planned - 1e-3


def test_where_there_is_no_way_everyone_brakes_and_stays():
    wall = Zone.hull([(-0.1, -1.4), (0.1, -1.4), (0.1, 1.4), (-0.1, 1.4)])
    walled = task([(-1.0, 0.0), (-1.0, 0.8)], [(1.0, 0.0), (1.0, 0.8)], zones=(wall,))
    moving = replace(walled, velocities=np.array([[0.03, 0.0, 0.0], [0.02, 0.01, 0.0]]))
    found = plan(moving)
    assert found.outcome == Outcome.STAY
    end = found.trajectories.end
    assert found.trajectories.at(end)[1] == pytest.approx(np.zeros((2, 3)), abs=1e-12)
    assert found.trajectories.at(end + 50.0)[0] == pytest.approx(found.trajectories.positions[:, -1])
    accelerations = np.linalg.norm(found.trajectories.accelerations, axis=2)
    assert np.max(accelerations) <= LIMITS.acceleration * (1.0 + 1e-9)


def test_goals_closer_than_required_are_not_flown_to():
    found = plan(task([(-1.0, 0.0), (1.0, 0.0)], [(-0.25, 0.0), (0.25, 0.0)]))
    assert found.outcome == Outcome.STAY
    assert found.findings.separation == pytest.approx(2.0)


def test_goals_without_all_of_the_margin_are_flown_to_and_called_tight():
    found = plan(task([(-1.0, 0.0), (1.0, 0.0)], [(-0.27, 0.0), (0.27, 0.0)]))
    assert found.outcome == Outcome.TOGETHER
    assert found.tight
    assert found.findings.separation == pytest.approx(0.54, abs=1e-3)


def test_who_starts_too_close_gets_apart_and_never_closer():
    found = plan(task([(-0.25, 0.0), (0.25, 0.0)], [(1.0, 0.3), (-1.0, 0.3)]))
    assert found.outcome == Outcome.TOGETHER
    assert found.tight
    _, positions = looks(found)
    assert least_separation(positions) >= 0.5 - 1e-3
    assert least_separation(positions[len(positions) // 2 :]) >= KEEPING.planned - 1e-3
