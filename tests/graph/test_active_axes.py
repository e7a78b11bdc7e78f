"""The parameter `active_axes` of plant and vehicle: by default what the place leaves free; nothing else is flown."""

import os
import subprocess
import sys

import pytest
import rclpy
from rclpy.parameter import Parameter

from testbed.description.axes import AXES
from testbed.description.errors import ConfigurationError
from testbed.nodes.estimator import EstimatorNode
from testbed.nodes.guidance import GuidanceNode
from testbed.nodes.plant import PlantNode
from testbed.nodes.thruster_driver import ThrusterDriverNode
from tests.graph.session import PLANS

CABIN = PLANS.parents[2] / "config" / "plans" / "cabin-float.yaml"
NODES = {
    "plant": PlantNode,
    "estimator": EstimatorNode,
    "guidance": GuidanceNode,
    "thruster_driver": ThrusterDriverNode,
}
ALL = "['x', 'y', 'z', 'roll', 'pitch', 'yaw']"
"""Quoted: a bare y is a truth value to ROS, whose YAML is of version 1.1."""


def arguments(node, plan=PLANS / "one.yaml", axes=None):
    """ROS arguments of a node of this plan, with these active axes if any."""
    namespace = [] if node == "plant" else ["-r", "__ns:=/wren"]
    given = [] if axes is None else ["-p", f"active_axes:={axes}"]
    return ["--ros-args", *namespace, "-p", f"plan:={plan}", *given]


@pytest.fixture
def started():
    """Starts a node in this process with arguments; all that were are ended."""
    nodes = []

    def start(name, **given):
        rclpy.init(args=arguments(name, **given))
        nodes.append(NODES[name]())
        return nodes[-1]

    yield start
    for one in nodes:
        one.destroy_node()
    rclpy.try_shutdown()


@pytest.mark.parametrize("name", NODES)
def test_by_default_it_is_what_the_place_leaves_free_and_nobody_can_set_it(started, name):
    node = started(name)
    assert list(node.get_parameter("active_axes").value) == ["x", "y", "yaw"]
    (result,) = node.set_parameters([Parameter("active_axes", value=["x", "y"])])
    assert not result.successful
    assert "read-only" in result.reason


@pytest.mark.parametrize("name", ["guidance", "estimator"])
def test_in_the_cabin_it_is_all_six(started, name):
    assert list(started(name, plan=CABIN).get_parameter("active_axes").value) == list(AXES)


def test_the_same_axes_in_another_order_are_the_same(started):
    assert started("guidance", axes="['yaw', 'x', 'y']").get_parameter("active_axes").value == ["yaw", "x", "y"]


@pytest.mark.parametrize("axes", [ALL, "['x', 'y']", "['x', 'y', 'yaw', 'yaw']", "['x', 'y', 'heading']", "x", "3"])
@pytest.mark.parametrize("name", ["plant", "guidance"])
def test_other_axes_than_the_plant_s_are_refused(started, name, axes):
    with pytest.raises(ConfigurationError) as refused:
        started(name, axes=axes)
    (problem,) = refused.value.problems
    where = "/plant" if name == "plant" else f"/wren/{name}"
    assert str(problem).startswith(f"{where}: active_axes is ")
    assert str(problem).endswith("allowed: x, y, yaw, which the table of plan one leaves free")


@pytest.mark.parametrize("name", NODES)
def test_every_node_refuses_them(started, name):
    with pytest.raises(ConfigurationError, match="active_axes"):
        started(name, axes=ALL)


def test_a_vehicle_with_other_axes_ends_with_one_line_before_it_has_said_anything():
    command = [sys.executable, "-m", "testbed", "node", "vehicle", *arguments("vehicle", axes=ALL)]
    ended = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False, env=os.environ)
    assert ended.returncode == 2
    (line,) = ended.stderr.strip().splitlines()
    assert "active_axes is ['x', 'y', 'z', 'roll', 'pitch', 'yaw'], allowed: x, y, yaw" in line
