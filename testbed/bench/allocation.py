"""Solve time of the thruster allocation beside scipy's HiGHS on the same problems."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

from testbed.bench.figure import Figure, median
from testbed.description.axes import CABIN_AXES, axis_mask
from testbed.description.vehicle import Vehicle
from testbed.flight.allocation import Allocation

SPREAD: Final = (0.02, 0.1, 0.5, 2.0)
"""Sizes of the wrenches asked for, as shares of one valve's: from a trim to far beyond what the valves can do."""
REPEATS: Final = 3
"""Each problem is solved so often and its shortest time counts, because others use the machine too."""
SEED: Final = 1


def allocation_time(
    vehicle: Vehicle, axes: tuple[str, ...], problems: int, tell: Callable[[str], None]
) -> list[Figure]:
    """Time both on random wrenches of many sizes, each taking two linear programmes: largest scale, then least gas.

    Searched anew every time, as HiGHS does, and seen just before, when the kept basis of that solution serves, as it
    mostly does from one wrench of a flight to the next.

    Raises:
        AssertionError: they disagree on the scale.

    """
    tell(f"allocation: {problems} problems on {len(axes)} axes")
    place: Literal["table", "cabin"] = "cabin" if axes == CABIN_AXES else "table"
    allocation = Allocation(vehicle, place, axes)
    matrix = vehicle.thrusters.wrench_matrix(vehicle.mass_properties(place).centre_of_mass)
    flow = np.array([valve.thrust for valve in vehicle.thrusters.valves])
    active = axis_mask(axes)
    asked = wrenches(matrix, active, problems)
    scales, warm = _shortest(lambda wrench: allocation.allocate(wrench)[1], asked)
    anew, cold = _shortest(lambda wrench: allocation.allocate(wrench)[1], asked, lambda: forget(allocation))
    expected, theirs = _shortest(lambda wrench: highs(matrix[active], flow, wrench[active]), asked)
    np.testing.assert_allclose(scales, expected, atol=1e-6)
    np.testing.assert_allclose(anew, expected, atol=1e-6)
    name, note = "scipy HiGHS", f"{problems} problems"
    what = f"allocation, {len(axes)} axes"
    return [
        Figure(f"{what}, {how}, {which}", 1e6 * of(ours), "µs", 1e6 * of(theirs), name, note=note)
        for how, ours in (("searched anew", cold), ("seen before", warm))
        for which, of in (("median", median), ("worst", max))
    ]


def forget(allocation: Allocation) -> None:
    """Keep none of the optimal bases found so far."""
    allocation.state[0]["bases"]["count"] = 0


def _shortest(
    solve: Callable[[NDArray[np.float64]], float],
    asked: NDArray[np.float64],
    before: Callable[[], None] = lambda: None,
) -> tuple[list[float], list[float]]:
    """Answer to each problem and the shortest time it took, s, without what is called `before` it each time."""
    answers, shortest = [], []
    for wrench in asked:
        times = []
        for _ in range(REPEATS):
            before()
            began = time.perf_counter()
            answer = solve(wrench)
            times.append(time.perf_counter() - began)
        answers.append(answer)
        shortest.append(min(times))
    return answers, shortest


def wrenches(matrix: NDArray[np.float64], active: NDArray[np.bool_], count: int) -> NDArray[np.float64]:
    """Random wrenches along the active axes, (count, 6), force N and torque N·m."""
    generator = np.random.default_rng(SEED)
    size = np.abs(matrix).max(axis=1)
    shares = generator.choice(SPREAD, size=(count, 1))
    return generator.normal(size=(count, 6)) * size * shares * active


def highs(matrix: NDArray[np.float64], flow: NDArray[np.float64], wrench: NDArray[np.float64]) -> float:
    """Solve for the largest scale, then for the least gas with it; the scale."""
    valves, bounds = len(flow), [(0.0, 1.0)] * len(flow)
    scaled, gain = np.column_stack([matrix, -wrench]), np.append(np.zeros(valves), -1.0)
    largest = linprog(gain, A_eq=scaled, b_eq=np.zeros(len(wrench)), bounds=[*bounds, (0.0, 1.0)])
    scale = float(largest.x[-1])
    linprog(flow, A_eq=matrix, b_eq=scale * wrench, bounds=bounds)
    return scale
