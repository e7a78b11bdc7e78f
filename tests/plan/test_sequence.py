"""The run sequence, phase by phase, in a world where vehicles do what they are told."""

from dataclasses import replace

import pytest

from testbed.plan.observation import Request
from testbed.plan.results import Verdict
from testbed.plan.sequence import COAST_SHOWN, POSITIONING_LIMIT, READINESS_LIMIT, Sequence
from tests.plan.world import START, World, configuration, contact, with_run


@pytest.fixture
def world() -> World:
    """One vehicle, one run with two tries, started."""
    world = World(Sequence(configuration("first-float")))
    world.step(START)
    return world


def spoiled(world: World, name: str = "wren", dx: float = 0.05) -> World:
    """The vehicle stands beside its goal: criteria are missed, nothing else."""
    world.offset[name] = (dx, 0.0, 0.0)
    return world


def test_nothing_happens_before_the_start():
    world = World(Sequence(configuration("first-float")))
    states = [world.step().state for _ in range(50)]
    assert {state.phase for state in states} == {"waiting"}
    assert not any(state.permit for state in states)


def test_a_session_goes_through_its_phases_in_order(world):
    world.to_the_end()
    phases = list(dict.fromkeys(state.phase for state in world.states))
    assert phases == ["positioning", "settling", "running", "evaluating", "finished"]
    assert world.sequence.passed


def test_the_demo_passes_when_everyone_does_what_is_asked():
    world = World(Sequence(configuration("demo")))
    world.step(START)
    world.to_the_end()
    assert [result.passed for result in world.sequence.results] == [True] * 5
    assert [len(result.tries) for result in world.sequence.results] == [1] * 5


def test_readiness_is_waited_for_and_its_lack_is_named():
    world = World(Sequence(configuration("first-float")))
    state = world.step(START, ready=False, not_ready_reason="no supply pressure").state
    assert state.phase == "readiness"
    assert "no supply pressure" in state.decision
    assert world.step().state.phase == "positioning"


def test_a_session_that_is_never_ready_ends():
    world = World(Sequence(configuration("first-float")))
    world.step(START, ready=False)
    for _ in range(int(READINESS_LIMIT * 10) + 2):
        world.step(ready=False, not_ready_reason="dark")
    assert world.sequence.finished
    assert not world.sequence.passed


def test_only_vehicles_with_a_start_pose_are_placed_after_a_run_that_passed():
    world = World(Sequence(configuration("demo")))
    world.step(START)
    world.to_the_end()
    assert world.states[-1].places == {"wren": 1, "siskin": 1, "dunlin": 1}


def test_after_a_run_that_failed_everyone_is_put_where_the_plan_expects_them():
    world = World(Sequence(configuration("demo")))
    world.step(START)
    spoiled(world, "wren", 0.04)
    world.until("running")
    while world.states[-1].run == "hold-station":
        world.step()
    assert world.states[-1].run == "line"
    line = world.sequence.poses[1].start
    assert world.poses["siskin"] == (line["siskin"].position, line["siskin"].orientation)
    assert world.states[-1].places["siskin"] == 3


def test_no_permission_while_vehicles_are_carried(world):
    permits = {}
    world.to_the_end()
    for state in world.states:
        permits.setdefault(state.phase, set()).add(state.permit)
    assert permits["positioning"] == {False}
    assert permits["settling"] == permits["running"] == {True}
    assert permits["finished"] == {False}


def test_a_vehicle_without_a_fix_is_not_in_place(world):
    from tests.plan.world import odometry

    for _ in range(20):
        lost = odometry(world.stamp, variance=1e6)[-1]
        state = world.step(odometry={"wren": lost}).state
    assert state.phase == "positioning"


@pytest.mark.parametrize("lost", [{"position": (float("nan"), 0.0, 0.45)}, {"orientation": (float("nan"),) * 4}])
def test_a_pose_that_is_no_number_is_not_in_place(world, lost):
    from tests.plan.world import odometry

    position, orientation = world.poses["wren"]
    for _ in range(20):
        broken = odometry(world.stamp, **{"position": position, "orientation": orientation, **lost})[-1]
        state = world.step(odometry={"wren": broken}).state
    assert state.phase == "positioning"


def test_a_vehicle_that_never_arrives_fails_the_try_and_then_the_run(world):
    spoiled(world, dx=0.5)
    world.to_the_end()
    (result,) = world.sequence.results
    assert [one.verdict for one in result.tries] == [Verdict.FAILED, Verdict.FAILED]
    assert "wren is 0.50 m away" in result.tries[0].reason
    assert result.tries[0].criteria == ()
    assert not world.sequence.passed
    assert world.stamp / 1e9 < 2 * (POSITIONING_LIMIT + 25.0)


