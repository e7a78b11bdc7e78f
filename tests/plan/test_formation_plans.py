"""The ways of formations as the plan expects them: where they begin and end, what they keep, and for whom."""

import math
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from testbed.description.rotation import heading
from testbed.flight.formation import Outcome
from testbed.plan.checks.gas import least_gas
from testbed.plan.checks.subject import Subject
from testbed.plan.formations import formation_tasks
from testbed.plan.keep_out import KeepOut
from tests.plan.formation import CONVOY, LINE, RING, fly, session
from tests.plan.world import configuration

HOLD = {"kind": "hold", "duration": 40.0}
STAND = {"kind": "circle", "name": "stand", "x": 1.0, "y": -0.15, "radius": 0.08}
LEFT = {"wren": {"x": -0.4, "y": 0.0}, "siskin": {"x": -1.2, "y": -0.4}, "dunlin": {"x": -1.2, "y": 0.6}}


def paths(subject, index=0, step=0.05):
    """Times, and positions of all vehicles in a run, (n, dimensions)."""
    times = subject.timelines[index]
    moments = np.arange(0.0, times.duration, step)
    return moments, {
        name: np.array([times.leg(name, t).position(t)[: subject.dimensions] for t in moments]) for name in times.legs
    }


@pytest.fixture(scope="module")
def demo():
    return Subject.of(configuration())


def test_ways_begin_where_vehicles_are_and_end_in_their_places(demo):
    legs = [leg for one in demo.timelines for each in one.legs.values() for leg in each if leg.way is not None]
    assert len(legs) == 6
    for leg in legs:
        assert leg.position(leg.begin) == pytest.approx(leg.before.position)
        assert leg.position(leg.way.arrives) == pytest.approx(leg.after.position, abs=2e-5), "straight in 0.1 s"
        assert leg.position(leg.end + 9.0) == pytest.approx(leg.after.position)
        assert leg.way.outcome == Outcome.TOGETHER
        assert leg.way.arrives < leg.end


def test_in_the_demo_three_straight_ways_meet_and_the_planned_ones_keep_the_distance(demo):
    _, found = paths(demo, 4)
    for a, b in combinations(found.values(), 2):
        share = np.linspace(0.0, 1.0, 200)[:, None]
        straight = [one[0] + share * (one[-1] - one[0]) for one in (a, b)]
        assert np.linalg.norm(straight[0] - straight[1], axis=1).min() < 0.2
        assert np.linalg.norm(a - b, axis=1).min() > 0.58


def test_in_the_demo_a_straight_way_leads_through_the_zone_and_the_planned_one_past_it(demo):
    _, found = paths(demo, 1)
    zone = KeepOut.of(demo.configuration).zones["lamp stand"]
    path = found["dunlin"]
    straight = path[0] + np.linspace(0.0, 1.0, 200)[:, None] * (path[-1] - path[0])
    radius = demo.configuration.vehicles["dunlin"].contact_radius("table")
    assert zone.distance(straight).min() < radius < zone.distance(path).min()
    assert zone.distance(path).min() >= 0.23 - 1e-4


def test_ways_are_no_faster_than_planned(demo):
    limits = formation_tasks(demo.configuration)["crossing", "opposite"].limits
    moments, found = paths(demo, 4)
    for name, path in found.items():
        speed = np.linalg.norm(np.diff(path, axis=0), axis=1) / np.diff(moments)
        assert speed.max() <= limits[name].speed * 1.001
        assert 0.5 * limits[name].speed < speed.max()


def test_a_moving_formation_goes_on_without_a_jump_from_one_step_to_the_next():
    steps = [fly("ring", 45.0), fly("ring", 20.0)]
    ring = RING | {"slots": {"kind": "ring", "spacing": 0.95}}
    subject = Subject.of(session({"ring": ring}, dict.fromkeys(("wren", "siskin", "dunlin"), steps)))
    limits = formation_tasks(subject.configuration)["only", "ring"].limits
    moments, found = paths(subject, step=0.1)  # straight in between
    assert subject.timelines[0].duration == 65.0
    for name, path in found.items():
        speed = np.diff(path, axis=0) / 0.1
        changes = np.linalg.norm(np.diff(speed, axis=0), axis=1)
        assert changes.max() / 0.1 < 1.001 * limits[name].acceleration, "no jump in speed"
        second = subject.timelines[0].legs[name][1]
        assert second.way.outcome is None, "nobody needs a new plan"
        centre = np.array([-0.2, 0.0]) + np.outer(moments[moments > 45.0], [0.01, 0.004])
        assert np.linalg.norm(path[moments > 45.0] - centre, axis=1) == pytest.approx(0.95 / math.sqrt(3.0), abs=1e-4)


def test_who_leaves_comes_back_to_its_own_place_while_the_rest_goes_on():
    ring = RING | {"frame": {"kind": "moving", "x": -0.2, "y": -0.1, "velocity": [0.004, 0.0]}}
    away = {"kind": "translate", "x": 0.2, "y": 1.2, "duration": 30.0}
    stays = [fly("ring", 45.0), fly("ring", 40.0), fly("ring", 45.0)]
    lab = session({"ring": ring}, {"wren": stays, "siskin": [stays[0], away, stays[2]], "dunlin": stays})
    subject = Subject.of(lab)
    poses, legs = subject.poses[0], subject.timelines[0].legs
    assert sorted(poses.places["ring"].values()) == [0, 1, 2]
    first, last = (np.array(poses.after["siskin"][index].position) for index in (0, 2))
    assert last - first == pytest.approx([85.0 * 0.004, 0.0, 0.0], abs=1e-9)
    assert legs["siskin"][2].position(legs["siskin"][2].end) == pytest.approx(tuple(last), abs=1e-6)
    _, found = paths(subject)
    assert min(np.linalg.norm(a - b, axis=1).min() for a, b in combinations(found.values(), 2)) > 0.52


