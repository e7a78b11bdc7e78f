"""Where vehicles rest until they are put elsewhere."""

import math

import numpy as np
import pytest

from testbed.description.table import Parking
from tests.model.scene import CABIN, FLAT, a_plant, steady

NAMES = ("wren", "siskin", "dunlin")


def vehicles(count):
    return [steady(name) for name in NAMES[:count]]


def test_each_vehicle_has_its_parking_position_in_order():
    parking = (Parking(x=-1.2, y=1.1, heading_deg=-90.0), Parking(x=0.3, y=1.0), Parking(x=1.2, y=1.1))
    plant = a_plant(*vehicles(2), room=FLAT.model_copy(update={"parking": parking}))
    assert plant.states["position"][:, :2].tolist() == [[-1.2, 1.1], [0.3, 1.0]]
    assert plant.states[0]["orientation"] == pytest.approx([0.0, 0.0, -math.sqrt(0.5), math.sqrt(0.5)])


@pytest.mark.parametrize("room", [FLAT, FLAT.model_copy(update={"parking": (Parking(x=0.0, y=1.0),)}), CABIN])
def test_where_there_are_too_few_they_stand_apart_around_the_origin(room):
    plant = a_plant(*vehicles(3), room=room)
    for a in range(3):
        for b in range(a):
            apart = np.linalg.norm(plant.states[a]["position"] - plant.states[b]["position"])
            assert apart > plant.vehicles["contact_radius"][[a, b]].sum()
