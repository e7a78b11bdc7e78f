"""The narrow corridor of the approach, and the wide one of the permit."""

import math

import numpy as np
import pytest

from testbed.flight.docking import approach, permit, ports
from testbed.flight.separation import PERMIT
from testbed.flight.separation.corridor import along
from tests.flight.docking.examples import DOCKED, docking, motion

# The first call compiles what no warm-up has compiled yet.
pytestmark = pytest.mark.timeout(600)

CONTACT = (DOCKED, 0.0, 0.0)


def seeing(**seen):
    """Docking that sees these errors of its ports; what is not given is zero."""
    one = docking()
    for name, value in seen.items():
        one.state[0][f"seen_{name}"] = value
    return one.parameters[0], one.state[0]


def meeting(own, partner):
    """Docking that has chosen its ports and looked, with these motions."""
    one = docking()
    one.state[0]["own"], one.state[0]["partner"] = own[0], partner[0]
    ports.choose(one.parameters[0], one.state[0])
    ports.look(one.parameters[0], one.state[0])
    return one.state[0]


@pytest.mark.parametrize(
    ("seen", "inside"),
    [
        ({}, True),
        ({"lateral": 0.014}, True),
        ({"lateral": 0.016}, False),
        ({"lateral": 0.04, "gap": 0.2}, True),
        ({"lateral": 0.046, "gap": 0.2}, False),
        ({"angle": math.radians(5.9)}, True),
        ({"angle": math.radians(6.1)}, False),
        ({"angle": math.radians(10.9), "gap": 0.2}, True),
        ({"lateral": 0.016, "gap": -0.1}, False),
    ],
)
def test_the_cone_of_the_approach(seen, inside):
    """Three quarters of 20 mm and 8 degrees at the ports, and 15 % and 25 degrees of a metre more."""
    assert approach.in_corridor(*seeing(**seen)) == inside


@pytest.mark.parametrize(("gap", "speed"), [(0.3, 0.040), (0.04, 0.022), (0.0, 0.022), (0.1, 0.022 + 0.12 * 0.06)])
def test_closing_speed_falls_with_the_gap(gap, speed):
    assert approach.wanted_closing(docking().parameters[0], gap) == pytest.approx(speed)


@pytest.mark.parametrize("name", ["lateral", "angle", "slip", "rate"])
def test_before_the_gate_every_error_has_to_be_small(name):
    p, s = seeing(**{name: 1.0})
    s["gap"], s["closing"] = 0.03, 0.02
    approach.close_in(p, s, 0.05, False)
    assert s["easing"] < 0.0
    s["gap"], s["closing"] = 0.01, 0.02
    approach.close_in(p, s, 0.05, False)
    assert s["easing"] > 0.0, "too late to stop"


def test_what_the_latch_will_judge_is_what_is_seen():
    """2 cm aside, turned by 0.1 rad about the port's front, 30 mm/s closing, spinning by 0.02 rad/s less."""
    arm, gap, aside, turn = 0.21, 0.05, 0.02, 0.1
    angle = math.pi + turn
    front = np.array([arm + gap, aside, 0.0])
    place = front - arm * np.array([math.cos(angle), math.sin(angle), 0.0])
    spin, own_spin = 0.05, 0.03
    velocity = np.array([-0.03, spin * front[0], 0.0]) - np.cross((0, 0, own_spin), front - place)
    velocity[0] -= spin * front[1]
    s = meeting(motion(place, angle, velocity, (0, 0, own_spin)), motion(rate=(0, 0, spin)))
    assert s["seen_gap"] == pytest.approx(gap)
    assert s["seen_lateral"] == pytest.approx(aside)
    assert s["seen_angle"] == pytest.approx(turn)
    assert s["seen_closing"] == pytest.approx(0.03)
    assert s["seen_slip"] == pytest.approx(0.0, abs=1e-12)
    assert s["seen_rate"] == pytest.approx(0.02)


def test_a_permit_is_the_same_corridor_to_the_filters():
    s = meeting(motion((1.0, 0.1, 0.0), math.pi), motion((0.0, 0.0, 0.0)))
    one = np.zeros(1, PERMIT)[0]
    permit.fill(docking().parameters[0], s, one, 0, 0)
    assert one["partner"] == 0
    place = np.array([0.7, 0.12, 0.0])
    theirs = along(one, np.array([0, 0, 0, 1.0]), np.zeros(3), place)
    assert permit.from_axis(s, place) == pytest.approx(theirs)
    assert theirs == pytest.approx((0.7 - DOCKED + permit.DEPTH, 0.12))


@pytest.mark.parametrize(
    ("place", "velocity", "inside"),
    [
        ((0.6, 0.0, 0.0), (0.0, 0.0, 0.0), True),
        ((0.6, 0.37, 0.0), (0.0, 0.0, 0.0), True),
        ((0.6, 0.38, 0.0), (0.0, 0.0, 0.0), False),
        ((0.6, 0.0, 0.0), (0.0, 0.06, 0.0), True),
        ((0.6, 0.0, 0.0), (0.0, 0.12, 0.0), False),
        ((0.6, 0.0, 0.0), (-0.06, 0.0, 0.0), True),
        ((0.6, 0.0, 0.0), (-0.08, 0.0, 0.0), False),
        ((-0.6, 0.0, 0.0), (0.0, 0.0, 0.0), False),
    ],
    ids=["on the axis", "just inside", "beside it", "turning along", "stops outside", "slowly", "too fast", "behind"],
)
def test_within_the_permit_for_certain(place, velocity, inside):
    one, partner = docking(), motion()
    one.state[0]["contact"], one.state[0]["axis"] = CONTACT, (1.0, 0.0, 0.0)
    assert permit.inside(one.parameters[0], one.state[0], partner[0], place, velocity) == inside