def test_maneuvers_follow_each_other_as_guidance_holds(world):
    world.delay = 3.0
    world.to_the_end()
    given = [event for event in world.events if event.kind == "maneuver_given"]
    kinds = [event.data["maneuver"]["kind"] for event in given]
    assert kinds == ["hold", "hold", "translate", "rotate", "hold"]
    starts = [event.data["maneuver"]["start"] / 1e9 for event in given]
    assert starts[2] - starts[1] == pytest.approx(5.0 + 0.2)
    assert starts[3] - starts[2] == pytest.approx(3.0 + 0.2)
    assert [event.data["maneuver"]["number"] for event in given] == [1, 2, 3, 4, 5]


def test_a_maneuver_starts_on_a_multiple_of_100_ms_at_least_200_ms_ahead(world):
    world.stamp += 37_000_000
    world.to_the_end()
    for event in world.events:
        if event.kind == "maneuver_given":
            start = event.data["maneuver"]["start"]
            assert start % 100_000_000 == 0
            assert 200_000_000 <= start - event.stamp < 300_000_000


def test_maneuvers_together_wait_for_the_slowest():
    world = World(Sequence(with_run(configuration("demo"), 2, start=configuration("demo").plan.runs[0].start)))
    world.step(START)
    world.to_the_end()
    given = {}
    for event in world.events:
        if event.kind == "maneuver_given" and event.data["maneuver"]["kind"] == "rotate":
            given[event.data["vehicle"]] = event.stamp
    assert len(given) == 3
    assert len(set(given.values())) == 1, "siskin's track takes 35 s, the others' moves 1 s"


def test_a_try_beyond_its_time_limit_fails(world):
    world.delay = 1000.0
    world.to_the_end()
    first = world.sequence.results[0].tries[0]
    assert first.verdict is Verdict.FAILED
    assert "time limit of 55 s" in first.reason
    assert (first.end - first.start) / 1e9 == pytest.approx(55.1)


def test_a_missed_criterion_is_named_and_the_run_tried_again(world):
    world.until("running")
    spoiled(world)
    world.until("positioning")
    world.offset.clear()
    world.to_the_end()
    failed, passed = world.sequence.results[0].tries
    assert failed.verdict is Verdict.FAILED
    assert failed.reason == "not met: at goal wren"
    assert passed.verdict is Verdict.PASSED
    assert world.sequence.passed


def test_an_abort_ends_the_try_at_once_with_a_hold(world):
    world.until("running")
    before = world.states[-1].maneuvers["wren"]
    commands = world.step(contacts=(contact(world.stamp, 25.0),))
    assert commands.state.phase == "evaluating"
    assert "25.0 N" in commands.state.decision
    hold = commands.maneuvers["wren"]
    assert (hold.kind, hold.position, hold.number) == ("hold", None, before + 1)
    world.to_the_end()
    assert world.sequence.results[0].tries[0].verdict is Verdict.ABORTED


def test_gas_used_is_what_the_tank_lost_during_the_try(world):
    world.gas_per_step = 1e4  # Pa each 0.1 s
    world.to_the_end()
    result = world.sequence.results[0].tries[0]
    used = next(one for one in result.criteria if one.kind == "gas_used")
    tank = world.sequence.configuration.vehicles["wren"].gas
    first, last = (float(tank.mass_at(pressure, 293.15)) for pressure in world.pressures_at(result.start, result.end))
    assert used.value == pytest.approx(1e3 * (first - last), rel=1e-9)


def test_a_session_without_truth_is_judged_by_odometry():
    world = World(Sequence(configuration("first-float")))
    world.step(START, truth={})
    for _ in range(2000):
        world.step(truth={})
        if world.sequence.finished:
            break
    assert world.sequence.passed


def test_late_samples_of_a_try_still_count(world):
    """A contact that is told 0.1 s after the last maneuver was over, but happened before."""
    world.until("evaluating")
    end = world.sequence.ending.stamp
    world.step(contacts=(contact(end - 1, 3.0),))
    world.step()
    (first, *_) = world.sequence.results[0].tries
    assert first.verdict is Verdict.FAILED
    assert "no contact" in first.reason


