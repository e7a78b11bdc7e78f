"""Cameras that a plan switches on and that cannot take pictures, and fiducials that they could mistake for others."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.util import find_spec

from testbed.description.camera import Dictionary
from testbed.description.errors import Problem
from testbed.plan.configuration import PLAN_ROLE, Configuration


def check(configuration: Configuration) -> Iterator[Problem]:
    """Look at each vehicle whose camera is on."""
    source, on = configuration.sources[PLAN_ROLE], configuration.cameras_on()
    for name in on:
        where = ("vehicles", name, "camera")
        if configuration.vehicles[name].camera is None:
            yield source.problem(where, True, f"false; {configuration.plan.vehicles[name].file} has no camera")
        if find_spec("cv2") is None:
            allowed = "false without OpenCV, which the extra `vision` brings: pip install 'testbed[vision]'"
            yield source.problem(where, True, allowed)
    if on:
        yield from _unique(configuration)


def _unique(configuration: Configuration) -> Iterator[Problem]:
    owners: dict[tuple[Dictionary, int], str] = {}
    for name, vehicle in configuration.vehicles.items():
        for index, fiducial in enumerate(vehicle.fiducials):
            owner = owners.setdefault((fiducial.dictionary, fiducial.id), name)
            if owner != name:
                source = configuration.sources[f"vehicles.{name}"]
                allowed = f"an id that {owner} does not use, for cameras are on"
                yield source.problem(("fiducials", index, "id"), fiducial.id, allowed)
