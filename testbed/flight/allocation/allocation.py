"""Control allocation: which share of the time each valve is open, so that together they give the wanted wrench."""

from __future__ import annotations

from enum import IntEnum
from typing import Any, Final, Literal

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description import messages
from testbed.description.axes import axis_mask
from testbed.description.gas import STANDARD_GRAVITY
from testbed.description.vehicle import Vehicle
from testbed.flight.allocation import bases, simplex

FAR: Final = 1e9
"""A length of wrench that no layout reaches; the search for the authority along a direction stops before it."""


ITERATION_CAP: Final = 120
"""Most steps of one allocation; 6 axes and 16 valves need about 20."""
BLAND_AFTER: Final = 60
"""Steps after which the rule that cannot cycle takes over from the quicker one."""


class Outcome(IntEnum):
    """What became of a wrench."""

    ATTAINED = 0
    SATURATED = 1
    """Beyond what the valves can do: scaled down, direction kept."""
    UNREACHABLE = 2
    """No combination of valves gives this direction at all."""
    CAPPED = 3
    """The iteration cap was met: the valves give the wrench scaled by `scale`, perhaps not with the least gas."""


PARAMETERS: Final = np.dtype(
    [
        ("iteration_cap", "i8"),
        ("bland_after", "i8"),
        ("rows", "i8"),
        ("valves", "i8"),
        ("axis", "i8", (simplex.ROWS,)),
        ("row_scale", "f8", (simplex.ROWS,)),
        ("matrix", "f8", (simplex.ROWS, messages.MAX_VALVES)),
        ("available", "f8", (messages.MAX_VALVES,)),
        ("flow", "f8", (messages.MAX_VALVES,)),
        ("cost", "f8", (messages.MAX_VALVES,)),
    ],
    align=True,
)
"""Layout: indices of the active axes, their rows each scaled to a largest entry of one, flow kg/s per open valve."""

STATE: Final = np.dtype(
    [
        ("wrench", "f8", (6,)),
        ("lost", "f8"),
        ("stuck_count", "i8"),
        ("stuck", "i8", (messages.MAX_VALVES,)),
        ("held", "f8", (messages.MAX_VALVES,)),
        ("duty", "f8", (messages.MAX_VALVES,)),
        ("scale", "f8"),
        ("outcome", "i8"),
        ("rows", "f8", (simplex.ROWS,)),
        ("bases", bases.BASES),
        ("work", simplex.SIMPLEX),
    ],
    align=True,
)
"""wrench: what is asked for, force N and torque N·m about the centre of mass; lost: share of the time of nominal thrust
that no valve can give (0: none); stuck: by valve, whether it takes no part, and held: what it gives all the time, as a
share of nominal thrust. duty per valve, the share `scale` of the
wrench that they give, and `Outcome`: the answer; rows: the wrench along the active axes, scaled; work: working memory.
"""


class Allocation:
    """Least-gas valve duties of one vehicle in one place, by linear programming.

    First the largest scale s <= 1 with matrix @ duty = s * wrench on the active axes and 0 <= duty <= 1 is found, so
    that saturation keeps the direction of the wrench; then the duties of least gas flow that give it. Valves out of
    service stay closed. Axes that are not active are left to whatever holds them. What stuck valves push is made up for
    by the others first, as far as they can, whatever the wrench.
    """

    def __init__(self, vehicle: Vehicle, place: Literal["table", "cabin"], active_axes: tuple[str, ...]) -> None:
        matrix = vehicle.thrusters.wrench_matrix(vehicle.mass_properties(place).centre_of_mass)
        thrust = np.array([valve.thrust for valve in vehicle.thrusters.valves])
        in_service = np.array([valve.in_service for valve in vehicle.thrusters.valves])
        flow = thrust / (STANDARD_GRAVITY * vehicle.gas.specific_impulse)
        self.parameters = layout(matrix, flow, in_service, axis_mask(active_axes))
        self.state = np.zeros(1, STATE)

    def allocate(self, wrench: NDArray[np.float64]) -> tuple[NDArray[np.float64], float, Outcome]:
        """Duties (valves,), attained share of the wrench and outcome, for force N and torque N·m, shape (6,)."""
        self.state[0]["wrench"] = wrench
        allocate(self.parameters[0], self.state[0])
        count = self.parameters[0]["valves"]
        return self.state[0]["duty"][:count].copy(), float(self.state[0]["scale"]), Outcome(self.state[0]["outcome"])

    def authority(self, direction: NDArray[np.float64]) -> float:
        """Largest multiple of `direction` (force N, torque N·m, shape (6,)) that the valves can give; 0 if none."""
        self.state[0]["wrench"] = direction
        return float(_authority(self.parameters, self.state))

    def least_authority(self, directions: NDArray[np.float64]) -> float:
        """The least of `authority` along these directions, shape (n, 6)."""
        return float(_least_authority(self.parameters, self.state, directions))


def layout(
    matrix: NDArray[np.float64], flow: NDArray[np.float64], in_service: NDArray[np.bool_], active: NDArray[np.bool_]
) -> NDArray[np.void]:
    """PARAMETERS of a layout: `matrix` (6, valves) N and N·m, `flow` (valves,) kg/s, masks of valves and of axes."""
    parameters = np.zeros(1, PARAMETERS)
    p = parameters[0]
    axes = np.flatnonzero(active)
    valves = matrix.shape[1]
    p["iteration_cap"], p["bland_after"] = ITERATION_CAP, BLAND_AFTER
    p["rows"], p["valves"] = len(axes), valves
    p["axis"][: len(axes)] = axes
    largest = np.abs(matrix[axes] * in_service).max(axis=1, initial=0.0)
    p["row_scale"][: len(axes)] = 1.0 / np.where(largest > 0.0, largest, 1.0)
    p["matrix"][: len(axes), :valves] = matrix[axes] * p["row_scale"][: len(axes), None]
    p["available"][:valves] = in_service
    p["flow"][:valves] = flow
    p["cost"][:valves] = flow / flow.max()
    return parameters


