"""Allocation: the demo lab's figures, saturation, valves out of service, the answer at the iteration cap."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from testbed.description.axes import CABIN_AXES, TABLE_AXES
from testbed.flight.allocation import Allocation, Outcome
from testbed.flight.allocation.allocation import STATE, allocate, layout
from tests.flight.example_vehicle import vehicle, with_valve_out

TABLE = np.array([0, 1, 5])


@st.composite
def layouts(draw, least=1):
    """A random layout: matrix (6, valves), active axes, valves in service, a wrench on the active axes."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    rows = draw(st.integers(least, 6))
    count = draw(st.integers(rows + 1, 16))
    active = np.zeros(6, bool)
    active[rng.permutation(6)[:rows]] = True
    size = np.array([0.15, 0.15, 0.15, 0.02, 0.02, 0.02])
    matrix = rng.normal(size=(6, count)) * size[:, None]
    in_service = rng.random(count) > 0.1
    wrench = rng.normal(size=6) * size * draw(st.sampled_from([0.1, 1.0, 5.0]))
    return matrix, active, in_service, wrench


@pytest.mark.parametrize(
    ("axis", "figure"), [("x", 0.26), ("y", 0.45), ("z", 0.30), ("roll", 0.039), ("pitch", 0.039), ("yaw", 0.053)]
)
def test_authority_is_what_the_demo_lab_states(axis, figure):
    direction = np.eye(6)[CABIN_AXES.index(axis)]
    allocation = Allocation(vehicle(), "cabin", CABIN_AXES)
    for sense in (1.0, -1.0):
        assert allocation.authority(sense * direction) == pytest.approx(figure, rel=0.02)


@pytest.mark.parametrize("name", [valve.name for valve in vehicle().thrusters.valves if "vertical" not in valve.name])
def test_planar_control_survives_the_loss_of_any_one_valve_in_the_plane(name):
    allocation = Allocation(with_valve_out(name), "table", TABLE_AXES)
    for axis in TABLE:
        for sense in (1.0, -1.0):
            assert allocation.authority(sense * np.eye(6)[axis]) > 0.0


def test_six_axis_control_is_lost_with_a_vertical_valve_and_that_is_reported():
    allocation = Allocation(with_valve_out("vertical_0"), "cabin", CABIN_AXES)
    reach = [allocation.authority(sense * axis) for axis in np.eye(6) for sense in (1.0, -1.0)]
    assert min(reach) == 0.0
    lost = np.eye(6)[2] if reach[4] == 0.0 else -np.eye(6)[2]
    duty, scale, outcome = allocation.allocate(0.01 * lost)
    assert outcome == Outcome.UNREACHABLE
    assert scale == 0.0
    assert np.all(duty == 0.0)


def test_held_axes_cost_no_gas():
    allocation = Allocation(vehicle(), "table", TABLE_AXES)
    duty, scale, outcome = allocation.allocate(np.array([0.0, 0.0, 0.2, 0.01, 0.01, 0.0]))
    assert np.all(duty == 0.0)
    assert (scale, outcome) == (1.0, Outcome.ATTAINED)


@settings(deadline=None, max_examples=300)
@given(layouts())
def test_duties_are_within_bounds_and_give_the_scaled_wrench(problem):
    matrix, active, in_service, wrench = problem
    parameters, state = layout(matrix, np.ones(matrix.shape[1]), in_service, active), np.zeros(1, STATE)
    state[0]["wrench"] = wrench
    allocate(parameters[0], state[0])
    duty, scale = state[0]["duty"][: matrix.shape[1]], state[0]["scale"]
    assert np.all((duty >= 0.0) & (duty <= in_service))
    assert 0.0 <= scale <= 1.0
    assert matrix[active] @ duty == pytest.approx(scale * wrench[active], abs=1e-11)
    assert state[0]["outcome"] != Outcome.CAPPED


