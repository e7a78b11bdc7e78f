"""Speed of the engine with every vehicle's camera on: pictures rendered, and corners projected instead."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any, Final

from testbed.bench.figure import Figure, median
from testbed.description.messages import NS_PER_S, PERIOD_NS
from testbed.description.ticks import due
from testbed.plan.configuration import Configuration
from testbed.rehearsal.cameras import Cameras
from testbed.rehearsal.lockstep import LockstepRehearsal
from testbed.rehearsal.projected_cameras import ProjectedCameras

RENDERED: Final = 5.0
"""Emulated seconds flown with pictures."""
PROJECTED: Final = 60.0
"""Emulated seconds flown with corners, and with cameras off."""

Look = Callable[[int, int], Any]


def camera_speed(configuration: Configuration, repeats: int, tell: Callable[[str], None]) -> list[Figure]:
    """Fly the same session without cameras, with corners projected, with pictures rendered; nothing is recorded."""
    watched = with_cameras(configuration)
    ways: dict[str, tuple[Callable[[LockstepRehearsal], Look | None], float]] = {
        "cameras off": (lambda rehearsal: None, PROJECTED),
        "cameras on, corners projected": (
            lambda one: ProjectedCameras(watched, one.plant, one.draws).look,
            PROJECTED,
        ),
        "cameras on, pictures rendered": (lambda one: Cameras(watched, one.plant, one.draws).picture, RENDERED),
    }
    figures = []
    for way, (make, seconds) in ways.items():
        speeds = []
        for repeat in range(repeats):
            tell(f"engine: {way}, {repeat + 1} of {repeats}")
            speeds.append(_fly(watched, make, seconds))
        note = f"{len(watched.cameras_on())} cameras at 10 Hz over {seconds:.0f} s, median of {repeats}"
        what = f"engine, {configuration.plan.name} without recording, {way}"
        figures.append(Figure(what, median(speeds), "× real time", note=note))
    return figures


def with_cameras(configuration: Configuration) -> Configuration:
    """The same session with the camera of every vehicle that has one switched on."""
    planned = {
        name: one.model_copy(update={"camera": configuration.vehicles[name].camera is not None})
        for name, one in configuration.plan.vehicles.items()
    }
    return replace(configuration, plan=configuration.plan.model_copy(update={"vehicles": planned}))


def _fly(configuration: Configuration, make: Callable[[LockstepRehearsal], Look | None], seconds: float) -> float:
    """Emulated seconds a second, the first step left out: it loads kernels."""
    rehearsal = LockstepRehearsal(configuration)
    look = make(rehearsal)
    cameras = [list(configuration.vehicles).index(name) for name in configuration.cameras_on()]
    began, first = 0.0, 0
    while first == 0 or rehearsal.stamp - first < seconds * NS_PER_S:
        rehearsal.step()
        if look is not None and due(rehearsal.stamp, PERIOD_NS["camera"]):
            for index in cameras:
                look(index, rehearsal.stamp)
        if first == 0:
            began, first = time.perf_counter(), rehearsal.stamp
    return (rehearsal.stamp - first) / NS_PER_S / (time.perf_counter() - began)
