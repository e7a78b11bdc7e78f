"""Configurations that tests of nodes use: the project's own plans, and the small ones of tests/graph."""

from pathlib import Path

from testbed.description.locate import locate
from testbed.plan.configuration import load_configuration

SMALL_PLANS = Path(__file__).resolve().parents[1] / "graph" / "plans"


def three_vehicles():
    return load_configuration(locate("plans/demo.yaml"))


def one_vehicle():
    return load_configuration(SMALL_PLANS / "one.yaml")
