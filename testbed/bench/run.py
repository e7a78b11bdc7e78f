"""All measures by name, in the order in which they are run."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Final

from testbed.bench.allocation import allocation_time
from testbed.bench.budget import budget
from testbed.bench.cameras import camera_speed
from testbed.bench.engine import engine_parts, engine_speed
from testbed.bench.figure import Figure
from testbed.bench.lockstep import lockstep_speed
from testbed.bench.loop import live_loop
from testbed.bench.plant import plant_scaling, plant_speed
from testbed.bench.processes import MeasurementError
from testbed.bench.recorder import recorder_rate
from testbed.bench.rehearsal import rehearsal_cost
from testbed.description.axes import CABIN_AXES, TABLE_AXES
from testbed.description.locate import locate
from testbed.plan.configuration import Configuration, load_configuration

DEMO: Final = "plans/demo.yaml"
SHORT: Final = "plans/first-float.yaml"
HOLD: Final = "plans/long-hold.yaml"

Tell = Callable[[str], None]
Measure = Callable[[Path, Configuration, Tell], list[Figure]]


def _engine(plan: Path, demo: Configuration, tell: Tell) -> list[Figure]:
    hold = load_configuration(locate(HOLD))
    figures = [figure for one in (demo, hold) for figure in engine_speed(one, 5, tell)]
    return figures + [figure for one in (demo, hold) for figure in engine_parts(one, 7, tell)]


def _allocation(plan: Path, demo: Configuration, tell: Tell) -> list[Figure]:
    vehicle = next(iter(demo.vehicles.values()))
    return [figure for axes in (TABLE_AXES, CABIN_AXES) for figure in allocation_time(vehicle, axes, 500, tell)]


def _plant(plan: Path, demo: Configuration, tell: Tell) -> list[Figure]:
    return plant_speed(demo, 20, 4.0, tell) + plant_scaling(demo, 10, tell)


MEASURES: Final[Mapping[str, Measure]] = {
    "engine": _engine,
    "cameras": lambda plan, demo, tell: camera_speed(demo, 3, tell),
    "plant": _plant,
    "allocation": _allocation,
    "budget": lambda plan, demo, tell: budget(load_configuration(locate(SHORT)), tell),
    "loop": lambda plan, demo, tell: live_loop(plan, demo, 40.0, tell),
    "rehearsal": lambda plan, demo, tell: rehearsal_cost(plan, demo, 15.0, tell),
    "lockstep": lambda plan, demo, tell: lockstep_speed(plan, demo, 25.0, tell),
    "recorder": lambda plan, demo, tell: recorder_rate(plan, demo, 3.0, tell),
}


def run(names: list[str], tell: Tell) -> tuple[list[Figure], list[str]]:
    """Run the measures of these names on the demo plan, one after the other; figures, and which failed and why."""
    plan = locate(DEMO)
    configuration = load_configuration(plan)
    figures, failures = list[Figure](), list[str]()
    for name in names:
        try:
            figures += MEASURES[name](plan, configuration, tell)
        except MeasurementError as error:
            failures.append(f"{name}: {error}")
    return figures, failures


def load_average() -> float:
    """How many processes wanted to run during the last minute; beyond the cores' number, figures are noisy."""
    return os.getloadavg()[0]
