"""Thruster layouts and wrenches drawn at random, for table and cabin axes, some valves out of service.

Half of the layouts are wild (nozzles anywhere, pointing anywhere), half are built like real ones: pairs of nozzles in
corner blocks along the axes, of one thrust, so that optima are not unique and bases are degenerate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog, nnls

from testbed.description.axes import CABIN_AXES, TABLE_AXES, axis_mask
from testbed.description.vehicle import MassProperties, ThrusterSet, Valve, Vehicle
from tests.flight.example_vehicle import vehicle

SIZES = (1e-4, 0.01, 0.1, 0.5, 1.0, 3.0)
"""Of wrenches, as shares of one valve's: from what single pulses more than a period apart give to far too much."""


@dataclass(frozen=True)
class Layout:
    """A vehicle in a place: its valves' wrenches on the active axes (rows scaled to a largest entry of one)."""

    vehicle: Vehicle
    place: str
    axes: tuple[str, ...]
    matrix: NDArray[np.float64]
    in_service: NDArray[np.bool_]
    flow: NDArray[np.float64]
    row_size: NDArray[np.float64]

    @property
    def active(self) -> NDArray[np.bool_]:
        """Mask of the active axes, shape (6,)."""
        return axis_mask(self.axes)

    def spans(self) -> bool:
        """Whether every wrench on the active axes is a non-negative combination of the valves in service."""
        used = self.matrix[:, self.in_service]
        if used.shape[1] <= len(self.matrix) or np.linalg.matrix_rank(used, tol=1e-6) < len(self.matrix):
            return False
        # Columns span positively if and only if the sum of them all can be undone by non-negative multiples.
        return nnls(used, -used.sum(axis=1))[1] < 1e-9

    def reaches(self, rows: NDArray[np.float64]) -> bool:
        """Whether a wrench (scaled rows) is a non-negative combination of the valves in service, by nnls."""
        length = np.linalg.norm(rows)
        return nnls(self.matrix[:, self.in_service], rows / length)[1] < 1e-9

    def scaled(self, wrench: NDArray[np.float64]) -> NDArray[np.float64]:
        """Rows of a wrench (6,) along the active axes, scaled as the matrix is."""
        return wrench[self.active] / self.row_size


def drawn_layout(generator: np.random.Generator, sag: float | None = None) -> Layout:
    """6 to 16 valves, on table or cabin axes, a tenth of the valves out of service; it may not span its space."""
    count = int(generator.integers(6, 17))
    valves = corner_valves(generator, count) if generator.random() < 0.5 else wild_valves(generator, count)
    place, axes = ("table", TABLE_AXES) if generator.random() < 0.5 else ("cabin", CABIN_AXES)
    centre = tuple(float(value) for value in generator.uniform(-0.02, 0.02, 3))
    body = MassProperties(mass=6.0, inertia=(0.062, 0.065, 0.068), centre_of_mass=centre)
    changes = {} if sag is None else {"maximum_sag": sag}
    whole = vehicle(thrusters=ThrusterSet(valves=tuple(valves), **changes), flight=body, floor=body)
    matrix = whole.thrusters.wrench_matrix(centre)[axis_mask(axes)]
    in_service = np.array([valve.in_service for valve in valves])
    row_size = np.abs(matrix * in_service).max(axis=1)
    row_size = np.where(row_size > 0.0, row_size, 1.0)
    flow = np.array([valve.thrust for valve in valves])
    return Layout(whole, place, axes, matrix / row_size[:, None], in_service, flow, row_size)


def spanning_layout(generator: np.random.Generator, sag: float | None = None) -> Layout:
    """A drawn layout that positively spans its space."""
    while True:
        layout = drawn_layout(generator, sag)
        if layout.spans():
            return layout


def wild_valves(generator: np.random.Generator, count: int) -> list[Valve]:
    """Nozzles anywhere in the body, pointing anywhere, of thrusts between 0.05 and 0.3 N."""
    found = []
    for number in range(count):
        position, exhaust = generator.uniform(-0.14, 0.14, 3), generator.normal(size=3)
        found.append(a_valve(generator, number, position, exhaust, generator.uniform(0.05, 0.3)))
    return found


def corner_valves(generator: np.random.Generator, count: int) -> list[Valve]:
    """Nozzles in the corners of a box along its axes, each drawn with its mirror image through the centre."""
    found: list[Valve] = []
    thrust = float(generator.uniform(0.1, 0.2))
    while len(found) < count:
        position, axis = 0.13 * generator.choice((-1.0, 1.0), 3), int(generator.integers(3))
        exhaust = np.sign(position[axis]) * np.eye(3)[axis]
        if generator.random() < 0.3:  # canted, as past a partner in front
            exhaust += 0.5 * np.roll(np.eye(3)[axis], 1) * generator.choice((-1.0, 1.0))
        for sense in (1.0, -1.0):
            if len(found) < count:
                found.append(a_valve(generator, len(found), sense * position, sense * exhaust, thrust))
    return found


def a_valve(generator, number, position, exhaust, thrust) -> Valve:
    """One valve, out of service one time in ten."""
    return Valve(
        name=f"valve_{number}",
        position=tuple(float(value) for value in position),
        exhaust=tuple(float(value) for value in exhaust),
        thrust=float(thrust),
        in_service=bool(generator.random() > 0.1),
    )


def drawn_wrench(generator: np.random.Generator, layout: Layout, sizes=SIZES) -> NDArray[np.float64]:
    """A wrench (6,) on the active axes, of any direction, half of them along a single axis or a few."""
    rows = generator.normal(size=len(layout.matrix))
    if generator.random() < 0.5:
        rows *= generator.random(len(rows)) < 0.5
    if not rows.any():
        rows[generator.integers(len(rows))] = 1.0
    wrench = np.zeros(6)
    wrench[layout.active] = rows * layout.row_size * generator.choice(sizes)
    return wrench


def optimum(layout: Layout, rows: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
    """Largest scale up to 1 and the duties of least flow with it, by HiGHS, for a wrench of scaled `rows`."""
    bounds = [(0.0, float(used)) for used in layout.in_service]
    tight = {"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10}
    zero = np.zeros(len(rows))
    columns, gain = np.column_stack([layout.matrix, -rows]), np.append(np.zeros(len(bounds)), -1.0)
    largest = linprog(gain, A_eq=columns, b_eq=zero, bounds=[*bounds, (0.0, 1.0)], method="highs", options=tight)
    scale = -largest.fun
    for within in (1.0, 1.0 - 1e-9, 1.0 - 1e-7):  # HiGHS may find its own largest scale infeasible
        right = within * scale * rows
        least = linprog(layout.flow, A_eq=layout.matrix, b_eq=right, bounds=bounds, method="highs", options=tight)
        if least.status == 0:
            return scale, least.x
    raise AssertionError(f"HiGHS: {least.message}")
