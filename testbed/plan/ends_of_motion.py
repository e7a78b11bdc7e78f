"""Where vehicles end up after a stop or a hold, for events and for people."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from testbed.description.messages import ODOMETRY
from testbed.flight.prediction import HORIZON, Coast, Halt, Prediction
from testbed.plan.abort import has_fix
from testbed.plan.configuration import Configuration

Ends = Mapping[str, Mapping[str, Any] | None]
"""What is predicted of each vehicle; None where it has no fix."""
UNKNOWN: Final = "has no fix: it coasts, and where it ends up is unknown"
TRACK_POINTS: Final = 25
"""Points of a coast's track that an event carries."""


class EndsOfMotion:
    """Predicts for every vehicle of a session, from its estimate; prepared before it is needed in a hurry."""

    def __init__(self, configuration: Configuration) -> None:
        self._predictions = {
            name: Prediction(vehicle, configuration.room) for name, vehicle in configuration.vehicles.items()
        }
        # Once now, so that nothing is compiled or loaded when somebody asks for a stop.
        at_rest = np.zeros(1, ODOMETRY)
        at_rest["orientation"][:, 3] = 1.0
        anywhere = dict.fromkeys(self._predictions, at_rest[0])
        self.after_stop(anywhere)
        self.after_hold(anywhere)

    def after_stop(self, odometry: Mapping[str, Any]) -> Ends:
        """By vehicle, with valves closed: x, y where it touches the edge after `time` s, or where it is at the horizon.

        time is None where no edge is reached within the horizon; track: x, y points, m. Without a fix: None.
        """
        return {
            name: _coast(self._predictions[name].stop(_array(one))) if has_fix(one) else None
            for name, one in odometry.items()
        }

    def after_hold(self, odometry: Mapping[str, Any]) -> Ends:
        """By vehicle, braking under control: time s, distance m, and x, y where it comes to rest, m.

        Without a fix guidance asks for nothing, so the vehicle coasts to nobody knows where: None.
        """
        return {
            name: _halt(self._predictions[name].hold(_array(one))) if has_fix(one) else None
            for name, one in odometry.items()
        }


def told_stop(ends: Ends) -> str:
    """The coasts in words."""
    return "; ".join(
        f"{name} {UNKNOWN}"
        if end is None
        else f"{name} is at ({end['x']:.2f}, {end['y']:.2f}) after {HORIZON:.0f} s, touching nothing"
        if end["time"] is None
        else f"{name} reaches the edge at ({end['x']:.2f}, {end['y']:.2f}) in {end['time']:.0f} s"
        for name, end in ends.items()
    )


def told_hold(ends: Ends) -> str:
    """The halts in words."""
    return "; ".join(
        f"{name} {UNKNOWN}"
        if end is None
        else f"{name} rests at ({end['x']:.2f}, {end['y']:.2f}) in {end['time']:.1f} s after {end['distance']:.2f} m"
        for name, end in ends.items()
    )


def _halt(halt: Halt) -> dict[str, Any]:
    x, y = (float(value) for value in halt.position[:2])
    return {"time": halt.time, "distance": halt.distance, "x": x, "y": y}


def _array(record: Any) -> Any:
    """One ODOMETRY record as an array of shape (1,)."""
    array = np.zeros(1, ODOMETRY)
    array[0] = record
    return array


def _coast(coast: Coast) -> dict[str, Any]:
    x, y = (float(value) for value in coast.track[-1][:2])
    every = max(1, math.ceil(len(coast.track) / TRACK_POINTS))
    points = [*coast.track[::every], coast.track[-1]]
    return {
        "x": x,
        "y": y,
        "time": None if math.isinf(coast.time_to_edge) else coast.time_to_edge,
        "track": [[round(float(value), 4) for value in point[:2]] for point in points],
    }
