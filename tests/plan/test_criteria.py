"""Criteria on made-up samples whose results can be worked out by hand."""

import math

import numpy as np
import pytest

from testbed.flight.formation import Zone
from testbed.plan.criteria import evaluate, window
from testbed.plan.criteria_schema import (
    AttitudeError,
    ContactForce,
    GasUsed,
    KeptOut,
    PositionError,
    Separation,
    Window,
)
from testbed.plan.formatting import sign
from testbed.plan.keep_out import KeepOut
from testbed.plan.observation import Contact
from testbed.plan.poses import PlannedPose
from testbed.plan.samples import GAS, TrySamples
from testbed.plan.track import TRACK

START, END = 10_000_000_000, 20_000_000_000
HOME = PlannedPose((0.0, 0.0, 0.45), (0.0, 0.0, 0.0, 1.0))


def track(times, x, y=0.0, heading=0.0, z=0.45):
    """Samples at `times` s after the start; x, y, heading may be arrays."""
    samples = np.zeros(len(times), TRACK)
    samples["stamp"] = START + np.round(np.asarray(times) * 1e9).astype(np.int64)
    samples["position"] = np.column_stack([np.broadcast_to(value, len(times)) for value in (x, y, z)])
    half = np.broadcast_to(np.asarray(heading) / 2, len(times))
    samples["orientation"] = np.column_stack([0 * half, 0 * half, np.sin(half), np.cos(half)])
    return samples


TIMES = np.arange(0, 501) * 0.02
"""50 Hz over the whole try."""


def samples(**changes) -> TrySamples:
    given = {"truth": {"a": track(TIMES, 0.0)}, "goals": {"a": HOME}}
    return TrySamples(start=START, end=END, dimensions=2, **{**given, **changes})


def position(**changes) -> PositionError:
    return PositionError(**{"kind": "position_error", "name": "near", "limit": 0.05, **changes})


def one(criterion, tried: TrySamples):
    (result,) = evaluate([criterion], tried)
    return result


def seconds(stamp: int) -> float:
    return (stamp - START) / 1e9


def test_the_largest_distance_to_the_goal_and_its_time_are_found():
    x = np.where(TIMES == 7.0, 0.03, 0.0)
    result = one(position(), samples(truth={"a": track(TIMES, x, 0.04 * (x > 0))}))
    assert result.value == pytest.approx(0.05)
    assert seconds(result.stamp) == pytest.approx(7.0)
    assert result.passed, "a limit that is just reached is met"


def test_the_height_does_not_count_on_the_table_but_in_the_cabin():
    raised = {"truth": {"a": track(TIMES, 0.0, z=0.75)}}
    assert one(position(), samples(**raised)).value == pytest.approx(0.0)
    three = TrySamples(start=START, end=END, dimensions=3, goals={"a": HOME}, **raised)
    assert one(position(), three).value == pytest.approx(0.3)


@pytest.mark.parametrize(
    ("asked", "worst"),
    [(None, 0.10), ({"last": 2.0}, 0.02), ({"begin": 2.0, "end": 5.0}, 0.08), ({"last": 100.0}, 0.10)],
    ids=["whole", "last", "from-to", "longer than the try"],
)
def test_only_the_window_counts(asked, worst):
    """A vehicle that comes nearer by 1 cm each second."""
    tried = samples(truth={"a": track(TIMES, 0.10 - 0.01 * TIMES)})
    criterion = position(limit=1.0, window=asked and Window(**asked))
    assert one(criterion, tried).value == pytest.approx(worst)


def test_the_window_includes_both_its_ends():
    low, high = window(position(window=Window(begin=1.0, end=2.0)), START, END)
    assert (seconds(low), seconds(high)) == (1.0, 2.0)


def test_samples_outside_the_try_do_not_count():
    x = np.zeros(503)
    x[0] = x[-1] = 9.0
    assert one(position(), samples(truth={"a": track(np.arange(-1, 502) * 0.02, x)})).value == 0.0


def test_the_moving_reference_is_compared_at_its_own_stamps():
    """Truth lags a reference that moves at 0.1 m/s by 0.2 s: 2 cm. It is given off the stamps of truth."""
    at = np.arange(0, 100) * 0.1 + 0.013
    tried = samples(truth={"a": track(TIMES, 0.1 * TIMES)}, reference={"a": track(at, 0.1 * at + 0.02)})
    result = one(position(against="reference"), tried)
    assert result.value == pytest.approx(0.02)


