"""Who is planned for when, and what each vehicle is told, with vehicles that do what they are told."""

import math

import numpy as np
import pytest

from testbed.description import rotation
from testbed.description.messages import MAX_KNOTS, NS_PER_S
from testbed.flight.formation import Frame, Outcome, Why, Zone
from tests.flight.formation.followers import KEEPING, PERIOD, START, Followers, order, task

TRIANGLE = {"wren": (-0.8, 0.0), "siskin": (0.0, 0.6), "dunlin": (0.8, 0.0)}
SWAPPED = {"wren": (0.8, 0.0, math.pi / 2), "siskin": (0.0, -0.6), "dunlin": (-0.8, 0.0)}
LEAST = KEEPING.planned - 1e-3


def flying(tasks, places, *names, **more):
    """Vehicles that have all been told to fly the first of the formations."""
    scene = Followers(tasks, places)
    scene.orders = {name: order(**more) for name in names or places}
    return scene


def away(scene, one, frame=None):
    """Largest distance of a member from its place, m."""
    return max(
        np.linalg.norm(scene.position[name] - place.slot(frame or one.frame).at(np.array([0.0]))[0][0])
        for name, place in one.places.items()
    )


def test_three_that_exchange_places_get_there_apart_and_turned():
    one = task(SWAPPED)
    scene = flying([one], TRIANGLE)
    scene.fly(60.0)
    assert away(scene, one) < 1e-6
    assert scene.heading["wren"] == pytest.approx(math.pi / 2)
    assert scene.separation() >= LEAST
    assert [(news.why, news.outcome, news.tight) for news in scene.news] == [(Why.MEMBERS, Outcome.TOGETHER, False)]
    assert scene.news[0].vehicles == tuple(SWAPPED)


def test_a_plan_begins_a_lead_after_it_is_decided_and_never_before_the_maneuver():
    scene = flying([task(SWAPPED)], TRIANGLE)
    scene.fly(0.5)
    assert scene.news[0].begin == START + NS_PER_S // 2
    late = flying([task(SWAPPED)], TRIANGLE, start=START + 2 * NS_PER_S)
    late.fly(0.5)
    assert late.news[0].begin == START + 2 * NS_PER_S


def test_what_has_not_changed_is_sent_again_and_begins_at_the_same_instant():
    scene = flying([task(SWAPPED)], TRIANGLE)
    scene.fly(5.0)
    first = scene.sent[0][1]["wren"][0]
    for stamp, sent in scene.sent:
        again = sent["wren"][0]
        assert again["stamp"] == stamp
        assert again["stamp"] + again["offset"][0] == first["stamp"] + first["offset"][0]
        assert np.array_equal(again["position"], first["position"])
    assert again["offset"][0] < 0


def test_nothing_is_told_while_somebody_does_not_know_where_it_is():
    scene = flying([task(SWAPPED)], TRIANGLE)
    scene.fixed.remove("siskin")
    scene.fly(2.0)
    assert not scene.news
    assert all(one[0]["count"] == 0 and one[0]["number"] == 1 for one in scene.sent[-1][1].values())
    scene.fixed.add("siskin")
    scene.fly(0.5)
    assert all(one[0]["count"] > 0 for one in scene.sent[-1][1].values())


def test_whoever_flies_something_else_is_kept_clear_of():
    one = task({"wren": (0.8, 0.0)})
    scene = flying([one], {"wren": (-0.8, 0.0), "siskin": (0.0, 0.1)}, "wren")
    scene.fly(60.0)
    assert away(scene, one) < 1e-6
    assert scene.separation() >= LEAST


def test_zones_are_kept_out_of():
    one = task({"wren": (0.8, 0.0)}, zones=(Zone.ball((0.0, 0.05), 0.2),))
    scene = flying([one], {"wren": (-0.8, 0.0)})
    scene.fly(60.0)
    assert away(scene, one) < 1e-6
    path = np.array([moment["wren"][:2] for moment in scene.history])
    assert np.linalg.norm(path - [0.0, 0.05], axis=1).min() >= 0.2 + KEEPING.body


def test_who_leaves_is_kept_clear_of_and_who_comes_back_gets_its_own_place():
    one = task(TRIANGLE)
    scene = flying([one], {"wren": (-1.2, -0.8), "siskin": (0.0, -0.8), "dunlin": (1.2, -0.8)})
    scene.fly(50.0)
    assert away(scene, one) < 1e-6
    del scene.orders["siskin"]
    home = scene.position["siskin"].copy()

    def leave(time):
        share = min(max((time - 50.0) / 12.0, 0.0), 1.0)
        way = np.array([0.0, 0.5, 0.0])
        return home + share * way, way / 12.0 * (share < 1.0)

    scene.fly(20.0, {"siskin": leave})
    assert sorted(scene.sent[-1][1]) == ["dunlin", "wren"]
    scene.orders["siskin"] = order(number=3, start=scene.stamp)
    scene.fly(50.0)
    assert away(scene, one) < 1e-6
    assert [news.vehicles for news in scene.news] == [tuple(TRIANGLE), ("wren", "dunlin"), tuple(TRIANGLE)]
    assert scene.separation() >= LEAST


def test_one_that_lags_is_planned_for_anew_with_all_others():
    one = task(SWAPPED)
    scene = flying([one], TRIANGLE)
    scene.fly(8.0)
    scene.slow["wren"] = scene.stamp / NS_PER_S, 0.5
    scene.fly(6.0)
    del scene.slow["wren"]
    scene.fly(60.0)
    assert away(scene, one) < 1e-6
    assert scene.news[1].why is Why.LAG
    assert scene.news[1].lagging == ("wren",)
    assert scene.separation() >= KEEPING.required


