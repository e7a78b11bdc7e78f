"""What ports hold, as topics tell it: told once per change, with names."""

import json
from types import SimpleNamespace

from testbed.rehearsal.contacts import take_contacts
from testbed.rehearsal.joints import Joints
from tests.model.docking import BACK, docker, meeting
from tests.model.scene import START, a_plant, run, steady

NAMES = ("wren", "dunlin")


def joints(plant, vehicles):
    return Joints(SimpleNamespace(vehicles=dict(zip(NAMES, vehicles, strict=True))), plant)


def test_ports_are_told_at_first_and_then_when_they_change():
    plant = meeting()
    one = joints(plant, [docker(name) for name in NAMES])
    assert one.news(START)
    assert [one.held(0), one.held(1)] == [[0.0, 0.0], [0.0, 0.0]]
    assert not one.news(START + 100_000_000)
    stamp = run(plant, 20)
    assert one.news(stamp)
    assert [one.held(0), one.held(1)] == [[1.0, 0.0], [0.0, 1.0]]
    told = json.loads(one.joined(stamp))
    assert told["bodies"] == []
    assert [(latch["first"], latch["second"], latch["phase"]) for latch in told["latches"]] == [
        ("wren/front", "dunlin/back", "capturing")
    ]
    stamp = run(plant, 400, stamp)
    assert one.news(stamp)
    told = json.loads(one.joined(stamp))
    assert (told["bodies"], told["latches"][0]["phase"]) == ([["wren", "dunlin"]], "joined")
    plant.command_latch(1, BACK, False, stamp)
    assert one.news(stamp)
    assert json.loads(one.joined(stamp)) == {"stamp": stamp, "latches": [], "bodies": []}


def test_between_the_stamps_at_which_ports_are_told_nothing_is_new():
    plant = meeting()
    assert not joints(plant, [docker(name) for name in NAMES]).news(START + 10_000_000)


def test_without_ports_there_is_nothing_to_tell():
    plant = a_plant(steady("wren"), steady("dunlin"))
    one = joints(plant, [steady(name) for name in NAMES])
    assert one.indices == ()
    assert not one.news(START)


def test_contacts_of_ports_tell_what_became_of_their_capture():
    captured, refused = meeting(), meeting(closing=0.07)
    for plant in (captured, refused):
        run(plant, 30)
    assert take_contacts(captured, NAMES)[0].capture == "captured"
    assert take_contacts(refused, NAMES)[0].capture == "too_fast"