def test_a_reference_that_was_never_seen_is_not_a_pass():
    result = one(position(against="reference"), samples())
    assert (result.value, result.passed, result.note) == (None, False, "no samples in the window")


def test_a_vehicle_that_was_never_seen_is_not_a_pass():
    assert not one(position(), samples(truth={})).passed


def test_a_gap_in_the_samples_is_not_a_pass():
    kept = TIMES[(TIMES < 4.0) | (TIMES > 4.8)]
    result = one(position(), samples(truth={"a": track(kept, 0.0)}))
    assert not result.passed
    assert result.note == "no samples for 0.84 s"


def test_samples_that_end_before_the_window_are_not_a_pass():
    result = one(position(), samples(truth={"a": track(TIMES[TIMES < 9.0], 0.0)}))
    assert not result.passed


def test_a_position_that_is_no_number_is_not_a_pass():
    result = one(position(), samples(truth={"a": track(TIMES, np.where(TIMES == 5.0, np.nan, 0.0))}))
    assert (result.value, result.passed, result.note) == (None, False, "not a finite number")


def test_each_vehicle_is_judged_by_itself():
    tried = samples(
        truth={"a": track(TIMES, 0.01), "b": track(TIMES, 0.2)},
        goals={"a": HOME, "b": HOME},
    )
    assert [(result.vehicle, result.passed) for result in evaluate([position()], tried)] == [("a", True), ("b", False)]
    assert [result.vehicle for result in evaluate([position(vehicles=("b",))], tried)] == ["b"]


@pytest.mark.parametrize("sign", [1.0, -1.0], ids=["same quaternion", "opposite quaternion"])
def test_the_angle_to_the_goal_goes_the_short_way_round(sign):
    turned = track(TIMES, 0.0, heading=math.radians(-3.0))
    turned["orientation"] *= sign
    criterion = AttitudeError(kind="attitude_error", name="straight", limit_deg=2.0)
    result = one(criterion, samples(truth={"a": turned}))
    assert result.value == pytest.approx(3.0)
    assert not result.passed


def test_a_tiny_angle_is_not_lost_in_rounding():
    criterion = AttitudeError(kind="attitude_error", name="straight", limit_deg=2.0)
    result = one(criterion, samples(truth={"a": track(TIMES, 0.0, heading=1e-9)}))
    assert result.value == pytest.approx(math.degrees(1e-9), rel=1e-6)


def test_the_angle_to_a_moving_reference():
    heading = math.radians(6.0) * TIMES
    at = np.arange(0, 101) * 0.1
    criterion = AttitudeError(kind="attitude_error", name="follows", limit_deg=2.0, against="reference")
    tried = samples(
        truth={"a": track(TIMES, 0.0, heading=heading)},
        reference={"a": track(at, 0.0, heading=math.radians(6.0) * at + math.radians(1.5))},
    )
    assert one(criterion, tried).value == pytest.approx(1.5)


def separation(**changes) -> Separation:
    return Separation(**{"kind": "separation", "name": "apart", "minimum": 0.5, **changes})


def test_the_smallest_distance_of_the_closest_pair_is_found():
    """b passes a at 0.4 m after 5 s; c stays far away."""
    tried = samples(
        truth={
            "a": track(TIMES, 0.0),
            "b": track(TIMES, TIMES - 5.0, 0.4),
            "c": track(TIMES, 0.0, 9.0),
        },
        goals=dict.fromkeys("abc", HOME),
    )
    result = one(separation(), tried)
    assert (result.vehicle, seconds(result.stamp)) == ("a, b", 5.0)
    assert result.value == pytest.approx(0.4)
    assert not result.passed
    assert one(separation(vehicles=("c",)), tried).value == pytest.approx(8.6)


def test_vehicles_sampled_at_different_times_are_compared_at_the_same_time():
    """Two vehicles side by side at 1 m/s, 0.6 m apart; comparing nearest samples would be off by up to 1 cm."""
    at = TIMES + 0.01
    tried = samples(
        truth={"a": track(TIMES, TIMES), "b": track(at, at + 0.6)},
        goals=dict.fromkeys("ab", HOME),
    )
    assert one(separation(), tried).value == pytest.approx(0.6)


def test_a_pair_of_which_one_was_never_seen_is_not_a_pass():
    tried = samples(goals=dict.fromkeys("ab", HOME))
    assert not one(separation(), tried).passed


