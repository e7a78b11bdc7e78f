"""Each abort criterion: what it lets pass and what it ends."""

import math

import numpy as np
import pytest

from testbed.plan.observation import Request
from testbed.plan.sequence import Sequence
from tests.plan.world import START, World, configuration, contact, odometry, with_run

RUN = configuration("first-float").plan.runs[0]


def world_with(*aborts: dict, plan: str = "first-float") -> World:
    """The first run with these abort criteria only, running."""
    lab = configuration(plan)
    kinds = type(lab.plan).model_validate({**lab.plan.model_dump(), "abort": list(aborts)}).abort
    world = World(Sequence(with_run(lab, abort=kinds)))
    world.step(START)
    world.until("running")
    for _ in range(5):
        world.step()
    return world


def reason(world: World) -> str | None:
    told = [event.data["reason"] for event in world.events if event.kind == "abort"]
    return told[-1] if told else None


@pytest.mark.parametrize(("apart", "ends"), [(0.501, False), (0.499, True)])
def test_separation(apart, ends):
    world = world_with({"kind": "separation", "minimum": 0.5}, plan="demo")
    wren = np.array(world.poses["wren"][0])
    siskin = np.array(world.poses["siskin"][0])
    world.offset["siskin"] = tuple(np.add(wren, (apart, 0.0, 0.0)) - siskin)
    world.step()
    assert (reason(world) is not None) == ends
    if ends:
        assert reason(world) == "two vehicles came as close as 0.499 m; 0.5 m is the least allowed"


@pytest.mark.parametrize(("error", "ends"), [(0.29, False), (0.31, True)])
def test_position_error_against_the_reference(error, ends):
    world = world_with({"kind": "position_error", "limit": 0.3})
    world.offset["wren"] = (0.0, error, 0.0)
    world.step()
    assert (reason(world) is not None) == ends


def test_position_error_needs_a_fresh_reference():
    world = world_with({"kind": "position_error", "limit": 0.3})
    world.offset["wren"] = (0.0, 0.5, 0.0)
    world.step(reference={})
    world.step(reference={})
    assert reason(world) == "wren is 0.500 m off its reference; 0.3 m is allowed", "0.1 s old is fresh"
    stale = world_with({"kind": "position_error", "limit": 0.3})
    for _ in range(4):
        stale.step(reference={})
    stale.offset["wren"] = (0.0, 0.5, 0.0)
    stale.step(reference={})
    assert reason(stale) is None, "0.5 s old is not"


@pytest.mark.parametrize(("force", "ends"), [(20.0, False), (20.1, True)])
def test_contact_force(force, ends):
    world = world_with({"kind": "contact_force", "limit": 20.0})
    world.step(contacts=(contact(world.stamp, force),))
    assert (reason(world) is not None) == ends


@pytest.mark.parametrize(
    ("margin", "y", "ends"), [(0.0, 1.29, False), (0.0, 1.31, True), (0.05, 1.34, False), (0.05, -1.36, True)]
)
def test_leaving_the_working_area(margin, y, ends):
    world = world_with({"kind": "outside", "margin": margin})
    world.offset["wren"] = (0.0, y, 0.0)
    world.step()
    assert (reason(world) is not None) == ends
    if ends:
        assert reason(world).startswith("wren left the working area at x = ")


@pytest.mark.parametrize(("rate_deg", "ends"), [(14.9, False), (15.1, True), (-15.1, True)])
def test_spin(rate_deg, ends):
    world = world_with({"kind": "spin", "limit_deg": 15.0})
    spinning = odometry(world.stamp, *world.poses["wren"])[-1]
    spinning["angular_velocity"][2] = math.radians(rate_deg)
    world.step(odometry={"wren": spinning})
    assert (reason(world) is not None) == ends


def lost(world: World):
    return {"wren": odometry(world.stamp, variance=1e6)[-1]}


def test_a_fix_lost_for_too_long():
    world = world_with({"kind": "lost_fix", "longest": 1.0})
    for _ in range(10):
        world.step(odometry=lost(world))
    assert reason(world) is None
    world.step(odometry=lost(world))
    assert reason(world) == "wren has had no fix for 1.1 s; 1 s is allowed"


def test_a_fix_that_comes_back_counts_anew():
    world = world_with({"kind": "lost_fix", "longest": 1.0})
    for _ in range(3):
        for _ in range(9):
            world.step(odometry=lost(world))
        world.step()
    assert reason(world) is None


def test_odometry_that_stops_coming_is_a_lost_fix():
    world = world_with({"kind": "lost_fix", "longest": 1.0})
    silent = world.observe().odometry
    for _ in range(12):
        world.step(odometry=silent)
    assert reason(world) is not None


@pytest.mark.parametrize(("left_g", "ends"), [(15.1, False), (14.9, True)])
def test_low_gas(left_g, ends):
    world = world_with({"kind": "low_gas", "minimum_g": 15.0})
    world.pressure = 1e-3 * left_g * 296.8 * 293.15 / 0.5e-3
    world.step()
    assert (reason(world) is not None) == ends


@pytest.mark.parametrize(
    ("criterion", "told"),
    [
        ({"minimum_charge": 0.2}, None),
        ({"minimum_charge": 0.3}, "wren has 25.0 % of its battery's charge left; 30 % is the least allowed"),
        ({"minimum_voltage": 13.0}, None),
        ({"minimum_voltage": 14.0}, "wren has 13.50 V from its battery; 14 V is the least allowed"),
        (
            {"minimum_charge": 0.2, "minimum_voltage": 14.0},
            "wren has 13.50 V from its battery; 14 V is the least allowed",
        ),
    ],
)
def test_low_battery(criterion, told):
    world = world_with({"kind": "low_battery", **criterion})
    world.step(battery={"wren": (0.25, 13.5)})
    assert reason(world) == told


def test_a_battery_that_tells_nothing_ends_nothing():
    world = world_with({"kind": "low_battery", "minimum_charge": 0.5})
    world.step()
    assert reason(world) is None


def test_abort_criteria_hold_only_while_a_try_runs():
    lab = configuration("first-float")
    world = World(Sequence(lab))
    world.step(START, contacts=(contact(world.stamp, 99.0),))
    world.step(contacts=(contact(world.stamp, 99.0),))
    world.until("running")
    world.step(Request("hold"))
    world.step(contacts=(contact(world.stamp, 99.0),))
    assert reason(world) is None
