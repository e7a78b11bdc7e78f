"""Position, attitude and velocity from some cycles of ranges: damped least squares (Levenberg and Marquardt).

The unknowns are position (of the centre of mass), small rotation about the fixed axes and velocity, in this order.
The velocity has a wide prior, the axes that the floor holds a narrow one: the same nine unknowns on the table and in
the cabin.
"""

from __future__ import annotations

import math
from typing import Any, Final

from numba import njit

from testbed.description.rotation import cross, from_rotation_vector, multiply, normalise, rotate
from testbed.flight.estimation.cholesky import factorise, solve
from testbed.flight.estimation.update import HELD_ANGLE, HELD_HEIGHT, HELD_SPEED

UNKNOWNS: Final = 9
SPEED_SIGMA: Final = 0.1
"""How fast a vehicle may be before it is found, standard deviation per axis, m/s."""


@njit(cache=True)
def _weighted_residuals(p: Any, fit: Any, position: Any, orientation: Any, velocity: Any) -> float:
    """Fill `fit.residual` and return the cost: the sum of all squared residuals, priors included."""
    cost = 0.0
    for k in range(fit.count):
        lever = rotate(orientation, fit.arm[k])
        square = 0.0
        for i in range(3):
            difference = position[i] + fit.time[k] * velocity[i] + lever[i] - fit.beacon[k, i]
            square += difference * difference
        fit.residual[k] = (math.sqrt(square) - fit.distance[k]) * fit.weight[k]
        cost += fit.residual[k] * fit.residual[k]
    for i in range(3):
        sigma = SPEED_SIGMA if p.free[i] > 0.0 else HELD_SPEED
        cost += (velocity[i] / sigma) ** 2
    if p.free[2] == 0.0:
        cost += ((position[2] - p.held_height) / HELD_HEIGHT) ** 2
    vertical = rotate(orientation, (0.0, 0.0, 1.0))
    if p.free[3] == 0.0:
        cost += (vertical[1] / HELD_ANGLE) ** 2
    if p.free[4] == 0.0:
        cost += (vertical[0] / HELD_ANGLE) ** 2
    return cost


@njit(cache=True)
def range_gradient(fit: Any, k: int) -> Any:
    """Direction from beacon to receiver, its moment about the centre of mass, and distance of range `k` at the pose."""
    lever = rotate(fit.orientation, fit.arm[k])
    x = fit.position[0] + fit.time[k] * fit.velocity[0] + lever[0] - fit.beacon[k, 0]
    y = fit.position[1] + fit.time[k] * fit.velocity[1] + lever[1] - fit.beacon[k, 1]
    z = fit.position[2] + fit.time[k] * fit.velocity[2] + lever[2] - fit.beacon[k, 2]
    distance = math.sqrt(x * x + y * y + z * z)
    direction = (x / distance, y / distance, z / distance)
    return direction, cross(lever, direction), distance


@njit(cache=True)
def _normal_equations(p: Any, fit: Any) -> None:
    """Fill the normal matrix JᵀJ and the gradient Jᵀr at the present pose."""
    A, g = fit.normal, fit.gradient
    A[:] = 0.0
    g[:] = 0.0
    row = fit.step  # workspace
    for k in range(fit.count):
        direction, moment, distance = range_gradient(fit, k)
        weight = fit.weight[k]
        for i in range(3):
            row[i] = weight * direction[i]
            row[3 + i] = weight * moment[i]
            row[6 + i] = weight * direction[i] * fit.time[k]
        residual = (distance - fit.distance[k]) * weight
        for i in range(UNKNOWNS):
            g[i] += row[i] * residual
            for j in range(i + 1):
                A[i, j] += row[i] * row[j]
    for i in range(3):
        sigma = SPEED_SIGMA if p.free[i] > 0.0 else HELD_SPEED
        A[6 + i, 6 + i] += 1.0 / sigma**2
        g[6 + i] += fit.velocity[i] / sigma**2
    if p.free[2] == 0.0:
        A[2, 2] += 1.0 / HELD_HEIGHT**2
        g[2] += (fit.position[2] - p.held_height) / HELD_HEIGHT**2
    vertical = rotate(fit.orientation, (0.0, 0.0, 1.0))
    if p.free[3] == 0.0:  # a small rotation about x tips the body's z axis towards -y
        A[3, 3] += 1.0 / HELD_ANGLE**2
        g[3] -= vertical[1] / HELD_ANGLE**2
    if p.free[4] == 0.0:
        A[4, 4] += 1.0 / HELD_ANGLE**2
        g[4] += vertical[0] / HELD_ANGLE**2


@njit(cache=True)
def minimise(p: Any, fit: Any, iterations: int, tolerance: float) -> None:
    """Move the pose in `fit` downhill until the cost falls by less than `tolerance` of itself.

    At most `iterations` steps.

    Afterwards `fit.cost`, `fit.residual` and `fit.normal` (lower triangle) belong to the pose found.
    """
    damping = 1e-3
    fit.cost = _weighted_residuals(p, fit, fit.position, fit.orientation, fit.velocity)
    _normal_equations(p, fit)
    for _ in range(iterations):
        if not factorise(fit.normal, fit.factor, damping):
            damping = max(10.0 * damping, 1e-3)
            continue
        solve(fit.factor, fit.gradient, fit.step)
        for i in range(3):
            fit.trial_position[i] = fit.position[i] - fit.step[i]
            fit.trial_velocity[i] = fit.velocity[i] - fit.step[6 + i]
        turn = from_rotation_vector((-fit.step[3], -fit.step[4], -fit.step[5]))
        fit.trial_orientation[:] = normalise(multiply(turn, fit.orientation))
        cost = _weighted_residuals(p, fit, fit.trial_position, fit.trial_orientation, fit.trial_velocity)
        if cost >= fit.cost:
            if damping > 1e6:
                break
            damping = 10.0 * damping
            continue
        gained = fit.cost - cost
        fit.cost = cost
        fit.position[:] = fit.trial_position
        fit.orientation[:] = fit.trial_orientation
        fit.velocity[:] = fit.trial_velocity
        damping = 0.1 * damping
        _normal_equations(p, fit)
        if gained < tolerance * (1.0 + cost):
            break
    fit.cost = _weighted_residuals(p, fit, fit.position, fit.orientation, fit.velocity)
