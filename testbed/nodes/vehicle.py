"""A vehicle's estimator, guidance and thruster driver in one process: a third of the cost of one process each."""

from __future__ import annotations

from collections.abc import Sequence as Arguments

import rclpy

from testbed.nodes import process
from testbed.nodes.estimator import EstimatorNode
from testbed.nodes.guidance import GuidanceNode
from testbed.nodes.thruster_driver import ThrusterDriverNode


def main(arguments: Arguments[str] | None = None) -> int:
    """Run the three nodes in the namespace given by --ros-args -r __ns:=/NAME until told to end."""
    rclpy.init(args=[*(arguments or ())])
    process.spin([EstimatorNode(), GuidanceNode(), ThrusterDriverNode()])
    return 0
