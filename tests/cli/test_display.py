"""The session at a glance, as text."""

import io

from rich.console import Console

from testbed.cli.display import panel
from testbed.plan.sequence import Sequence
from tests.plan.world import START, World, configuration


def shown(state):
    out = io.StringIO()
    Console(file=out, width=200).print(panel(state))
    return out.getvalue()


def test_it_shows_what_gas_is_left_how_far_it_goes_and_what_is_in_the_room():
    world = World(Sequence(configuration("first-float")))
    world.step(START)
    text = shown(world.until("running").state)
    assert "wren 109.3 g (49 s, 4.9 m/s)" in text
    assert "gas in the room" in text
    assert "0 ppm released" in text


def test_it_shows_the_battery_beside_the_gas():
    world = World(Sequence(configuration("first-float")))
    text = shown(world.step(START, battery={"wren": (0.934, 15.23)}).state)
    assert "battery left" in text
    assert "wren 93 % (15.2 V)" in text
    assert "battery" not in shown(world.step().state)


def test_after_a_try_it_shows_how_many_runs_are_left():
    world = World(Sequence(configuration("demo")))
    world.step(START)
    world.until("running")
    world.gas_per_step = 2e3
    world.until("evaluating")
    for _ in range(20):
        state = world.step().state
    assert " runs)" in shown(state)


def test_before_anything_is_heard_it_says_so():
    assert "waiting for every part to answer" in shown(None)
