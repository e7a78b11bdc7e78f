"""What runs out while a session lasts: the carriages' air and the batteries."""

from __future__ import annotations

import math
from collections.abc import Iterator

from testbed.description.errors import Problem
from testbed.plan.checks.subject import Subject


def check(subject: Subject) -> Iterator[Problem]:
    """Compare the shortest the session can take, settling included and each run flown once, with both."""
    flown = sum(run.settle + times.duration for _, run, _, times in subject.runs)
    if not math.isfinite(flown):
        return
    table = subject.configuration.table
    if table is not None and flown > table.bearing_supply_time:
        source = subject.configuration.sources["table"]
        allowed = f"air for the whole plan, which takes at least {flown:.0f} s"
        yield source.problem(("bearing_supply_time",), table.bearing_supply_time, allowed)
    for name, vehicle in subject.configuration.vehicles.items():
        least = flown * vehicle.battery.idle_power
        if least > vehicle.battery.energy:
            source = subject.configuration.sources[f"vehicles.{name}"]
            allowed = f"energy for the whole plan, which takes at least {least:.0f} J with all valves closed"
            yield source.problem(("battery", "energy"), vehicle.battery.energy, allowed)