def test_samples_after_the_end_of_a_try_do_not_count(world):
    world.until("evaluating")
    world.step(contacts=(contact(world.stamp, 3.0),))
    world.step()
    assert world.sequence.results[0].tries[0].verdict is Verdict.PASSED


def test_the_state_tells_times_gas_and_separation():
    world = World(Sequence(configuration("demo")))
    world.step(START)
    world.until("running")
    for _ in range(100):
        state = world.step().state
    assert state.elapsed == pytest.approx(10.0)
    assert state.remaining == pytest.approx(state.time_limit - 10.0)
    assert state.gas_left_g["wren"] == pytest.approx(1e3 * 218.544 * 0.5e-3, abs=1e-3), "kg/m³ at 20 MPa, 293.15 K"
    assert state.worst_separation == pytest.approx((1.0 + 1.3**2) ** 0.5)
    assert (state.run, state.run_number, state.runs, state.attempt, state.attempts) == ("hold-station", 1, 5, 1, 2)


def test_a_stop_withdraws_the_permission_at_once_and_for_good(world):
    world.until("running")
    assert not world.step(Request("stop", "smoke")).state.permit
    states = [world.step().state for _ in range(int(COAST_SHOWN * 10) + 2)]
    assert {state.phase for state in states} == {"stopped"}
    assert not any(state.permit for state in states)
    assert world.sequence.finished
    assert world.sequence.results[0].tries[0].verdict is Verdict.STOPPED
    assert not world.sequence.passed


def test_a_stop_tells_where_each_vehicle_coasts_to(world):
    from tests.plan.world import odometry

    world.until("running")
    moving = odometry(world.stamp, (0.0, 0.0, 0.45))[-1]
    moving["linear_velocity"] = (0.07, 0.0, 0.0)
    world.step(Request("stop"), odometry={"wren": moving})
    (told,) = [event for event in world.events if event.kind == "stop"]
    end, table = told.data["ends"]["wren"], world.sequence.configuration.table
    assert end["x"] == pytest.approx(1.6, abs=1e-3)  # the rim of 0.2 m touches the edge at 1.8 m
    # v' = -g·tilt - v/tau from 0.07 m/s at the centre, integrated in small steps
    x, v, time, step = 0.0, 0.07, 0.0, 1e-3
    while x < 1.6:
        v += step * (-table.gravity * table.tilt_mrad[0] * 1e-3 - v / table.film_drag_time)
        x, time = x + step * v, time + step
    assert end["time"] == pytest.approx(time, abs=0.02)
    assert "wren reaches the edge" in world.states[-1].decision


def test_the_same_observations_give_the_same_commands():
    def told() -> list[str]:
        world = World(Sequence(configuration("demo")), delay=2.3)
        world.step(START)
        world.to_the_end()
        return [state.to_json() for state in world.states] + [event.to_json() for event in world.events]

    assert told() == told()


def test_a_run_that_is_not_required_may_fail():
    optional = with_run(configuration("first-float"), required=False, tries=1)
    world = World(Sequence(optional))
    world.step(START)
    world.until("running")
    spoiled(world)
    world.to_the_end()
    assert not world.sequence.results[0].passed
    assert world.sequence.passed


def test_a_vehicle_of_another_height_is_placed_at_its_own():
    lab = configuration("first-float")
    wren = lab.vehicles["wren"]
    tall = wren.model_copy(update={"shape": wren.shape.model_copy(update={"floor_height": 0.6})})
    world = World(Sequence(replace(lab, vehicles={"wren": tall})))
    world.step(START)
    assert world.poses["wren"][0] == (-0.25, 0.0, 0.6)


def test_valves_are_not_permitted_while_vehicles_are_put_in_place_even_when_held():
    world = World(Sequence(configuration("first-float")))
    assert world.step(START).state.phase == "positioning"
    state = world.step(Request("hold")).state
    assert state.phase == "held"
    assert not state.permit
    assert not any(event.kind == "maneuver_given" for event in world.events)


def test_a_vehicle_without_a_fix_is_not_said_to_end_up_anywhere(world):
    from testbed.description.messages import UNKNOWN_VARIANCE
    from tests.plan.world import odometry

    world.until("running")
    lost = odometry(world.stamp, (0.0, 0.0, 0.0))[-1]
    lost["pose_covariance"][0, 0] = UNKNOWN_VARIANCE
    world.step(Request("stop"), odometry={"wren": lost})
    (told,) = [event for event in world.events if event.kind == "stop"]
    assert told.data["ends"]["wren"] is None
    assert "wren has no fix" in world.states[-1].decision
