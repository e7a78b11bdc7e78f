"""The cameras of a session that its plan switches on."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
from numpy.typing import NDArray

from testbed.description import messages
from testbed.description.messages import PERIOD_NS
from testbed.model.draws import Draws
from testbed.model.plant import Plant
from testbed.plan.configuration import Configuration
from testbed.rehearsal.build import actual

Picture = NDArray[np.uint8]
"""Grey levels, shape (height, width)."""


class Cameras:
    """Takes pictures of the plant; without a camera switched on it does nothing and never loads OpenCV.

    `indices`: which vehicles have one that is on, in the plan's order.

    Raises:
        ImportError: a camera is on and OpenCV, the extra `vision`, is missing.

    """

    def __init__(self, configuration: Configuration, plant: Plant, draws: Draws) -> None:
        self._plant, self._draws = plant, draws
        names = list(configuration.vehicles)
        self.indices = tuple(names.index(name) for name in configuration.cameras_on())
        self._vehicles = len(names)
        self._cameras = {}
        if self.indices:
            from testbed.model.camera import Camera

            vehicles = actual(configuration).vehicles
            for index in self.indices:
                camera = vehicles[index].camera
                assert camera is not None, f"`testbed check` lets no plan switch on what {names[index]} has not"
                self._cameras[index] = Camera(camera, [*vehicles[:index], *vehicles[index + 1 :]])

    def picture(self, index: int, stamp: int) -> Picture:
        """The picture with this stamp (ns), which the plant must have reached and not left."""
        return self.shot(index, stamp)()

    def shot(self, index: int, stamp: int) -> Callable[[], Picture]:
        """The same, seen now and drawn when called, which takes long and may be done while the plant goes on."""
        motions = motions_of(self._plant, self._vehicles, stamp)
        return partial(
            self._cameras[index].render,
            motions[index],
            np.delete(motions, index),
            self._draws.camera(index, stamp // PERIOD_NS["camera"]),
            dark=bool(self._plant.vehicles[index]["camera_dark"]),
        )


def motions_of(plant: Plant, vehicles: int, stamp: int) -> NDArray[np.void]:
    """Motion of each vehicle at a tick (ns) that the plant has reached and not left; messages.ODOMETRY."""
    motions = np.zeros(vehicles, messages.ODOMETRY)
    for index in range(vehicles):
        plant.read_motion(index, stamp, motions[index])
    return motions