def test_touching_discs_at_the_same_place_are_at_distance_zero():
    tried = samples(truth=dict.fromkeys("ab", track(TIMES, 0.0)), goals=dict.fromkeys("ab", HOME))
    assert one(separation(), tried).value == 0.0


def gas(*pairs):
    """Pairs of time s and mass g."""
    return np.array([(START + round(time * 1e9), mass * 1e-3) for time, mass in pairs], GAS)


def test_gas_used_counts_from_the_last_sample_before_the_start():
    criterion = GasUsed(kind="gas_used", name="gas", limit_g=3.0)
    tank = gas((-0.5, 101.0), (-0.1, 100.0), (0.1, 99.0), (9.9, 97.5), (10.1, 90.0))
    result = one(criterion, samples(gas={"a": tank}))
    assert result.value == pytest.approx(2.5)
    assert result.passed


def test_gas_used_in_a_window():
    criterion = GasUsed(kind="gas_used", name="gas", limit_g=3.0, window=Window(begin=2.0, end=4.0))
    tank = gas((0.0, 100.0), (2.0, 98.0), (4.0, 93.0), (10.0, 90.0))
    result = one(criterion, samples(gas={"a": tank}))
    assert result.value == pytest.approx(5.0)
    assert not result.passed


@pytest.mark.parametrize(
    ("tank", "note"),
    [
        (gas(), "tank not measured at the beginning"),
        (gas((0.2, 100.0), (10.0, 99.0)), "tank not measured at the beginning"),
        (gas((0.0, 100.0), (9.0, 99.0)), "tank not measured at the end"),
    ],
)
def test_gas_that_was_not_measured_is_not_a_pass(tank, note):
    result = one(GasUsed(kind="gas_used", name="gas", limit_g=3.0), samples(gas={"a": tank}))
    assert (result.passed, result.note) == (False, note)


def test_the_hardest_contact_of_the_vehicles_meant_is_found():
    criterion = ContactForce(kind="contact_force", name="soft", limit=10.0)
    contacts = (
        Contact(START - 1, "a", "edge", 99.0, 0.1),
        Contact(START + 1, "a", "edge", 4.0, 0.1),
        Contact(START + 2, "b", "a", 12.0, 0.1),
        Contact(END + 1, "a", "edge", 99.0, 0.1),
    )
    tried = samples(contacts=contacts, goals=dict.fromkeys("ab", HOME))
    result = one(criterion, tried)
    assert (result.value, result.vehicle, result.stamp, result.passed) == (12.0, "b, a", START + 2, False)
    only_b = criterion.model_copy(update={"vehicles": ("b",), "limit": 12.0})
    assert one(only_b, tried).passed


def test_no_contact_is_a_force_of_zero():
    result = one(ContactForce(kind="contact_force", name="soft", limit=0.0), samples())
    assert (result.value, result.passed, result.stamp) == (0.0, True, None)


def test_whole_messages_do_as_well_as_their_tracks():
    from testbed.description import messages

    odometry = np.zeros(len(TIMES), messages.ODOMETRY)
    few = track(TIMES, 0.01 * TIMES)
    for name in TRACK.names:
        odometry[name] = few[name]
    assert evaluate([position()], samples(truth={"a": odometry})) == evaluate([position()], samples(truth={"a": few}))


def test_the_smallest_distance_of_a_body_to_a_zone_is_found():
    keep_out = KeepOut({"stand": Zone.ball((1.0, 0.0), 0.1)}, {"a": 0.2})
    x = np.where(TIMES == 6.0, 0.75, 0.3)
    criterion = KeptOut(kind="keep_out", name="clear")
    result = one(criterion, samples(truth={"a": track(TIMES, x)}, keep_out=keep_out))
    assert (result.value, seconds(result.stamp)) == (pytest.approx(-0.05), pytest.approx(6.0))
    assert not result.passed
    assert sign(result) == "≥"
    assert one(criterion, samples(truth={"a": track(TIMES, 0.3)}, keep_out=keep_out)).passed


def test_without_samples_nobody_kept_out_of_anything():
    keep_out = KeepOut({"stand": Zone.ball((1.0, 0.0), 0.1)}, {"a": 0.2})
    result = one(KeptOut(kind="keep_out", name="clear"), samples(truth={}, keep_out=keep_out))
    assert not result.passed
