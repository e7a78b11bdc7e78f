"""When a maneuver is done, and what is given and told, for formations."""

from testbed.description.messages import NS_PER_S
from testbed.plan.flight_limits import fastest_planned
from testbed.plan.poses import planned_poses
from testbed.plan.progress import Progress, told
from testbed.plan.sequence import Sequence
from tests.plan.formation import LINE, fly, session
from tests.plan.world import START, World

STEPS = {"wren": [fly("line", 20.0), {"kind": "hold", "duration": 5.0}], "siskin": [fly("line", 30.0)]}


def progress(lab):
    run = lab.plan.runs[0]
    return Progress(run, planned_poses(lab)[0], fastest_planned(lab, run), attempt=1, expiry=10**12)


def test_a_formation_is_over_when_its_time_is_whatever_guidance_says():
    lab = session({"line": LINE}, STEPS, together=False)
    one = progress(lab)
    given = one.advance(NS_PER_S, {}, {})
    assert given["wren"].kind == "formation"
    assert one.awaited("wren") == (given["wren"].start + 20 * NS_PER_S, -1)
    assert one.advance(given["wren"].start + 20 * NS_PER_S - 1, {}, {"wren": 1}) == {}
    after = one.advance(given["wren"].start + 20 * NS_PER_S, {}, {"wren": 1})
    assert after["wren"].kind == "hold"
    assert after["wren"].position == given["wren"].position, "a hold stays where the place is"
    assert not one.complete


def test_a_maneuver_names_its_formation_and_its_place_in_the_end():
    lab = session({"line": LINE}, STEPS)
    given = progress(lab).advance(NS_PER_S, {}, {})["siskin"]
    pose = planned_poses(lab)[0].goal("siskin")
    assert (given.formation, given.position, given.orientation) == ("line", pose.position, pose.orientation)
    assert told("siskin", given) == "siskin takes its place in line, in the end at (0.10, 0.20)"
    assert given.record()["kind"][0] == 5


def test_a_session_with_formations_comes_to_its_end():
    world = World(Sequence(session({"line": LINE}, STEPS)))
    world.step(START)
    assert world.to_the_end().state.phase == "finished"
    given = [event.data["maneuver"] for event in world.events if event.kind == "maneuver_given"]
    assert {one["formation"] for one in given if one["kind"] == "formation"} == {"line"}
