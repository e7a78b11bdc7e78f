"""The live graph in lockstep and the engine give the same numbers for the same plan and seed, message for message."""

import signal
import time
from dataclasses import asdict
from itertools import cycle

import numpy as np
import pytest

from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S, PERIOD_NS
from testbed.plan.configuration import load_configuration
from testbed.record.load import load
from testbed.record.reader import RecordingReader
from testbed.record.types import deserialize, serialize
from testbed.rehearsal.lockstep import rehearse_in_engine
from tests.graph.session import PLANS, Session

SAME = 1e-9
PLANS_FLOWN = ("one", "two", "own", "faults", "reported", "formation", "near")


@pytest.fixture(scope="module", params=PLANS_FLOWN)
def both(request, tmp_path_factory):
    """Recordings of one plan: from the graph as fast as it goes, and from the engine."""
    folder = tmp_path_factory.mktemp(request.param)
    with Session(request.param, folder / "graph", "--speed", "0") as session:
        assert session.end() == 0, session.output + session.logs()
    rehearse_in_engine(load_configuration(PLANS / f"{request.param}.yaml"), folder / "engine" / "recording")
    return load(folder / "graph" / "recording"), load(folder / "engine" / "recording")


def fields(records, until):
    """Columns of records up to a stamp: the engine ends at its last step, the graph a little later."""
    kept = records[records["stamp"] <= until]
    return {name: kept[name] for name in kept.dtype.names}


def decided(recording):
    """Events of each who tells any, but those that say which services were called: in the engine nobody calls any.

    Several processes tell on one topic: whose event of the same tick is written down first is left to chance.
    """
    told = {}
    for one in recording.events:
        if one.kind != "requested":
            own = one.data.get("vehicle") if one.kind in ("guard", "separation", "valve") else None
            teller = own or ("formation" if one.kind == "formation" else "conductor")
            told.setdefault(teller, []).append(asdict(one))
    return told


@pytest.mark.parametrize("topic", ["truth", "odometry", "reference", "wrench", "bias", "disturbance", "pressure"])
def test_streams_agree(both, topic):
    graph, engine = both
    for name in engine.vehicles:
        expected, found = (
            fields(getattr(one.vehicles[name], topic), engine.states[-1].stamp) for one in (engine, graph)
        )
        assert np.array_equal(found["stamp"], expected["stamp"])
        assert len(found["stamp"]) > 10
        for field, values in expected.items():
            assert np.abs(found[field] - values).max() <= SAME, f"{name} {topic} {field}"


def test_valves_open_and_close_at_the_same_nanosecond(both):
    graph, engine = both
    for name in engine.vehicles:
        expected, found = (one.vehicles[name].valves for one in (engine, graph))
        until = engine.states[-1].stamp
        for one in (expected, found):
            assert one.names == expected.names
        assert np.array_equal(found.stamps[found.stamps <= until], expected.stamps[expected.stamps <= until])
        assert np.array_equal(found.open[found.stamps <= until], expected.open[expected.stamps <= until])
        assert expected.edges() > 10


def test_the_conductor_decides_the_same_at_the_same_ticks(both):
    graph, engine = both
    assert decided(graph) == decided(engine)
    shown = len(engine.states)
    assert [asdict(one) for one in graph.states[:shown]] == [asdict(one) for one in engine.states]


def test_the_guard_does_the_same_and_tells_it(both):
    """One plan asks for more speed than the limit less the doubt about it; the others stay out of the guard's way."""
    graph, engine = (
        [[event for event in decided(one).get(name, []) if event["kind"] == "guard"] for name in one.vehicles]
        for one in both
    )
    assert graph == engine
    plan = both[1].configuration.plan.name
    assert {(event["data"]["limit"], event["data"]["done"]) for one in engine for event in one} == (
        {("speed", "trimmed")} if plan == "one" else set()
    )


