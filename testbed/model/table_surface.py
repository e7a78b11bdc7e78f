"""The surface that vehicles glide on: tilt, flatness, and the drag of the air film."""

from __future__ import annotations

from typing import Any

from numba import njit


@njit(cache=True)
def gravity_at(world: Any, x: float, y: float) -> tuple[float, float, float]:
    """Gravity along fixed axes, m/s², as a carriage at x, y (m) feels it.

    A slope turns the floor, and with it the vehicle, by at most a milliradian. The frame does not turn along, so
    gravity gets a component downhill; small-angle, as the slope is.
    """
    slope_x, slope_y = surface_slope(world, x, y)
    return -world.gravity * slope_x, -world.gravity * slope_y, -world.gravity


@njit(cache=True, forceinline=True)
def surface_slope(world: Any, x: float, y: float) -> tuple[float, float]:
    """Slope of the surface along x and y at a point: tilt of the whole plus the gradient of the bilinear heights.

    Beyond the grid the heights of its border go on.
    """
    slope_x, slope_y = world.tilt[0], world.tilt[1]
    columns, rows = world.node_count[0], world.node_count[1]
    if columns == 0:
        return slope_x, slope_y
    per_metre = world.nodes_per_metre
    u = (x - world.node_origin[0]) * per_metre
    v = (y - world.node_origin[1]) * per_metre
    u_inside, v_inside = u, v
    if u < 0.0 or v < 0.0 or u >= columns - 1.0 or v >= rows - 1.0:
        u_inside = min(max(u, 0.0), columns - 1.0)
        v_inside = min(max(v, 0.0), rows - 1.0)
    i = min(int(u_inside), columns - 2)
    j = min(int(v_inside), rows - 2)
    a, b = u_inside - i, v_inside - j
    h00, h10 = world.height[j, i], world.height[j, i + 1]
    h01, h11 = world.height[j + 1, i], world.height[j + 1, i + 1]
    if u == u_inside:
        slope_x += ((1.0 - b) * (h10 - h00) + b * (h11 - h01)) * per_metre
    if v == v_inside:
        slope_y += ((1.0 - a) * (h01 - h00) + a * (h11 - h10)) * per_metre
    return slope_x, slope_y
