"""`testbed node NAME`: run one node in this process. Under colcon each node is an executable of its own, too."""

import importlib
import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer


class Node(StrEnum):
    """The nodes that run alone; `vehicle` is a vehicle's estimator, guidance and thruster driver composed in one."""

    plant = "plant"
    estimator = "estimator"
    guidance = "guidance"
    thruster_driver = "thruster_driver"
    vehicle = "vehicle"
    formation = "formation"
    conductor = "conductor"
    recorder = "recorder"


def node(
    context: typer.Context, name: Annotated[Node, typer.Argument(help="Which node to run.", show_default=False)]
) -> None:
    """Run one node; what follows its name goes to the node, for example --ros-args -r __ns:=/wren."""
    module = importlib.import_module(f"testbed.nodes.{name}")
    raise typer.Exit(module.main(context.args) or 0)


def executable() -> None:
    """Run the node whose name this process was started by, as `ros2 run testbed NAME` does."""
    from testbed.cli.app import main

    main(["node", Path(sys.argv[0]).name, *sys.argv[1:]])
