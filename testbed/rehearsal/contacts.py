"""Contacts of the plant with the names that the plan knows."""

from __future__ import annotations

from collections.abc import Sequence

from testbed.model.plant import Plant
from testbed.model.ports import Capture
from testbed.plan.observation import EDGE, Contact


def take_contacts(plant: Plant, names: Sequence[str]) -> tuple[Contact, ...]:
    """Contacts since the last call."""
    return tuple(
        Contact(
            stamp=one.stamp,
            first=names[one.first],
            second=EDGE if one.second is None else names[one.second],
            peak_force=one.peak_force,
            impulse=one.impulse,
            capture="" if one.capture is Capture.NONE else one.capture.name.lower(),
        )
        for one in plant.take_contacts()
    )
