"""Vehicles with ports for the tests of docking: one at the front, one at the back."""

import numpy as np
from scipy.spatial.transform import Rotation

from testbed.description.port import Port
from testbed.description.table import Table
from testbed.model.ports import Phase
from tests.model.scene import FLAT, LEVEL, START, a_plant, run, set_motion, steady

FRONT, BACK = 0, 1


def ports():
    return (
        Port(name="front", position=(0.15, 0.0, 0.0), floor_position=(0.21, 0.0, 0.0), direction=(1.0, 0.0, 0.0)),
        Port(name="back", position=(-0.15, 0.0, 0.0), floor_position=(-0.21, 0.0, 0.0), direction=(-1.0, 0.0, 0.0)),
    )


def docker(name="wren", **changes):
    return steady(name, ports=ports(), **changes)


def proud(room):
    """Distance from base_link to the front of a port, m."""
    return 0.21 if isinstance(room, Table) else 0.15


def meeting(
    room=FLAT, closing=0.02, gap=0.002, lateral=0.0, angle=0.0, slip=0.0, rate=0.0, engaged=(True, True), **changes
):
    """The first flies with its front at the back of the second, which rests; `angle` turns the second, by rad.

    Ports are engaged from the start.
    """
    plant = a_plant(docker("wren", **changes), docker("dunlin", **changes), room=room)
    reach = proud(room)
    turn = Rotation.from_euler("z", angle)
    second = np.array([reach, lateral, 0.0]) + turn.apply([reach, 0.0, 0.0])
    plant.place(0, np.array([-gap, 0.0, 0.0]), LEVEL, START)
    plant.place(1, second, turn.as_quat(), START)
    set_motion(plant, 0, velocity=(closing, slip, 0.0))
    set_motion(plant, 1, rate=(0.0, 0.0, rate))
    plant.command_latch(0, FRONT, engaged[0], START)
    plant.command_latch(1, BACK, engaged[1], START)
    return plant


def dock(plant, seconds=6.0):
    """Run until the latch is rigid; returns the stamp."""
    stamp = START
    for _ in range(round(seconds * 10)):
        stamp = run(plant, 10, stamp)
        if any(latch.phase is Phase.JOINED for latch in plant.latches()):
            return stamp
    raise AssertionError(f"not joined after {seconds} s: {plant.latches()}, {plant.take_contacts()}")