def test_the_safety_filters_do_the_same_and_tell_it(both):
    """One plan brings two vehicles nearer to each other than they let pass; the others stay out of their way."""
    graph, engine = (
        {name: [one for one in decided(flown).get(name, []) if one["kind"] == "separation"] for name in flown.vehicles}
        for flown in both
    )
    assert graph == engine
    provoked = {name for name, events in engine.items() if events}
    assert provoked == ({"wren", "siskin"} if both[1].configuration.plan.name == "near" else set())


def test_the_driver_finds_the_same_stuck_valves(both):
    """Where valves are reported; the plan has one that sticks closed, and another that sticks open for two seconds."""
    graph, engine = (
        [event["data"] for event in decided(one).get("wren", []) if event["kind"] == "valve"] for one in both
    )
    assert graph == engine
    stuck = both[1].configuration.plan.name == "reported"
    assert [(one["valve"], one["condition"]) for one in engine] == stuck * [
        ("front_right_side", "stuck_closed"), ("back_left_side", "stuck_open"), ("back_left_side", "sound")
    ]  # fmt: skip


def test_criteria_come_to_the_same_values(both):
    graph, engine = both
    values = [
        {
            (event.data["name"], event.data["vehicle"]): event.data["value"]
            for event in one.events
            if event.kind == "criterion"
        }
        for one in both
    ]
    assert values[0].keys() == values[1].keys()
    assert len(values[0]) >= 3
    for key, value in values[1].items():
        assert value is None or abs(values[0][key] - value) <= SAME, key
    assert graph.contacts == engine.contacts


def test_no_tick_is_lost(both):
    graph, engine = both
    reader = RecordingReader(graph.folder)
    for name in graph.vehicles:
        for topic in ("imu", "odometry", "truth"):
            stamps = np.unique(reader.channels[f"/{name}/{topic}"].publish_times)
            assert stamps[0] == LOCKSTEP_START_NS
            assert (np.diff(stamps) == PERIOD_NS[topic]).all()
            assert stamps[-1] >= engine.states[-1].stamp


def test_what_is_repeated_is_repeated_unchanged(both):
    """The plant may ask for a tick again; then everything it and its followers send again is the same."""
    graph, _ = both
    reader = RecordingReader(graph.folder)
    for topic in STAMPED:
        for name in graph.vehicles:
            channel = reader.channels[f"/{name}/{topic}"]
            seen = {}
            for index, stamp in enumerate(channel.publish_times.tolist()):
                data = canonical(channel, index)
                assert seen.setdefault(stamp, data) == data, f"{name} {topic} at {stamp}"


STAMPED = ("imu", "truth", "ranges", "odometry", "wrench", "reference", "valves/schedule")
BYTES = (*STAMPED, "estimate/bias", "estimate/disturbance", "estimate/innovations", "supply/pressure")
BYTES += ("supply/temperature", "battery", "place", "maneuver", "maneuver/status", "valves/state")


@pytest.mark.parametrize("topic", [*BYTES, "/air/temperature", "/contacts", "/plan/state", "/plan/events", "/clock"])
def test_messages_are_the_same_byte_for_byte(both, topic):
    """The engine writes what the nodes send: the same types, frames, names and numbers."""
    graph, engine = both
    names = [topic] if topic.startswith("/") else [f"/{name}/{topic}" for name in engine.vehicles]
    readers = RecordingReader(graph.folder), RecordingReader(engine.folder)
    for name in names:
        found, expected = (distinct(reader.channels[name], engine.states[-1].stamp - NS_PER_S) for reader in readers)
        assert readers[0].channels[name].type == readers[1].channels[name].type
        missing = [one for one in expected if one not in found]
        assert not missing, f"{name}: {len(missing)} of {len(expected)} differ, the first: {missing[0][:200]!r}"
        if topic in STAMPED:
            assert len(found) == len(expected), f"{name}: the graph sends more"


