"""The engine's invariants: the same bits for the same seed, the plan's criteria, nothing of the actual in flight/."""

import json
from dataclasses import asdict, replace

import numpy as np
import pytest

from testbed.description.locate import locate
from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S, TICK_NS
from testbed.plan.commands import SessionPhase
from testbed.plan.configuration import Configuration, load_configuration
from testbed.plan.results import Verdict
from testbed.record.load import load
from testbed.rehearsal.build import actual, build_plant
from testbed.rehearsal.flight import flight_arrays
from testbed.rehearsal.lockstep import LockstepRehearsal, rehearse_in_engine
from testbed.rehearsal.wiring import STEP_TICKS, plant_arrays
from testbed.report.session import judge
from tests.nodes.sessions import SMALL_PLANS


def small(name="one", seed=None):
    return load_configuration(SMALL_PLANS / f"{name}.yaml", seed)


def to_the_end(rehearsal):
    while not rehearsal.sequence.finished:
        rehearsal.step()
    return rehearsal


def bits(rehearsal):
    """Everything that a rehearsal has computed, as bytes."""
    arrays = (*rehearsal.plant_arrays, *rehearsal.flight, *rehearsal.wires, *rehearsal.tape)
    return b"".join(array.tobytes() for array in arrays)


@pytest.fixture(scope="module")
def flown(tmp_path_factory):
    """One small session with its recording."""
    folder = tmp_path_factory.mktemp("one")
    return rehearse_in_engine(small(), folder / "recording"), load(folder / "recording")


def test_the_same_plan_and_seed_give_the_same_bits():
    first, second = LockstepRehearsal(small("two")), LockstepRehearsal(small("two"))
    for step in range(40):
        for one in (first, second):
            one.step()
        assert bits(first) == bits(second), f"they part in step {step}"


def test_a_rehearsal_is_not_disturbed_by_another_one_beside_it():
    alone = LockstepRehearsal(small())
    for _ in range(30):
        alone.step()
    beside, other = LockstepRehearsal(small()), LockstepRehearsal(small("two"))
    for _ in range(30):
        other.step()
        beside.step()
    assert bits(alone) == bits(beside)


def test_recordings_of_the_same_session_are_the_same_file(tmp_path):
    for name in ("first", "second"):
        rehearse_in_engine(small(), tmp_path / name / "recording")
    first, second = (tmp_path / name / "recording" / "recording_0.mcap" for name in ("first", "second"))
    assert first.read_bytes() == second.read_bytes()


def test_another_seed_gives_other_noise_but_the_same_plan():
    one, other = LockstepRehearsal(small(seed=3)), LockstepRehearsal(small(seed=4))
    for rehearsal in (one, other):
        for _ in range(10):
            rehearsal.step()
    assert not np.array_equal(one.tape.imu["angular_velocity"], other.tape.imu["angular_velocity"])
    assert one.configuration.plan == other.configuration.plan


def test_first_float_passes():
    sequence = rehearse_in_engine(load_configuration(locate("plans/first-float.yaml")), None)
    assert sequence.passed
    assert [result.tries[-1].verdict for result in sequence.results] == [Verdict.PASSED]


def test_a_plan_that_asks_too_much_fails_and_still_ends(tmp_path):
    sequence = rehearse_in_engine(small("failing"), None)
    assert sequence.finished
    assert not sequence.passed


def test_progress_is_shown_and_time_grows():
    shown = []
    rehearse_in_engine(small(), None, shown.append)
    assert shown
    assert [state.stamp for state in shown] == sorted({state.stamp for state in shown})


# ---- wiring: what one step puts on the tape


def test_a_step_holds_every_message_at_its_rate_and_none_twice():
    rehearsal = LockstepRehearsal(small())
    seen = {"imu": [], "truth": [], "odometry": [], "wrench": [], "reference": []}
    for _ in range(20):
        rehearsal.step()
        for name, stamps in seen.items():
            column = ("imu", "odometry", "truth", "wrench", "reference").index(name)
            stamps += getattr(rehearsal.tape, name)[0, : rehearsal.tape.counts[0, column]]["stamp"].tolist()
    every = {name: np.diff(stamps) for name, stamps in seen.items()}
    assert set(every["imu"]) == {TICK_NS}
    assert set(every["truth"]) == set(every["odometry"]) == {2 * TICK_NS}
    assert set(every["wrench"]) == {4 * TICK_NS, 6 * TICK_NS}, "the first odometry in each 50 ms"
    assert set(every["reference"]) == {10 * TICK_NS}


def test_a_step_goes_on_by_a_tenth_of_a_second():
    rehearsal = LockstepRehearsal(small())
    assert rehearsal.stamp == LOCKSTEP_START_NS
    rehearsal.step()
    assert rehearsal.stamp == LOCKSTEP_START_NS + STEP_TICKS * TICK_NS == LOCKSTEP_START_NS + NS_PER_S // 10


def test_the_loop_works_on_the_plant_s_own_arrays():
    plant, _ = build_plant(small())
    for array, own in zip(
        plant_arrays(plant), (plant.world, plant.vehicles, plant.world_state, plant.states), strict=True
    ):
        assert array is own


