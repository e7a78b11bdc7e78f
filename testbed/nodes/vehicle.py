"""A vehicle's estimator, guidance and thruster driver in one process: a third of the cost of one process each."""

from __future__ import annotations

from collections.abc import Sequence as Arguments

from testbed.nodes import process
from testbed.nodes.estimator import EstimatorNode
from testbed.nodes.guidance import GuidanceNode
from testbed.nodes.thruster_driver import ThrusterDriverNode


def main(arguments: Arguments[str] | None = None) -> int:
    """Run the three nodes in the namespace given by --ros-args -r __ns:=/NAME until told to end."""
    process.begin(arguments)
    driver = ThrusterDriverNode()
    process.spin([EstimatorNode(), GuidanceNode(), driver], at_end=driver.close)
    return 0
