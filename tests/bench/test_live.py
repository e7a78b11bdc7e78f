"""The measurements on the live graph, on runs too short to say anything about speed."""

import json
import os
import time

import pytest

from testbed.bench.loop import live_loop
from testbed.bench.loop.measure import figures
from testbed.bench.processes import MeasurementError, session
from testbed.bench.recorder import recorder_rate
from testbed.bench.usage import children, cpu_seconds, node_name
from testbed.description.locate import locate
from testbed.plan.configuration import load_configuration

PLAN = locate("plans/first-float.yaml")


@pytest.fixture(scope="module")
def configuration():
    return load_configuration(PLAN)


def test_the_loop_is_measured_beside_the_bare_chain(configuration):
    found = {figure.measure: figure for figure in live_loop(PLAN, configuration, 7.0, lambda text: None)}
    loop = found["live loop, p50"]
    assert loop.value > 0.0
    assert loop.peer > 0.0
    assert found["components called directly, p50"].value < loop.value
    assert found["live loop less components / bare chain, p50"].kept is not None


def answers(**changed):
    found = {
        "due": 4,
        "opened": 2,
        "cycle": [True, False] * 2,
        "live": [3e6] * 4,
        "bare": [1e6] * 4,
        "direct": [1e6] * 4,
    }
    return found | changed


def test_the_ratio_leaves_out_what_the_components_compute():
    ratio = next(figure for figure in figures(answers()) if "less components" in figure.measure)
    assert ratio.value == pytest.approx(2.0)
    assert not ratio.kept


@pytest.mark.parametrize(
    ("changed", "message"),
    [({"opened": 0}, "never opened a valve"), ({"due": 100}, "only 4 of 100 schedules")],
    ids=["no valve", "lost"],
)
def test_a_loop_that_was_none_counts_for_nothing(changed, message):
    with pytest.raises(MeasurementError, match=message):
        figures(answers(**changed))


def test_the_recorder_keeps_what_a_slow_flood_sends(configuration):
    (figure,) = recorder_rate(PLAN, configuration, 1.0, lambda text: None, rates=(200.0,))
    assert figure.value > 0.0
    assert figure.note == "no loss"


def test_a_process_that_fails_says_what_it_said_last():
    with (
        session() as here,
        here.running("bare", ["testbed.bench.loop.bare_chain", json.dumps({})]) as process,
        pytest.raises(MeasurementError, match=r"bare ended with exit code 1: TypeError"),
    ):
        here.wait_for("bare", process, 20.0)


def test_processor_time_is_that_of_the_process():
    with session() as here, here.running("one", ["testbed", "node", "recorder"]) as process:
        assert process.pid in children(os.getpid())
        deadline = time.monotonic() + 5.0
        while not node_name(process.pid) and time.monotonic() < deadline:
            time.sleep(0.02)  # right after its start a process may not show its arguments yet
        assert node_name(process.pid) == "recorder"
        assert cpu_seconds(process.pid) >= 0.0
