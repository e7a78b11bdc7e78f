"""Time and memory of the flight components are held against the budget in the vehicle's file."""

import numpy as np

from testbed.bench.budget import Spent, _measure, budget
from testbed.plan.configuration import load_configuration
from tests.rehearsal.test_own_parts import PLANS


class Counting:
    """A component that keeps what it was given."""

    parameters = state = np.zeros(10)

    def __init__(self):
        self.given = []


def test_every_input_is_given_in_order_to_a_fresh_component_each_time():
    built = []

    def build():
        built.append(Counting())
        return built[-1]

    spent = _measure(build, lambda one, given: one.given.append(given), ["a", "b", "c"], 7)
    assert [one.given for one in built] == [["a", "b", "c"]] * 4, "one to load the kernels, three to be timed"
    assert spent.timed == 9
    assert spent.own_bytes == 160
    assert np.isfinite(spent.steps).all()
    assert spent.worst == spent.steps.max() > 0.0
    assert isinstance(spent, Spent)


def test_each_component_is_held_against_the_budget_in_its_vehicle_s_file():
    configuration = load_configuration(PLANS / "one.yaml")
    computer = configuration.vehicles["wren"].computer
    figures = {one.measure: one for one in budget(configuration, lambda text: None, steps=2000)}
    bounds = {name.removeprefix("budget, wren: "): one.at_most for name, one in figures.items()}
    assert bounds == {
        "worst step of the estimator": computer.estimator_ms,
        "worst step of guidance": computer.guidance_ms,
        "worst step of safety filter, guard, allocation and modulation": computer.thruster_driver_ms,
        "worst control period": computer.period_ms,
        "memory of the estimator": None,
        "memory of the guidance": None,
        "memory of the thruster driver": None,
        "memory in all": computer.memory_mb,
    }
    for name, one in figures.items():
        assert one.value > 0.0, name
        assert one.peer is None or one.value >= one.peer > 0.0, name
    parts = sum(one.value for name, one in figures.items() if "memory of" in name)
    assert figures["budget, wren: memory in all"].value >= (1.0 - 1e-12) * parts