def test_a_frame_that_moves_and_turns_is_followed_for_as_long_as_it_goes():
    frame = Frame((-0.5, 0.0, 0.0), velocity=(0.005, 0.0, 0.0), rate=(0.0, 0.0, math.radians(2.0)))
    places = {"wren": (0.35, 0.0), "siskin": (-0.35, 0.0)}
    one = task(places, frame=frame)
    scene = flying([one], {"wren": (-0.2, 0.5), "siskin": (-0.8, -0.5)})
    scene.fly(120.0)
    now = Frame(frame.position, frame.orientation, frame.velocity, frame.rate, -(scene.stamp - START) / NS_PER_S)
    assert away(scene, one, now) < 1e-3
    assert scene.rate["wren"] == pytest.approx(math.radians(2.0), abs=1e-4)
    assert len(scene.news) == 1, "it is told anew in time, but not planned anew"
    begins = {int(sent["wren"][0]["stamp"] + sent["wren"][0]["offset"][0]) for _, sent in scene.sent}
    assert len(begins) >= 2
    for stamp, sent in scene.sent:
        last = sent["wren"][0]
        assert last["count"] <= MAX_KNOTS
        assert last["stamp"] + last["offset"][last["count"] - 1] > stamp + 10 * NS_PER_S
    path = np.array([moment["wren"] for moment in scene.history])
    steps = np.linalg.norm(np.diff(path, axis=0), axis=1) / (PERIOD / 25 / NS_PER_S)
    assert steps.max() < 0.06, "no jump"


def test_the_next_maneuver_in_the_same_formation_goes_on_with_its_plan():
    frame = Frame((0.0, 0.0, 0.0), velocity=(0.01, 0.0, 0.0))
    scene = flying([task({"wren": (0.0, 0.0)}, frame=frame)], {"wren": (-0.2, 0.0)})
    scene.fly(30.0)
    scene.orders = {"wren": order(number=2, start=scene.stamp)}
    scene.fly(10.0)
    assert len(scene.news) == 1
    assert scene.sent[-1][1]["wren"][0]["number"] == 2
    assert scene.position["wren"][0] == pytest.approx(0.01 * (scene.stamp - START) / NS_PER_S)


def test_time_of_the_frame_stands_still_while_nobody_flies_and_a_new_try_begins_anew():
    frame = Frame((0.0, 0.0, 0.0), velocity=(0.01, 0.0, 0.0))
    scene = flying([task({"wren": (0.0, 0.0)}, frame=frame)], {"wren": (0.0, 0.0)})
    scene.fly(20.0)
    scene.orders = {}
    scene.velocity["wren"][:] = 0.0
    scene.fly(10.0)
    scene.orders = {"wren": order(number=3, start=scene.stamp)}
    scene.fly(20.0)
    assert scene.position["wren"][0] == pytest.approx(0.4, abs=1e-3)
    scene.orders = {"wren": order(number=5, start=scene.stamp, attempt=2)}
    scene.fly(40.0)
    assert scene.position["wren"][0] == pytest.approx(0.4, abs=1e-3)


def test_a_leader_that_moves_turns_and_stops_is_followed_to_its_side():
    one = task({"siskin": (0.0, 0.6), "dunlin": (0.0, -0.6)}, leader="wren")
    scene = flying([one], {"wren": (-0.8, 0.0), "siskin": (-0.9, 0.7), "dunlin": (-0.8, -0.6)}, "siskin", "dunlin")

    def lead(time):
        moving = 20.0 < time < 50.0
        return np.array([-0.8 + 0.03 * min(max(time - 20.0, 0.0), 30.0), 0.0, 0.0]), np.array([0.03 * moving, 0.0, 0.0])

    gaps = []
    for _ in range(80):
        scene.fly(1.0, {"wren": lead})
        gaps.append(away(scene, one, Frame(tuple(scene.position["wren"]))))
    assert gaps[18] < 1e-6
    assert gaps[44] < 0.02, "along with it"
    assert gaps[-1] < 1e-6
    assert Why.FRAME in {news.why for news in scene.news}
    assert scene.separation() >= KEEPING.required


def test_turns_are_no_faster_than_allowed():
    one = task({"wren": (-0.7, 0.0, math.pi)})
    scene = flying([one], {"wren": (-0.8, 0.0)})
    fastest = 0.0
    for _ in range(160):
        scene.fly(0.5)
        fastest = max(fastest, abs(scene.rate["wren"]))
    assert fastest <= one.turn_rate * (1.0 + 1e-6)
    assert abs(rotation.heading(rotation.from_heading(scene.heading["wren"] - math.pi))) < 1e-6


def test_two_formations_at_once_keep_clear_of_each_other():
    here, there = task({"wren": (0.8, 0.5)}, name="here"), task({"siskin": (-0.8, -0.5)}, name="there")
    scene = Followers([here, there], {"wren": (-0.8, 0.1), "siskin": (0.8, -0.1)})
    scene.orders = {"wren": order(formation="here"), "siskin": order(formation="there")}
    scene.fly(80.0)
    assert away(scene, here) < 1e-6
    assert away(scene, there) < 1e-6
    assert scene.separation() >= LEAST


def test_where_no_way_is_found_all_stay_and_it_is_tried_again():
    one = task({"wren": (0.0, 0.0)})
    scene = flying([one], {"wren": (-0.8, 0.0), "siskin": (0.0, 0.0)}, "wren")
    scene.fly(10.0)
    assert scene.news[0].outcome is Outcome.STAY
    assert scene.position["wren"] == pytest.approx([-0.8, 0.0, 0.0])
    scene.position["siskin"][:] = (0.0, 0.8, 0.0)
    scene.fly(40.0)
    assert away(scene, one) < 1e-6
