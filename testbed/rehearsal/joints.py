"""What the plant's ports hold, as `port/state` and `/joined` tell it: at first, and when it has changed."""

from __future__ import annotations

import json

from testbed.description.messages import PERIOD_NS
from testbed.description.ticks import due
from testbed.model.plant import Plant
from testbed.plan.configuration import Configuration


class Joints:
    """Follows the latches of a plant; asked at every tick that may be published."""

    def __init__(self, configuration: Configuration, plant: Plant) -> None:
        self._plant = plant
        self._names = list(configuration.vehicles)
        self._ports = [[port.name for port in one.ports] for one in configuration.vehicles.values()]
        self._told = -1
        self.indices = tuple(index for index, ports in enumerate(self._ports) if ports)

    def news(self, stamp: int) -> bool:
        """Whether there is something to tell at a tick; told once."""
        changes = self._plant.latch_changes()
        if not self.indices or not due(stamp, PERIOD_NS["port/state"]) or changes == self._told:
            return False
        self._told = changes
        return True

    def held(self, index: int) -> list[float]:
        """For each port of a vehicle 1 if a latch holds it, capturing or rigid, else 0."""
        holding = {
            (vehicle, port)
            for latch in self._plant.latches()
            for vehicle, port in ((latch.first, latch.first_port), (latch.second, latch.second_port))
        }
        return [float((index, port) in holding) for port in range(len(self._ports[index]))]

    def joined(self, stamp: int) -> str:
        """The message on `/joined`, JSON.

        Stamp ns; `latches`, each with both ports as vehicle/port, its phase, and since when (ns) it is in it; `bodies`,
        the vehicles of each rigid body of more than one.
        """
        latches = [
            {
                "first": self._port(latch.first, latch.first_port),
                "second": self._port(latch.second, latch.second_port),
                "phase": latch.phase.name.lower(),
                "since": latch.stamp,
            }
            for latch in self._plant.latches()
        ]
        roots = [self._plant.root(index) for index in range(len(self._names))]
        bodies = [[name for name, root in zip(self._names, roots, strict=True) if root == one] for one in set(roots)]
        return json.dumps({"stamp": stamp, "latches": latches, "bodies": sorted(b for b in bodies if len(b) > 1)})

    def _port(self, index: int, port: int) -> str:
        return f"{self._names[index]}/{self._ports[index][port]}"