def test_valves_stay_closed_while_the_session_does_not_permit():
    rehearsal = LockstepRehearsal(small())
    while not rehearsal.commands.state.permit:
        rehearsal.step()
        assert not rehearsal.plant.states["commanded"].any()
    while rehearsal.commands.state.phase is not SessionPhase.RUNNING:
        rehearsal.step()


# ---- believed and actual


def with_actual(configuration: Configuration) -> LockstepRehearsal:
    """The same session, except that what it is in truth is far from what its files say."""
    vehicles = {
        name: one.model_copy(
            update={
                "floor": one.floor.model_copy(update={"mass": 1.3 * one.floor.mass}),
                "thrusters": one.thrusters.model_copy(
                    update={
                        "valves": tuple(v.model_copy(update={"thrust": 0.8 * v.thrust}) for v in one.thrusters.valves)
                    }
                ),
            }
        )
        for name, one in configuration.vehicles.items()
    }
    return LockstepRehearsal(configuration, actual(replace(configuration, vehicles=vehicles)))


def test_what_is_actual_never_reaches_flight():
    """Plant heavier and weaker than believed: the flight side is built of the very same parameters."""
    believed = LockstepRehearsal(small())
    changed = with_actual(small())
    assert believed.plant_arrays.vehicles.tobytes() != changed.plant_arrays.vehicles.tobytes()
    for name in ("estimator", "guidance", "driver", "modulation_period"):
        assert getattr(believed.flight, name).tobytes() == getattr(changed.flight, name).tobytes(), name


def test_the_draws_of_a_seed_change_the_plant_and_no_parameter_of_flight():
    first, second = LockstepRehearsal(small(seed=1)), LockstepRehearsal(small(seed=2))
    assert first.plant_arrays.vehicles.tobytes() != second.plant_arrays.vehicles.tobytes(), "gyro bias, thrust, ..."
    for one, other in zip(first.flight, second.flight, strict=True):
        if one is not first.flight.estimator_state:  # which has taken its first gyro sample
            assert one.tobytes() == other.tobytes()


def test_flight_is_built_from_descriptions_alone():
    """No plant, draws or seed go in; the same descriptions with another seed give the same arrays."""
    for one, other in zip(flight_arrays(small(seed=1)), flight_arrays(small(seed=2)), strict=True):
        assert one.tobytes() == other.tobytes()


def test_a_plant_that_is_not_as_believed_moves_otherwise():
    """So the test above would notice: the change is not without effect."""
    believed, changed = LockstepRehearsal(small()), with_actual(small())
    for rehearsal in (believed, changed):
        to_the_end(rehearsal)
    assert believed.plant_arrays.states.tobytes() != changed.plant_arrays.states.tobytes()
    for name in ("estimator", "guidance", "driver"):
        assert getattr(believed.flight, name).tobytes() == getattr(changed.flight, name).tobytes(), (
            "nor has it found out"
        )


# ---- the recording


def test_a_recording_of_the_engine_can_be_read_and_judged_again_with_the_same_values(flown):
    sequence, recording = flown
    assert not recording.cut
    session = judge(recording)
    assert session.disagreements == ()
    for result, outcome in zip(sequence.results, session.runs, strict=True):
        for kept, again in zip(result.tries, outcome.tries, strict=True):
            assert kept.verdict == again.verdict
            assert [asdict(one) for one in kept.criteria] == [asdict(one) for one in again.criteria]
            assert kept.criteria


def test_the_recording_holds_the_session_it_was_made_from(flown):
    _, recording = flown
    assert recording.configuration.plan_hash == small().plan_hash
    assert recording.configuration.seed == small().seed


def test_the_recording_holds_every_tick_and_every_decision(flown):
    _, recording = flown
    truth = recording.vehicles["wren"].truth["stamp"]
    assert truth[0] == LOCKSTEP_START_NS
    assert set(np.diff(truth)) == {2 * TICK_NS}
    assert [state.stamp for state in recording.states] == list(
        range(LOCKSTEP_START_NS, recording.states[-1].stamp + 1, STEP_TICKS * TICK_NS)
    )
    kinds = [event.kind for event in recording.events]
    assert kinds[0] == "session_started"
    assert kinds[-1] == "finished"
    assert recording.counts["/wren/imu"] == recording.counts["/clock"] == STEP_TICKS * (len(recording.states) - 1) + 1


def test_a_session_longer_than_what_is_kept_in_memory_is_written_in_pieces(tmp_path, monkeypatch):
    """Whatever the size of the pieces, the recording is the same."""
    from testbed.rehearsal import recording

    rehearse_in_engine(small(), tmp_path / "whole" / "recording")
    monkeypatch.setattr(recording, "FLUSH_NS", NS_PER_S)
    rehearse_in_engine(small(), tmp_path / "pieces" / "recording")
    whole, pieces = (load(tmp_path / name / "recording") for name in ("whole", "pieces"))
    assert whole.counts == pieces.counts
    for field in ("truth", "odometry", "wrench", "status", "pressure"):
        one, other = (getattr(loaded.vehicles["wren"], field) for loaded in (whole, pieces))
        assert one.tobytes() == other.tobytes(), field
    assert json.dumps([asdict(event) for event in whole.events]) == json.dumps([asdict(one) for one in pieces.events])