def test_what_partners_hear_by_radio_is_the_same_byte_for_byte(both):
    graph, engine = both
    readers, until = (RecordingReader(graph.folder), RecordingReader(engine.folder)), engine.states[-1].stamp
    names = list(engine.vehicles)
    for name in names:
        for partner in names:
            topic = f"/{name}/partners/{partner}/odometry"
            if partner == name:
                assert not any(topic in reader.channels for reader in readers)
                continue
            found, expected = (list(distinct(reader.channels[topic], until - NS_PER_S)) for reader in readers)
            assert found == expected
            assert len(expected) > 20
        topic = f"/{name}/partners/heard"
        if len(names) == 1:
            assert not any(topic in reader.channels for reader in readers)
            continue
        found, expected = (list(distinct(reader.channels[topic], until - NS_PER_S)) for reader in readers)
        assert found == expected


def test_what_formations_are_told_is_the_same_byte_for_byte(both):
    graph, engine = both
    readers, until = (RecordingReader(graph.folder), RecordingReader(engine.folder)), engine.states[-1].stamp
    planned = {name for formation in graph.configuration.plan.formations.values() for name in formation.vehicles}
    for name in graph.configuration.vehicles:
        channels = [reader.channels.get(f"/{name}/trajectory") for reader in readers]
        if name not in planned:
            assert not any(channel is not None and len(channel) for channel in channels)
            continue
        found, expected = (list(distinct(channel, until - NS_PER_S)) for channel in channels)
        assert found == expected
        assert len(expected) > 20
    assert bool(planned) == ("formation" in decided(graph))


@pytest.mark.parametrize("topic", ["camera/image_raw", "camera/camera_info"])
def test_pictures_are_the_same_byte_for_byte(both, topic):
    graph, engine = both
    readers = RecordingReader(graph.folder), RecordingReader(engine.folder)
    until = engine.states[-1].stamp
    for name in graph.configuration.vehicles:
        channels = [reader.channels.get(f"/{name}/{topic}") for reader in readers]
        if name not in graph.configuration.cameras_on():
            assert not any(channel is not None and len(channel) for channel in channels), "nobody takes pictures"
            continue
        found, expected = (distinct(channel, until) for channel in channels)
        assert len(expected) == 1 + (until - LOCKSTEP_START_NS) // PERIOD_NS["camera"]
        assert list(found) == list(expected)


def distinct(channel, until):
    """Every message once, up to a stamp: the graph goes on for a moment after the session's end, and sends more."""
    early = np.flatnonzero(channel.publish_times <= until)
    return dict.fromkeys(canonical(channel, index) for index in early.tolist())


def canonical(channel, index):
    """Once through another library: rclpy leaves whatever was there between the fields and behind the message."""
    return serialize(deserialize(channel.data(index), channel.type), channel.type)


@pytest.mark.parametrize("plan", ["two", "own", "reported", "formation"])
def test_pauses_of_any_process_change_nothing(tmp_path, plan):
    """Whoever is held up is asked again after 50 ms; neither the question nor the answer may count twice."""
    with Session(plan, tmp_path / "graph", "--speed", "4") as session:
        session.until_running()
        for name in cycle(session.pids()):
            session.send(name, signal.SIGSTOP)
            time.sleep(0.12)
            session.send(name, signal.SIGCONT)
            time.sleep(0.05)
            if session.process.poll() is not None or not session.pids():
                break
        assert session.end() == 0, session.output + session.logs()
    rehearse_in_engine(load_configuration(PLANS / f"{plan}.yaml"), tmp_path / "engine" / "recording")
    graph, engine = (load(tmp_path / name / "recording") for name in ("graph", "engine"))
    clock = RecordingReader(graph.folder).channels["/clock"]
    assert len(clock) > len(np.unique(clock.publish_times)), "no tick was repeated, so this shows nothing"
    for name, one in engine.vehicles.items():
        for topic in ("truth", "odometry", "reference", "wrench", "pressure"):
            both_ways = one, graph.vehicles[name]
            expected, found = (fields(getattr(each, topic), engine.states[-1].stamp) for each in both_ways)
            for field, values in expected.items():
                assert np.array_equal(found[field], values), f"{name} {topic} {field}"
    assert decided(graph) == decided(engine)
