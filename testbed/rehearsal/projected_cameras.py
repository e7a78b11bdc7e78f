"""The cameras of a session, with the corners of fiducials projected instead of pictures rendered."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from testbed.model.corner_errors import NORMALS
from testbed.model.corners import Corners
from testbed.model.draws import Draws
from testbed.model.plant import Plant
from testbed.plan.configuration import Configuration
from testbed.rehearsal.build import actual
from testbed.rehearsal.cameras import motions_of


class ProjectedCameras:
    """As Cameras, but says what a detector would report of each picture; model/corners.py says how nearly.

    `indices`: which vehicles have a camera that is on, in the plan's order. Looks must be taken in order of time.
    """

    def __init__(self, configuration: Configuration, plant: Plant, draws: Draws) -> None:
        self._plant = plant
        names = list(configuration.vehicles)
        self.indices = tuple(names.index(name) for name in configuration.cameras_on())
        self._vehicles = len(names)
        self._generators = {index: draws.corners(index) for index in self.indices}
        self.corners: dict[int, Corners] = {}
        vehicles = actual(configuration).vehicles
        for index in self.indices:
            camera = vehicles[index].camera
            assert camera is not None, f"`testbed check` lets no plan switch on what {names[index]} has not"
            self.corners[index] = Corners(camera, [*vehicles[:index], *vehicles[index + 1 :]])

    def look(self, index: int, stamp: int) -> NDArray[np.void]:
        """Sightings (model.corners.SIGHTING) with this stamp (ns), which the plant must have reached and not left."""
        corners, generator = self.corners[index], self._generators[index]
        count = len(corners.fiducials)
        normals, uniforms = generator.standard_normal((count, NORMALS)), generator.random(count)
        motions = motions_of(self._plant, self._vehicles, stamp)
        sightings = corners.look(motions[index : index + 1], np.delete(motions, index), normals, uniforms)
        if self._plant.vehicles[index]["camera_dark"]:
            sightings["detected"] = 0
            sightings["reported"] = np.nan
        return sightings
