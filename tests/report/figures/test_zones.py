"""Keep-out zones in a view: where they are, hatched, each with its name in sight."""

import pytest
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from testbed.plan.formation_schema import KeepOutBox, KeepOutCircle
from testbed.report.figures.style import drawing, new_figure
from testbed.report.figures.zones import FROM_ABOVE, FROM_THE_SIDE, HATCH, draw_zones

BALL = KeepOutCircle(kind="circle", name="lamp", x=0.5, y=-0.4, z=0.3, radius=0.1)
BOX = KeepOutBox(kind="box", name="rack", low=(-1.0, -0.8, 0.1), high=(-0.6, -0.2, 0.9))


@pytest.fixture
def axes():
    axes = Figure().subplots()
    axes.set(xlim=(-2.0, 2.0), ylim=(-1.5, 1.5))
    return axes


@pytest.mark.parametrize(
    ("shown", "ball", "box"),
    [
        (FROM_ABOVE, (0.4, -0.5, 0.6, -0.3), (-1.0, -0.8, -0.6, -0.2)),
        (FROM_THE_SIDE, (0.4, 0.2, 0.6, 0.4), (-1.0, 0.1, -0.6, 0.9)),
    ],
    ids=["from above", "from the side"],
)
def test_zones_are_where_the_plan_has_them_and_hatched(axes, shown, ball, box):
    draw_zones(axes, (BALL, BOX), shown)
    assert [extent(patch) for patch in axes.patches] == [pytest.approx(ball), pytest.approx(box)]
    assert {patch.get_hatch() for patch in axes.patches} == {HATCH}


def extent(patch):
    box = patch.get_path().get_extents(patch.get_patch_transform())
    return box.x0, box.y0, box.x1, box.y1


def test_a_rectangle_on_the_table_has_two_coordinates(axes):
    draw_zones(axes, (KeepOutBox(kind="box", name="trolley", low=(1.1, 0.9), high=(1.6, 1.3)),))
    (patch,) = axes.patches
    assert isinstance(patch, Rectangle)
    assert extent(patch) == pytest.approx((1.1, 0.9, 1.6, 1.3))


@pytest.mark.parametrize(
    ("y", "radius"), [(-1.4, 0.05), (1.4, 0.05), (0.0, 0.05), (0.2, 1.0), (1.5, 1.0)], ids=str
)  # fmt: skip
def test_a_name_is_in_sight_and_does_not_cover_a_small_zone(y, radius):
    with drawing():
        figure, grid = new_figure(5.6)
        axes = grid[0, 0]
        axes.set(xlim=(-2.0, 2.0), ylim=(-1.5, 1.5))
        draw_zones(axes, (KeepOutCircle(kind="circle", name="$post$", x=0.3, y=y, radius=radius),))
        figure.draw_without_rendering()
        (name,) = axes.texts
        written = name.get_window_extent()
        assert name.get_text() == "$post$"
        assert axes.bbox.x0 <= written.x0 < written.x1 <= axes.bbox.x1
        assert axes.bbox.y0 <= written.y0 < written.y1 <= axes.bbox.y1
        assert written.overlaps(axes.patches[0].get_window_extent()) == (radius > 0.5)


def test_a_zone_out_of_sight_has_no_name(axes):
    draw_zones(axes, (BALL.model_copy(update={"x": 9.0}),))
    assert not axes.texts