def test_places_beside_a_leader_go_with_it():
    maneuvers = {
        "wren": [HOLD, {"kind": "translate", "x": 0.4, "y": 0.0, "speed_limit": 0.04},
                 {"kind": "rotate", "heading_deg": 90.0, "rate_limit_deg": 2.0}],
        "siskin": [fly("convoy", 40.0), fly("convoy", 30.0), fly("convoy", 60.0)],
        "dunlin": [fly("convoy", 40.0), fly("convoy", 30.0), fly("convoy", 60.0)],
    }  # fmt: skip
    subject = Subject.of(session({"convoy": CONVOY}, maneuvers, LEFT))
    moments, found = paths(subject)
    later = (moments > 38.0) & (moments < 70.0)
    places = {"siskin": (-0.7, 0.0), "dunlin": (0.0, 0.7)}
    taken = subject.poses[0].places["convoy"]
    assert taken == {"siskin": 0, "dunlin": 1}
    for name, place in places.items():
        beside = found[name][later] - found["wren"][later]
        assert np.linalg.norm(beside - place, axis=1).max() < 5e-3
    assert subject.poses[0].goal("siskin").position[:2] == pytest.approx((0.4, -0.7))
    assert subject.poses[0].goal("dunlin").position[:2] == pytest.approx((-0.3, 0.0))
    turned = math.degrees(heading(subject.poses[0].goal("dunlin").orientation))
    assert turned == pytest.approx(-90.0), "180 in the frame and 90 with it"


def test_others_are_kept_clear_of_while_they_move():
    maneuvers = {"wren": [{"kind": "translate", "x": 1.3, "y": -0.6, "speed_limit": 0.06}], "siskin": [fly("pair")],
                 "dunlin": [fly("pair")]}  # fmt: skip
    slots = {"kind": "list", "places": [{"x": 0.0, "y": -1.2, "vehicle": "siskin"}, {"x": 1.0, "y": 0.2}]}
    pair = LINE | {"slots": slots, "vehicles": ["siskin", "dunlin"], "frame": {"kind": "point", "x": 0.0, "y": 0.0}}
    start = {"wren": {"x": -1.3, "y": -0.6}, "siskin": {"x": 0.0, "y": 0.3}, "dunlin": {"x": 1.0, "y": 1.0}}
    subject = Subject.of(session({"pair": pair}, maneuvers, start))
    moments, found = paths(subject)
    share = np.clip(moments / 40.0, 0.0, 1.0)[:, None]
    straight = found["siskin"][0] + share * (found["siskin"][-1] - found["siskin"][0])
    assert np.linalg.norm(straight - found["wren"], axis=1).min() < 0.52
    assert np.linalg.norm(found["siskin"] - found["wren"], axis=1).min() > 0.575


def test_a_turn_on_the_way_is_as_slow_as_it_must_be():
    line = LINE | {"heading_deg": 120.0}
    subject = Subject.of(session({"line": line}, {name: [fly("line", 50.0)] for name in ("wren", "siskin", "dunlin")}))
    task = formation_tasks(subject.configuration)["only", "line"]
    leg = subject.timelines[0].legs["wren"][0]
    left = np.array([leg.angle_left(t) for t in np.arange(0.0, 50.0, 0.1)])
    assert (left[0], left[-1]) == (pytest.approx(120.0), pytest.approx(0.0, abs=1e-6))
    assert -np.diff(left).min() / 0.1 <= math.degrees(task.turn_rate) * 1.001
    assert -np.diff(left, 2).min() / 0.01 <= math.degrees(task.turn_acceleration) * 1.01


def test_a_way_takes_the_gas_of_its_acceleration():
    """Twice the top speed of a rest-to-rest move at least; with the thrust per force of the best direction."""
    lab = session({"line": LINE}, {name: [fly("line", 50.0)] for name in ("wren", "siskin", "dunlin")})
    lab = replace(lab, table=lab.table.model_copy(update={"tilt_mrad": (0.0, 0.0)}))
    subject = Subject.of(lab)
    moments, found = paths(subject, step=0.1)
    top = (np.linalg.norm(np.diff(found["wren"], axis=0), axis=1) / np.diff(moments)).max()
    vehicle = lab.vehicles["wren"]
    least = 2.0 * top * vehicle.floor.mass / (vehicle.gas.specific_impulse * 9.80665)
    assert least < least_gas(subject, 0, "wren") < 3.0 * least


def test_without_thrust_there_is_no_way_and_the_vehicle_stays():
    lab = session({"line": LINE}, {"wren": [fly("line")]})
    vehicle = lab.vehicles["wren"]
    off = tuple(valve.model_copy(update={"in_service": False}) for valve in vehicle.thrusters.valves)
    thrusters = vehicle.thrusters.model_copy(update={"valves": off})
    lab = replace(lab, vehicles={**lab.vehicles, "wren": vehicle.model_copy(update={"thrusters": thrusters})})
    leg = Subject.of(lab).timelines[0].legs["wren"][0]
    assert leg.way is None
    assert leg.position(30.0) == leg.before.position
