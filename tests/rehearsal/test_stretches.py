"""A session gone through step by step and one gone through in stretches are the same, to the last bit."""

from dataclasses import replace

import pytest

from testbed.description.locate import locate
from testbed.plan.configuration import load_configuration
from testbed.plan.criteria_schema import (
    LowBattery,
    LowGas,
    Outside,
    PositionErrorAbove,
    SeparationBelow,
    Spin,
)
from testbed.record.reader import RecordingReader
from testbed.rehearsal.lockstep import LockstepRehearsal
from testbed.rehearsal.recording import EngineRecording

FLOWN = [
    ("first-float", 1),
    ("first-float", 2),
    ("first-float", 3),
    ("cabin-float", 1),
    ("cabin-float", 2),
    ("faults", 1),
    ("faults", 2),
    ("demo", 1),
]


def session(plan, seed=1, **changes):
    configuration = replace(load_configuration(locate(f"plans/{plan}.yaml")), seed=seed)
    return replace(configuration, plan=configuration.plan.model_copy(update=changes))


def fly(configuration, in_stretches, folder=None):
    """The rehearsal at its end, and everything that was decided on the way."""
    rehearsal = LockstepRehearsal(configuration)
    recording = EngineRecording(folder, rehearsal) if folder else None
    decided, asked = [], 0
    while not rehearsal.sequence.finished:
        if recording:
            recording.keep()
        commands = rehearsal.run(tell=recording is not None) if in_stretches else rehearsal.step()
        asked += 1
        if commands.events or commands.places or commands.maneuvers:
            decided.append(commands)
    if recording:
        recording.keep()
        recording.close()
    return rehearsal, decided, asked


def messages(folder):
    reader = RecordingReader(folder)
    return {
        topic: [(one.log_time, one.publish_time, bytes(one.data)) for one in reader.messages([topic])]
        for topic in reader.channels
    }


def assert_same(one, other):
    """Whole state, results and decisions of two flights."""
    (first, decided, steps), (second, decided_too, stretches) = one, other
    assert first.stamp == second.stamp
    assert decided == decided_too
    assert first.sequence.results == second.sequence.results
    assert first.sequence.state(first.observation) == second.sequence.state(second.observation)
    for arrays, again in ((first.plant_arrays, second.plant_arrays), (first.flight, second.flight)):
        for array, same in zip(arrays, again, strict=True):
            assert array.tobytes() == same.tobytes()
    for state in ("senders", "links"):
        assert getattr(first.radio, state).tobytes() == getattr(second.radio, state).tobytes()
    assert stretches < steps


@pytest.mark.parametrize(("plan", "seed"), FLOWN)
def test_results_events_and_recordings_are_the_same(plan, seed, tmp_path):
    configuration = session(plan, seed)
    flights = [fly(configuration, stretches, tmp_path / f"{stretches}" / "recording") for stretches in (False, True)]
    assert_same(*flights)
    whole, pieces = (messages(tmp_path / f"{stretches}" / "recording") for stretches in (False, True))
    assert whole.keys() == pieces.keys()
    for topic, sent in whole.items():
        assert sent == pieces[topic], topic


LIMITS = [
    PositionErrorAbove(kind="position_error", limit=0.012),
    Spin(kind="spin", limit_deg=3.0),
    LowGas(kind="low_gas", minimum_g=59.5),
    LowBattery(kind="low_battery", minimum_charge=0.995),
    Outside(kind="outside", margin=0.0),
    SeparationBelow(kind="separation", minimum=0.9),
]


@pytest.mark.parametrize("criterion", LIMITS, ids=lambda one: one.kind)
def test_a_try_that_is_aborted_ends_at_the_same_step(criterion):
    configuration = session("demo", 4, abort=(criterion,))
    flights = [fly(configuration, stretches) for stretches in (False, True)]
    assert_same(*flights)