@njit(cache=True)
def allocate(p: Any, s: Any) -> None:
    """Find the duties for the wrench in the state."""
    size = scale_rows(p, s)
    s.scale, s.outcome = 1.0, Outcome.ATTAINED
    if s.stuck_count > 0:
        search(p, s, size)
        return
    if size < simplex.TOLERANCE:
        s.duty[:] = 0.0
        return
    if not bases.recall(p, s.bases, s.rows, s.lost, s.duty):
        search(p, s, size)


@njit(cache=True)
def scale_rows(p: Any, s: Any) -> float:
    """Scale the wrench as the rows of the matrix are, and return its length: that of its largest component."""
    size = 0.0
    for r in range(p.rows):
        s.rows[r] = s.wrench[p.axis[r]] * p.row_scale[r]
        size = max(size, abs(s.rows[r]))
    return size


@njit(cache=True)
def search(p: Any, s: Any, size: float) -> None:
    """Find the largest scale, then the least gas that gives it."""
    s.duty[:] = 0.0
    work = s.work
    prepare(p, s, size)
    work.upper[p.valves] = size
    done = simplex.minimise(work)
    reached = simplex.value_of(work, p.valves)
    work.upper[p.valves] = reached
    work.lower[p.valves] = reached
    price(p, work)
    done = simplex.minimise(work) and done
    collect(p, s)
    s.scale = reached / size if size >= simplex.TOLERANCE else 1.0
    if not done:
        s.outcome = Outcome.CAPPED
    elif s.scale < simplex.TOLERANCE:
        s.outcome = Outcome.UNREACHABLE
    elif s.scale < 1.0 - simplex.TOLERANCE:
        s.outcome = Outcome.SATURATED
    elif s.stuck_count == 0:
        bases.keep(p, s.bases, work)


@njit(cache=True)
def authority(p: Any, s: Any) -> float:
    """Largest multiple of the wrench in the state within the valves' reach; 0 if none or if it is zero."""
    size = scale_rows(p, s)
    if size < simplex.TOLERANCE:
        return 0.0
    prepare(p, s, size)
    s.work.upper[p.valves] = FAR
    simplex.minimise(s.work)
    return simplex.value_of(s.work, p.valves) / size


@njit(cache=True)
def _authority(p: Any, s: Any) -> float:
    """For Python: numba looks at every field of a record that Python hands over, but takes an array as it is."""
    return authority(p[0], s[0])


@njit(cache=True)
def _least_authority(p: Any, s: Any, directions: NDArray[np.float64]) -> float:
    least = np.inf
    for direction in directions:
        s[0].wrench[:] = direction
        least = min(least, authority(p[0], s[0]))
    return least


@njit(cache=True)
def prepare(p: Any, s: Any, size: float) -> None:
    """Set up the search for the largest scale of a wrench of length `size` with every valve closed that can be.

    Where valves are stuck, the others push against them.
    """
    work, n, length = s.work, p.valves, size if size >= simplex.TOLERANCE else 1.0
    work.iteration_cap, work.bland_after = p.iteration_cap, p.bland_after
    work.rows, work.columns, work.iterations = p.rows, n + 1, 0
    for r in range(p.rows):
        for j in range(n):
            work.tableau[r, j] = p.matrix[r, j]
        work.tableau[r, n] = -s.rows[r] / length
        work.basis[r] = simplex.ARTIFICIAL
        work.value[r] = 0.0
    for j in range(n + 1):
        work.reduced_cost[j] = 0.0
        work.upper[j] = max(p.available[j] - s.lost, 0.0) if j < n else 0.0
        work.lower[j] = 0.0
        work.in_basis[j] = 0
        work.at_upper[j] = 0
    if s.stuck_count > 0:
        push_against(p, s)
    work.reduced_cost[n] = -1.0


@njit(cache=True)
def push_against(p: Any, s: Any) -> None:
    """Go from all closed to where stuck valves give all they do, or as much as the others make up for, and hold it."""
    work = s.work
    for j in range(p.valves):
        if s.stuck[j]:
            work.upper[j] = s.held[j]
            work.reduced_cost[j] = -1.0
    simplex.minimise(work)
    for j in range(p.valves):
        if s.stuck[j]:
            work.upper[j] = simplex.value_of(work, j)
            work.lower[j] = work.upper[j]
        work.reduced_cost[j] = 0.0


@njit(cache=True)
def price(p: Any, work: Any) -> None:
    """Set the reduced costs to those of the gas flow at the present basis."""
    for j in range(p.valves):
        work.reduced_cost[j] = p.cost[j]
    work.reduced_cost[p.valves] = 0.0
    for r in range(work.rows):
        basic = work.basis[r]
        if basic != simplex.ARTIFICIAL and basic != p.valves:
            for j in range(work.columns):
                work.reduced_cost[j] -= p.cost[basic] * work.tableau[r, j]


@njit(cache=True)
def collect(p: Any, s: Any) -> None:
    """Copy the duties out of the working memory, rid of rounding beyond their bounds."""
    work = s.work
    for j in range(p.valves):
        s.duty[j] = work.upper[j] if work.at_upper[j] and not work.in_basis[j] else 0.0
    for r in range(work.rows):
        if work.basis[r] != simplex.ARTIFICIAL and work.basis[r] != p.valves:
            s.duty[work.basis[r]] = min(max(work.value[r], 0.0), 1.0 - s.lost)
    if s.stuck_count > 0:
        for j in range(p.valves):
            if s.stuck[j]:
                s.duty[j] = 0.0
