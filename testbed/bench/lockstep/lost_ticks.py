"""Counts ticks that somebody due has not answered, from a recording in lockstep."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from testbed.description.messages import NS_PER_S, PERIOD_NS, TICK_NS
from testbed.description.ticks import due, schedule_due, wrench_due
from testbed.plan.configuration import Configuration
from testbed.record.reader import RecordingReader
from testbed.record.types import deserialize


def lost_ticks(recording: Path, configuration: Configuration) -> tuple[int, int]:
    """How many ticks there were, and how many are missing on `/clock`, `imu` or somebody's `/clock/done`.

    The last emulated second is left out, in which the session was ended.
    """
    reader = RecordingReader(recording)
    stamps = np.unique(reader.channels["/clock"].publish_times)
    ticks = np.arange(stamps[0], stamps[-1] - NS_PER_S, TICK_NS)
    expected = {"/clock": ticks, **{f"/{name}/imu": ticks for name in configuration.vehicles}}
    lost = set[int]()
    for topic, due_ticks in expected.items():
        lost.update(_missing(due_ticks, reader.channels[topic].publish_times))
    done: dict[str, list[int]] = {}
    for message in reader.messages(["/clock/done"]):
        follower = deserialize(message.data, message.type).frame_id
        done.setdefault(follower, []).append(message.publish_time)
    for follower, due_ticks in _due(ticks, configuration).items():
        lost.update(_missing(due_ticks, np.array(done.get(follower, []), np.int64)))
    return len(ticks), len(lost)


def _missing(due_ticks: NDArray[np.int64], found: NDArray[np.int64]) -> list[int]:
    return np.setdiff1d(due_ticks, found).tolist()


def _due(ticks: NDArray[np.int64], configuration: Configuration) -> dict[str, NDArray[np.int64]]:
    """The ticks that each follower has to answer."""
    wrench = np.array([wrench_due(tick) for tick in ticks.tolist()])
    odometry = np.array([due(tick, PERIOD_NS["odometry"]) for tick in ticks.tolist()])
    answers = {"/conductor": ticks[[due(tick, PERIOD_NS["/plan/state"]) for tick in ticks.tolist()]]}
    for name, vehicle in configuration.vehicles.items():
        modulation = round(vehicle.thrusters.modulation_period * NS_PER_S)
        answers[f"/{name}/estimator"] = ticks[odometry]
        answers[f"/{name}/guidance"] = ticks[wrench]
        answers[f"/{name}/thruster_driver"] = ticks[[schedule_due(tick, modulation) for tick in ticks.tolist()]]
    return answers
