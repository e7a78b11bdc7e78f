"""Who is whose partner, what is stated of it, and which plans the filter cannot keep."""

from dataclasses import replace

import pytest

from testbed.description.locate import locate
from testbed.plan.checks import separation
from testbed.plan.checks.subject import Subject
from testbed.plan.configuration import load_configuration
from testbed.plan.maneuvers import Translate
from testbed.plan.schema import SeparationLimit, SessionLimits
from testbed.plan.separation import company, kept_standing


def demo(**changes):
    configuration = load_configuration(locate("plans/demo.yaml"))
    limits = SessionLimits(separation=SeparationLimit(**changes))
    return replace(configuration, plan=configuration.plan.model_copy(update={"limits": limits}))


def test_everybody_else_is_a_partner_in_the_order_of_the_session():
    configuration = demo(minimum=0.6, position_error=0.01, velocity_error=0.005, stray=0.002)
    names = list(configuration.vehicles)
    for name in names:
        found = company(configuration, name)
        assert [one.vehicle.name for one in found.partners] == [one for one in names if one != name]
        assert {(one.minimum, one.position_error, one.velocity_error, one.stray) for one in found.partners} == {
            (0.6, 0.01, 0.005, 0.002)
        }
        assert (found.position_error, found.velocity_error, found.stray) == (0.01, 0.005, 0.002)


def test_the_minimum_is_the_rooms_unless_the_plan_says_more():
    configuration = demo()
    assert company(configuration, "wren").partners[0].minimum == configuration.room.separation


def test_nobody_is_kept_apart_from_where_there_is_nobody_or_no_filter():
    assert company(load_configuration(locate("plans/first-float.yaml")), "wren") is None
    assert company(demo(guaranteed=False), "wren") is None
    assert kept_standing(demo(guaranteed=False), "wren") == {}


def problems(configuration):
    return [str(problem) for problem in separation.check(Subject.of(configuration))]


def test_what_the_demo_lab_can_keep_is_no_problem():
    assert problems(demo()) == []
    assert problems(demo(guaranteed=False, minimum=0.1, stray=1.0)) == []


def test_a_minimum_below_the_rooms_is_refused():
    (told,) = problems(demo(minimum=0.5))
    assert "minimum" in told
    assert "at least 0.52 m" in told


def test_a_stray_that_cannot_be_outrun_is_refused_for_each_vehicle():
    told = problems(demo(stray=0.02))
    assert len(told) == 3
    assert all("limits.separation.stray" in one and "outrun" in one for one in told)


@pytest.mark.parametrize(
    ("rate", "latency", "fine"), [(50, 0.02, True), (10, 0.02, True), (5, 0.02, False), (25, 0.19, False)]
)
def test_a_radio_that_brings_only_what_is_too_old_is_refused(rate, latency, fine):
    configuration = demo()
    radio = configuration.noise.radio.model_copy(update={"rate": rate, "latency": latency})
    configuration = replace(configuration, noise=configuration.noise.model_copy(update={"radio": radio}))
    told = problems(configuration)
    assert (not told) == fine
    assert fine or "0.2 s" in told[0]


def in_a_line(distance, **changes):
    """The demo with moves to a line in place of its formation, so far between neighbours."""
    configuration = demo(**changes)
    line = configuration.plan.runs[1]
    sides = {"wren": -distance, "siskin": 0.0, "dunlin": distance}
    maneuvers = {name: (Translate(kind="translate", x=x, y=0.0),) for name, x in sides.items()}
    runs = (configuration.plan.runs[0], line.model_copy(update={"maneuvers": maneuvers}))
    return replace(configuration, plan=configuration.plan.model_copy(update={"runs": runs}))


def test_poses_nearer_than_the_filter_lets_two_stand_are_refused_once_a_run():
    (told,) = problems(in_a_line(0.75))
    assert "runs[1].maneuvers.siskin[0]" in told
    assert "0.81 m from wren, not 0.75 m" in told


def test_so_are_they_not_where_estimates_are_stated_to_be_better_or_there_is_no_filter():
    assert problems(in_a_line(0.75, position_error=0.012, velocity_error=0.006)) == []
    assert problems(in_a_line(0.75, guaranteed=False)) == []
