"""A table's edges and parking positions: what is refused, and which side is which."""

import pytest
from pydantic import ValidationError

from testbed.description.cabin import WALLS, Cabin
from testbed.description.table import Parking, Table

OUTLINE = ((-1.8, -1.5), (1.8, -1.5), (1.8, 1.5), (-1.8, 1.5))


def a_table(**changes):
    return Table(name="a", outline=OUTLINE, working_area=((-1.6, -1.3), (1.6, 1.3)), **changes)


def test_edges_are_soft_unless_said_otherwise():
    assert a_table().edge_figures == ([8000.0] * 4, [0.4] * 4)
    assert a_table(edges="hard").edge_figures == ([60000.0] * 4, [0.7] * 4)
    assert a_table(edge_stiffness=5000.0, hard_edges=(1,)).edge_figures[0] == [5000.0, 60000.0, 5000.0, 5000.0]


def test_walls_are_soft_unless_said_otherwise():
    cabin = Cabin(name="a", size=(4.0, 3.0, 2.5), hard_walls=("-z", "+x"))
    stiffness, restitution = cabin.wall_figures
    assert dict(zip(WALLS, stiffness, strict=True)) == {
        "+x": 60000.0,
        "+y": 8000.0,
        "+z": 8000.0,
        "-x": 8000.0,
        "-y": 8000.0,
        "-z": 60000.0,
    }
    assert restitution == [0.7, 0.4, 0.4, 0.4, 0.4, 0.7]


@pytest.mark.parametrize(
    "parking",
    [((1.9, 0.0),), ((0.0, 0.0), (0.5, 0.0))],
    ids=["outside", "too close"],
)
def test_parking_positions_are_inside_and_apart(parking):
    with pytest.raises(ValidationError):
        a_table(parking=tuple(Parking(x=x, y=y) for x, y in parking))


def test_a_side_that_the_outline_does_not_have_cannot_be_hard():
    with pytest.raises(ValidationError):
        a_table(hard_edges=(4,))


def test_a_carriage_floats_at_a_lower_pressure_than_its_tank_begins_with():
    with pytest.raises(ValidationError):
        a_table(bearing={"start_pressure": 1e6, "float_pressure": 2e6})
