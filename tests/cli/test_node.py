"""`testbed node`, and the executables that colcon makes of it."""

import sys
import types

import pytest

from testbed.cli.app import main
from testbed.cli.node import Node, executable


@pytest.fixture
def plant(monkeypatch):
    """A stand-in for the plant's node that keeps what it was called with and ends with 3."""
    calls = []
    node = types.SimpleNamespace(main=lambda arguments: calls.append(arguments) or 3)
    monkeypatch.setitem(sys.modules, "testbed.nodes.plant", node)
    return calls


def test_what_follows_the_name_reaches_the_node_untouched(plant):
    with pytest.raises(SystemExit) as ended:
        main(["node", "plant", "--ros-args", "-r", "__ns:=/wren", "-p", "mass:=6.0"])
    assert plant == [["--ros-args", "-r", "__ns:=/wren", "-p", "mass:=6.0"]]
    assert ended.value.code == 3


def test_an_executable_runs_the_node_it_is_named_after(plant, monkeypatch):
    monkeypatch.setattr(sys, "argv", ["/somewhere/lib/testbed/plant", "--ros-args"])
    with pytest.raises(SystemExit):
        executable()
    assert plant == [["--ros-args"]]


@pytest.mark.parametrize("name", Node)
def test_every_node_has_a_main(name):
    module = __import__(f"testbed.nodes.{name}", fromlist=["main"])
    assert callable(module.main)
