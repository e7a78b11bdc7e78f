"""Latency of the live loop, beside a bare chain of the same hops and less what the components themselves compute."""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any, Final

import numpy as np

from testbed.bench.feed import record_feed
from testbed.bench.figure import Figure, median, percentile
from testbed.bench.processes import MeasurementError, session
from testbed.description.messages import NS_PER_S
from testbed.plan.configuration import Configuration

LOOP_BOUND: Final = 1.5
"""Largest ratio of the live loop, beyond its components' own compute, to the bare chain, at the median (issue 2)."""
LOST_AT_MOST: Final = 0.05
"""Share of schedules that may be missing, as best effort allows on a busy machine, before nothing counts."""
STARTUP: Final = 60.0


def live_loop(plan: Path, configuration: Configuration, seconds: float, tell: Callable[[str], None]) -> list[Figure]:
    """Feed the first vehicle of a plan for `seconds` of real time, the bare chain in turn with it.

    Raises:
        MeasurementError: a process failed, valves never opened, or too many schedules were lost.

    """
    vehicle = next(iter(configuration.vehicles))
    tell("flying the feed in the engine")
    chain = _chain(configuration, vehicle, seconds)
    with session() as here, ExitStack() as stack:
        parameters = ["--ros-args", "-r", f"__ns:=/{vehicle}", "-p", f"plan:={plan}"]
        stack.enter_context(here.running("vehicle", ["testbed", "node", "vehicle", *parameters]))
        stack.enter_context(here.running("bare", ["testbed.bench.loop.bare_chain", json.dumps(chain)]))
        answer = here.folder / "answer.json"
        arguments = ["testbed.bench.loop.probe", str(plan), vehicle, str(seconds), str(answer)]
        probe = stack.enter_context(here.running("probe", arguments))
        tell(f"live loop and bare chain in turn, {seconds:.0f} s")
        here.wait_for("probe", probe, seconds + STARTUP)
        return figures(json.loads(answer.read_text()))


def figures(found: dict[str, Any]) -> list[Figure]:
    """The table's rows from what the probe has written."""
    answered = len(found["live"])
    if not found["opened"]:
        raise MeasurementError("the vehicle never opened a valve, so this was not the live loop")
    if answered < (1.0 - LOST_AT_MOST) * found["due"]:
        raise MeasurementError(f"only {answered} of {found['due']} schedules came back")
    live, bare, direct = (1e-6 * np.array(found[key]) for key in ("live", "bare", "direct"))
    cycle = np.array(found["cycle"])
    name = "bare rclpy chain"
    ratio = (median(live) - median(direct)) / median(bare)
    return [
        Figure(
            "live loop, p50", median(live), "ms", median(bare), name, note=f"{answered} of {found['due']} schedules"
        ),
        Figure("live loop, p99", percentile(live, 99), "ms", percentile(bare, 99), name),
        Figure("live loop after a beacon cycle, p50", median(live[cycle]), "ms", median(bare[cycle]), name),
        Figure(
            "live loop after a beacon cycle, p99", percentile(live[cycle], 99), "ms", percentile(bare[cycle], 99), name
        ),
        Figure("components called directly, p50", median(direct), "ms"),
        Figure("components called directly, p99", percentile(direct, 99), "ms"),
        Figure("live loop less components / bare chain, p50", ratio, "×", at_most=LOOP_BOUND),
    ]


def _chain(configuration: Configuration, vehicle: str, seconds: float) -> dict[str, Any]:
    """What the bare chain needs to send messages of the same sizes."""
    thrusters = configuration.vehicles[vehicle].thrusters
    feed = record_feed(configuration, vehicle, seconds)
    sizes = [int(one[0]["count"]) for at, one in feed.schedules.items() if at > feed.permitted_from]
    return {
        "valves": [valve.name for valve in thrusters.valves],
        "points": sizes,
        "modulation": round(thrusters.modulation_period * NS_PER_S),
        "lead": round(thrusters.schedule_lead * NS_PER_S),
    }
