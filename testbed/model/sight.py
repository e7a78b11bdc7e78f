"""Lines of sight between a fixed point of the room and a vehicle, and the bodies that cut them."""

from __future__ import annotations

from typing import Any

from numba import njit

from testbed.description.rotation import Vector3


@njit(cache=True)
def hidden(world: Any, vehicles: Any, states: Any, index: int, point: Vector3, path: Vector3) -> bool:
    """Whether a body other than vehicle `index` cuts the straight path that ends at `point` and has the vector `path`.

    Fixed axes, m.
    """
    if not world.occlusion:
        return False
    for other in range(len(vehicles)):
        if other != index and hides(world, vehicles[other], states[other], point, path):
            return True
    return False


@njit(cache=True)
def hides(world: Any, vehicle: Any, state: Any, point: Vector3, path: Vector3) -> bool:
    """Whether one vehicle's body cuts that path.

    On the table the body is an upright cylinder from the floor to its top, in the cabin a sphere.
    """
    dx, dy, dz = path[0], path[1], path[2]
    x, y = point[0] - state.position[0], point[1] - state.position[1]
    if world.on_table:
        share = nearest(dx * dx + dy * dy, x * dx + y * dy)
        x, y = x - share * dx, y - share * dy
        below_top = point[2] - share * dz < state.position[2] + vehicle.body_radius
        return below_top and x * x + y * y < vehicle.body_radius * vehicle.body_radius
    z = point[2] - state.position[2]
    share = nearest(dx * dx + dy * dy + dz * dz, x * dx + y * dy + z * dz)
    x, y, z = x - share * dx, y - share * dy, z - share * dz
    return x * x + y * y + z * z < vehicle.body_radius * vehicle.body_radius


@njit(cache=True)
def nearest(length_squared: float, product: float) -> float:
    """Share of the path, from its end, at which it is nearest to a point."""
    return min(max(product / length_squared, 0.0), 1.0) if length_squared > 0.0 else 0.0
