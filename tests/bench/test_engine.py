"""The engine's figures on runs too short to say anything about speed."""

import pytest

from testbed.bench.engine import engine_speed
from testbed.bench.engine_parts import measure_parts
from testbed.description.locate import locate
from testbed.plan.configuration import load_configuration


@pytest.fixture(scope="module")
def configuration():
    return load_configuration(locate("plans/first-float.yaml"))


def test_speed_is_measured_without_and_with_recording(configuration):
    told = []
    figures = engine_speed(configuration, 1, told.append)
    assert [figure.measure for figure in figures] == [
        "engine, first-float, without recording",
        "engine, first-float, with recording",
    ]
    assert all(figure.value > 0.0 for figure in figures)
    assert len(told) == 2


def test_every_part_is_measured_apart(configuration):
    costs = measure_parts(configuration, before=4.0, window=5.0, repeats=1)
    assert {"sensing", "plant", "estimator", "guidance and thruster driver", "random numbers"} == set(costs)
    assert all(cost > 0.0 for cost in costs.values())
