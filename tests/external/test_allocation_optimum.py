"""Allocation against scipy.optimize: linprog (HiGHS) for scale and gas, nnls for what can be reached at all."""

import time

import numpy as np
import pytest
from scipy.optimize import linprog, nnls

from testbed.description.axes import CABIN_AXES
from testbed.flight.allocation import Allocation, Outcome
from testbed.flight.allocation.allocation import STATE, allocate, layout
from tests.flight.example_vehicle import vehicle

SIZE = np.array([0.15, 0.15, 0.15, 0.02, 0.02, 0.02])
PROBLEMS = 300


def random_problem(rng):
    """A layout whose valves positively span the active axes, some of them out of service, and a wrench for it."""
    while True:
        rows = int(rng.integers(1, 7))
        count = int(rng.integers(rows + 1, 17))
        matrix = np.zeros((6, count))
        matrix[:rows] = rng.normal(size=(rows, count)) * SIZE[:rows, None]
        in_service = rng.random(count) > 0.05
        if positively_spans(matrix[:rows, in_service]):
            break
    wrench = np.where(np.arange(6) < rows, rng.normal(size=6) * SIZE * rng.choice([0.1, 0.5, 2.0]), 0.0)
    return matrix, rows, in_service, rng.uniform(0.5, 1.5, count), wrench


def positively_spans(matrix):
    """Whether every direction is a non-negative combination of the columns."""
    if np.linalg.matrix_rank(matrix) < matrix.shape[0]:
        return False
    # Columns span positively if and only if the sum of them all can be undone by non-negative multiples.
    scaled = matrix / np.abs(matrix).max(axis=1, keepdims=True)
    return nnls(scaled, -scaled.sum(axis=1))[1] < 1e-9


def optimum(matrix, rows, in_service, flow, wrench):
    """Largest scale and, with it, least flow by HiGHS; None for the flow where HiGHS calls its own scale infeasible."""
    bounds = [(0.0, float(used)) for used in in_service]
    largest = linprog(
        np.append(np.zeros(len(flow)), -1.0),
        A_eq=np.column_stack([matrix[:rows], -wrench[:rows]]),
        b_eq=np.zeros(rows),
        bounds=[*bounds, (0.0, 1.0)],
        method="highs",
    )
    scale = -largest.fun
    least = linprog(flow, A_eq=matrix[:rows], b_eq=scale * wrench[:rows], bounds=bounds, method="highs")
    return scale, least.fun if least.status == 0 else None


@pytest.mark.parametrize("bland_after", [None, 0], ids=["steepest", "Bland's rule"])
def test_scale_and_gas_are_those_of_highs(bland_after, capsys):
    rng = np.random.default_rng(20250401)
    iterations, ours, theirs = [], [], []
    saturated = 0
    for _ in range(PROBLEMS):
        matrix, rows, in_service, flow, wrench = random_problem(rng)
        parameters, state = layout(matrix, flow, in_service, np.arange(6) < rows), np.zeros(1, STATE)
        if bland_after is not None:
            parameters["bland_after"] = bland_after
        state[0]["wrench"] = wrench
        allocate(parameters[0], state[0])
        iterations.append(state[0]["work"]["iterations"])
        started = time.perf_counter()
        state[0]["wrench"] = wrench
        allocate(parameters[0], state[0])
        ours.append(time.perf_counter() - started)
        started = time.perf_counter()
        scale, least = optimum(matrix, rows, in_service, flow, wrench)
        theirs.append(time.perf_counter() - started)
        assert state[0]["outcome"] in (Outcome.ATTAINED, Outcome.SATURATED)
        assert state[0]["scale"] == pytest.approx(scale, rel=1e-7)
        saturated += state[0]["outcome"] == Outcome.SATURATED
        if least is not None:
            assert flow @ state[0]["duty"][: len(flow)] == pytest.approx(least, rel=1e-6, abs=1e-9)
    assert 0.1 * PROBLEMS < saturated < 0.9 * PROBLEMS, "the problems should be of both kinds"
    with capsys.disabled():
        print(
            f"\nallocation of {PROBLEMS} wrenches, median / worst: ours {np.median(ours) * 1e6:.1f} / "
            f"{max(ours) * 1e6:.0f} µs called from Python, HiGHS (both stages) {np.median(theirs) * 1e6:.0f} / "
            f"{max(theirs) * 1e6:.0f} µs; at most {max(iterations)} iterations"
        )


def test_what_nnls_cannot_reach_is_reported_as_unreachable():
    rng = np.random.default_rng(11)
    verdicts = set()
    for _ in range(200):
        matrix = np.zeros((6, 5))
        matrix[:3] = rng.normal(size=(3, 5))
        wrench = np.concatenate([rng.normal(size=3), np.zeros(3)])
        reachable = nnls(matrix[:3], wrench[:3])[1] < 1e-9
        parameters, state = layout(matrix, np.ones(5), np.ones(5, bool), np.arange(6) < 3), np.zeros(1, STATE)
        state[0]["wrench"] = 1e-3 * wrench
        allocate(parameters[0], state[0])
        assert (state[0]["outcome"] != Outcome.UNREACHABLE) == reachable
        verdicts.add(reachable)
    assert verdicts == {True, False}


def test_the_demo_vehicle_spends_the_least_gas_by_duality():
    """Small wrenches meet no upper bound, so the least gas is that of the dual: the largest y·w, matrixᵀ y <= flow."""
    allocation = Allocation(vehicle(), "cabin", CABIN_AXES)
    p = allocation.parameters[0]
    matrix = vehicle().thrusters.wrench_matrix((0.0, 0.0, 0.0))
    flow = p["flow"][: matrix.shape[1]]
    rng = np.random.default_rng(2)
    for _ in range(50):
        wrench = rng.normal(size=6) * SIZE * 0.02
        duty, scale, _ = allocation.allocate(wrench)
        dual = linprog(-wrench, A_ub=matrix.T, b_ub=flow, bounds=[(None, None)] * 6, method="highs")
        assert scale == 1.0
        assert flow @ duty == pytest.approx(-dual.fun, rel=1e-6)