@settings(deadline=None, max_examples=100)
@given(layouts(), st.floats(1.0, 1e6))
def test_a_saturated_wrench_keeps_its_direction_however_long_it_is(problem, factor):
    matrix, active, in_service, wrench = problem
    parameters, state = layout(matrix, np.ones(matrix.shape[1]), in_service, active), np.zeros(1, STATE)
    state[0]["wrench"] = wrench
    allocate(parameters[0], state[0])
    if state[0]["outcome"] != Outcome.SATURATED:
        return
    duty, scale = state[0]["duty"].copy(), state[0]["scale"]
    state[0]["wrench"] = factor * wrench
    allocate(parameters[0], state[0])
    assert state[0]["scale"] == pytest.approx(scale / factor, rel=1e-6)
    assert matrix[active] @ (state[0]["duty"] - duty)[: matrix.shape[1]] == pytest.approx(0.0, abs=1e-9)


def test_opposed_valves_never_push_against_each_other():
    rng = np.random.default_rng(5)
    allocation = Allocation(vehicle(), "cabin", CABIN_AXES)
    up = [i for i, valve in enumerate(vehicle().thrusters.valves) if valve.force()[2] > 0.1]
    down = [i for i, valve in enumerate(vehicle().thrusters.valves) if valve.force()[2] < -0.1]
    for _ in range(200):
        duty, _, _ = allocation.allocate(rng.normal(size=6) * np.array([0.05, 0.05, 0.05, 0.006, 0.006, 0.006]))
        # Two up and two down valves suffice for lift, roll and pitch; all four at once would only waste gas.
        assert min(*duty[up], *duty[down]) == 0.0


@pytest.mark.parametrize("cap", range(10))
def test_at_the_iteration_cap_the_answer_is_still_feasible(cap):
    rng = np.random.default_rng(3)
    for _ in range(50):
        matrix, wrench = rng.normal(size=(6, 16)), rng.normal(size=6)
        parameters, state = layout(matrix, np.ones(16), np.ones(16, bool), np.ones(6, bool)), np.zeros(1, STATE)
        parameters["iteration_cap"] = cap
        state[0]["wrench"] = wrench
        allocate(parameters[0], state[0])
        assert state[0]["work"]["iterations"] <= cap
        if cap < 7:  # one step each until the wrench and five valves have replaced the artificial variables, then more
            assert state[0]["outcome"] == Outcome.CAPPED
        duty = state[0]["duty"]
        assert np.all((duty >= 0.0) & (duty <= 1.0))
        assert matrix @ duty == pytest.approx(state[0]["scale"] * wrench, abs=1e-10)


@settings(deadline=None, max_examples=60)
@given(layouts(), st.floats(0.0, 0.6))
def test_where_no_valve_can_give_its_whole_time_the_least_gas_is_that_of_the_lower_bound(found, lost):
    """Twice, so that a kept basis answers too; against HiGHS."""
    matrix, active, in_service, wrench = found
    flow = np.linspace(1.0, 1.5, matrix.shape[1])
    parameters, state = layout(matrix, flow, in_service, active), np.zeros(1, STATE)
    for bound in (0.0, lost, lost):
        state[0]["wrench"], state[0]["lost"] = np.where(active, wrench, 0.0), bound
        allocate(parameters[0], state[0])
        duty, scale = state[0]["duty"][: len(flow)], float(state[0]["scale"])
        assert duty.max() <= 1.0 - bound + 1e-9
        assert matrix[active] @ duty == pytest.approx(scale * wrench[active], abs=1e-9)
        bounds = [(0.0, (1.0 - bound) * float(used)) for used in in_service]
        rows = 1.0 / np.abs(matrix[active]).max(axis=1)
        columns = np.column_stack([matrix[active], -wrench[active]]) * rows[:, None]
        gain = np.append(np.zeros(len(flow)), -1.0)
        most = linprog(gain, A_eq=columns, b_eq=np.zeros(len(rows)), bounds=[*bounds, (0.0, 1.0)], method="highs")
        assert scale == pytest.approx(-most.fun, abs=1e-6)
        least = linprog(flow, A_eq=columns[:, :-1], b_eq=scale * wrench[active] * rows, bounds=bounds, method="highs")
        if least.status == 0:
            assert flow @ duty == pytest.approx(least.fun, rel=1e-6, abs=1e-9)
