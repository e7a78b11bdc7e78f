"""Ports on the live graph: commands that the plant hears, and what it tells of what they hold."""

import json
import os

import numpy as np
import pytest
import rclpy
from sensor_msgs.msg import JointState

from testbed.nodes.plant import PlantNode
from testbed.nodes.process import make_executor
from tests.graph.foreign import Foreign
from tests.graph.session import PLANS
from tests.model.scene import set_motion


class Scene:
    """A plant of two vehicles on wall time in this process, and a foreign node that commands their ports."""

    def __init__(self):
        rclpy.init(args=["--ros-args", "-p", f"plan:={PLANS / 'ports.yaml'}"])
        self.plant = PlantNode()
        self.executor = make_executor()
        self.executor.add_node(self.plant)
        self.foreign = Foreign(int(os.environ["ROS_DOMAIN_ID"]))
        self.foreign.beside = self.turn
        for name in ("wren", "dunlin"):
            self.foreign.hear("port/state", name)
        self.foreign.hear("/joined")
        self.foreign.hear("/contacts")
        self.foreign.until(lambda: self.joined, "the plant tells of its ports")

    def turn(self):
        self.executor.spin_once(timeout_sec=0.0)
        self.plant.poll()

    def close(self):
        self.foreign.__exit__()
        self.plant.destroy_node()
        rclpy.shutdown()

    def command(self, vehicle, engaged, port="front"):
        self.foreign.beside = lambda: None
        try:
            self.foreign.send("port/command", JointState(name=[port], position=[engaged]), vehicle, hearers=1)
        finally:
            self.foreign.beside = self.turn

    def engage(self, vehicle, engaged):
        """Command a front port until the plant has heard it: a reader found a moment ago may miss a first message."""
        index = ("wren", "dunlin").index(vehicle)
        for _ in range(10):
            self.command(vehicle, engaged)
            if self.foreign.soon(lambda: self.plant._plant.states["port_engaged"][index, 0] == engaged, 2.0):
                return
        raise AssertionError(f"{vehicle} heard none of ten commands")

    def meet(self):
        """Put both front to front, 2 mm apart, and let one fly at the other."""
        plant = self.plant._plant
        now = self.plant._stamp
        plant.place(0, np.array([-0.211, 0.0, 0.0]), np.array([0.0, 0.0, 0.0, 1.0]), now)
        plant.place(1, np.array([0.211, 0.0, 0.0]), np.array([0.0, 0.0, 1.0, 0.0]), now)
        set_motion(plant, 0, velocity=(0.03, 0.0, 0.0))

    @property
    def joined(self):
        return [json.loads(one.data) for one in self.foreign.heard["/joined"]]

    def held(self, vehicle):
        return [list(one.position) for one in self.foreign.heard[f"/{vehicle}/port/state"]]


@pytest.fixture
def scene():
    one = Scene()
    yield one
    one.close()


def test_ports_commanded_on_the_graph_dock_and_let_go(scene):
    assert scene.joined[0]["latches"] == scene.joined[0]["bodies"] == []
    for name in ("wren", "dunlin"):
        scene.engage(name, 1.0)
    scene.meet()
    scene.foreign.until(lambda: scene.joined[-1]["bodies"], "they are one body")
    assert scene.joined[-1]["bodies"] == [["wren", "dunlin"]]
    (latch,) = scene.joined[-1]["latches"]
    assert (latch["first"], latch["second"], latch["phase"]) == ("wren/front", "dunlin/front", "joined")
    assert scene.held("wren")[-1] == scene.held("dunlin")[-1] == [1.0]
    touches = [one for text in scene.foreign.heard["/contacts"] for one in json.loads(text.data)["contacts"]]
    assert "captured" in {one["capture"] for one in touches}
    scene.engage("dunlin", 0.0)
    scene.foreign.until(lambda: not scene.joined[-1]["latches"], "they have let go")
    assert scene.joined[-1]["bodies"] == []
    scene.foreign.until(lambda: scene.held("wren")[-1] == [0.0], "the port tells")


def test_a_port_that_is_not_there_is_passed_over(scene):
    scene.command("wren", 1.0, port="side")
    scene.engage("wren", 1.0)
    plant = scene.plant._plant
    assert plant.states["port_engaged"].sum() == 1
