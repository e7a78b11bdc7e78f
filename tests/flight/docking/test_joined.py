"""The pair as one vehicle: by hand, and against what the plant makes of two that it has joined."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.description.axes import TABLE_AXES
from testbed.flight.allocation import Allocation
from testbed.flight.docking.joined import docked_pose, joined_vehicle
from tests.flight.docking.examples import DOCKED, PORT, ported
from tests.model.docking import dock, docker, meeting
from tests.model.scene import CABIN, FLAT
from tests.model.test_joined import LOPSIDED

ALIKE = np.array([0.0, 0.0, 0.0, 1.0])


def pair(place="table", roll_from=ALIKE):
    one = ported()
    return joined_vehicle(one, one, docked_pose(PORT, PORT, place, roll_from), place)


def test_on_the_table_by_hand():
    both = pair().mass_properties("table")
    assert both.mass == 26.0
    assert both.centre_of_mass == pytest.approx((DOCKED / 2, 0.0, -0.2))
    assert both.inertia_tensor()[2, 2] == pytest.approx(2 * (0.24 + 13.0 * (DOCKED / 2) ** 2))


def test_the_partner_faces_it():
    position, orientation = docked_pose(PORT, PORT, "cabin", ALIKE)
    assert position == pytest.approx((0.30, 0.0, 0.0))
    assert Rotation.from_quat(orientation).apply((1, 0, 0)) == pytest.approx((-1, 0, 0))


@pytest.mark.parametrize("room", [FLAT, CABIN], ids=["table", "cabin"])
def test_it_is_what_the_plant_makes_of_them(room):
    place = "table" if room is FLAT else "cabin"
    plant = meeting(room, angle=0.05, **LOPSIDED)
    dock(plant)
    first, second = plant.states
    own = Rotation.from_quat(first["orientation"]).inv()
    position = own.apply(second["position"] - first["position"])
    orientation = (own * Rotation.from_quat(second["orientation"])).as_quat()
    one, other = docker("wren", **LOPSIDED), docker("dunlin", **LOPSIDED)
    both = joined_vehicle(one, other, (position, orientation), place).mass_properties(place)
    assert both.mass == pytest.approx(first["body_mass"])
    assert both.centre_of_mass == pytest.approx(first["body_centre"], abs=1e-12)
    assert both.inertia_tensor() == pytest.approx(first["body_inertia"], abs=1e-12)


def test_with_its_own_valves_it_pushes_ahead_as_before_and_aside_with_a_third():
    """Beside its own centre of mass a push aside needs the torque that balances its arm of half the distance."""
    alone, both = (Allocation(one, "table", TABLE_AXES) for one in (ported(), pair()))
    ahead, aside, turn = np.eye(6)[[0, 1, 5]]
    assert both.authority(ahead) == pytest.approx(alone.authority(ahead))
    assert both.authority(turn) == pytest.approx(alone.authority(turn))
    assert 0.2 < both.authority(aside) / alone.authority(aside) < 0.5
