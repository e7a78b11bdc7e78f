"""The parameter `active_axes`: what a vehicle's code takes to be free, held against what its plant leaves free."""

from __future__ import annotations

from rcl_interfaces.msg import ParameterDescriptor
from rclpy.node import Node

from testbed.description.axes import AXES
from testbed.description.errors import ConfigurationError, Problem
from testbed.plan.configuration import Configuration

NAME = "active_axes"


def declare_active_axes(node: Node, configuration: Configuration) -> tuple[str, ...]:
    """Declare the read-only parameter of a plant's or a vehicle's node; returns its value in the order of AXES.

    Which axes are held is a matter of the place: the plan names it, and every node reads the plan. So a node that was
    told otherwise would fly a vehicle that is not the one on its plant.

    Raises:
        ConfigurationError: the axes given are not those that the place leaves free.

    """
    text = "Axes that the place leaves free, of x, y, z, roll, pitch, yaw; allocation, guidance and estimator go by it"
    # dynamic typing, so that a value of another type meets the error below and not a traceback
    descriptor = ParameterDescriptor(description=text, read_only=True, dynamic_typing=True)
    node.declare_parameter(NAME, list(configuration.active_axes), descriptor)
    given = node.get_parameter(NAME).value
    named = list(given) if isinstance(given, list | tuple) else []
    axes = tuple(axis for axis in AXES if axis in named)
    if axes != configuration.active_axes or len(axes) != len(named):
        free = ", ".join(configuration.active_axes)
        allowed = f"{free}, which the {configuration.place} of plan {configuration.plan.name} leaves free"
        raise ConfigurationError([Problem(node.get_fully_qualified_name(), None, NAME, given, allowed)])
    return axes
