"""The plenum: closed forms against quadrature and an independent solver, and a gas balance to rounding."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp

from testbed.model.plenum import drawn, exponential_integrals, note_drawn, set_flow, strength_integrals
from tests.model.scene import CABIN, START, a_plant, a_schedule, a_vehicle, run

SAG = 0.12


def sagging(**thrusters):
    return a_plant(a_vehicle(thrusters={"delay_jitter": 0.0, "maximum_sag": SAG} | thrusters), room=CABIN)


def weighted(time, power, decay):
    return time**power * math.exp(-decay * time)


@settings(deadline=None, max_examples=200)
@given(st.floats(0.0, 1e4), st.floats(1e-9, 0.2))
def test_integrals_of_an_exponential_agree_with_quadrature(decay, duration):
    x = decay * duration  # over the dimensionless time, where quadrature sees the whole curve
    last = min(1.0, 60.0 / max(x, 1e-9))
    for power, found in enumerate(exponential_integrals(decay, duration)):
        exact, _ = quad(weighted, 0.0, last, args=(power, x), epsabs=0, epsrel=1e-12)
        assert found == pytest.approx(exact * duration ** (power + 1), rel=1e-10)


@pytest.mark.parametrize("x", [0.0, 1e-9, 1e-3, 0.05, 0.2, 0.3999999])
def test_the_series_for_short_intervals_is_exact_to_rounding(x):
    terms = [math.fsum((-x) ** j / (math.factorial(j) * (j + n)) for j in range(40)) for n in (1, 2, 3)]
    assert exponential_integrals(x, 1.0) == pytest.approx(terms, rel=2e-15)


@pytest.mark.parametrize(("count", "share"), [(1, 1.0), (2, None), (3, None), (4, 1.0 - SAG)])
def test_steady_thrust_follows_from_what_the_regulator_lets_in_and_the_valves_let_out(count, share):
    plant = sagging()
    plant.accept_schedule(0, a_schedule(START, (0.0, tuple(range(count))), (0.2, ())), START)
    run(plant, 20)
    vehicle, state = plant.vehicles[0], plant.states[0]
    conductance, flow = vehicle["regulator_conductance"], count * vehicle["valve_flow"][0]
    assert state["flow"] == pytest.approx(flow, rel=1e-12)
    pressure = conductance * state["lockup_pressure"] / (conductance + flow)
    left = math.exp(-state["plenum_decay"] * 0.194)  # several time constants, but not endless
    assert state["plenum_pressure"] == pytest.approx(pressure, rel=0.2 * left)
    # at the tank's first pressure: nominal with one valve open, maximum_sag less with four
    start = conductance * vehicle["lockup_start"] / (conductance + flow)
    strength = (start - vehicle["back_pressure"]) / (vehicle["nominal_pressure"] - vehicle["back_pressure"])
    assert strength == pytest.approx(share or strength, rel=1e-12)
    assert 1.0 - SAG <= strength * (1.0 + 1e-12) <= 1.0 + 1e-11


def test_pressure_over_changing_flows_agrees_with_an_independent_solver():
    plant = sagging()
    vehicle, state = plant.vehicles[0], plant.states[0]
    one = float(vehicle["valve_flow"][0])
    now, conductance, capacity = 0.0, float(vehicle["regulator_conductance"]), float(vehicle["plenum_capacity"])
    pressure = float(state["plenum_pressure"])
    for flow, duration in ((3 * one, 0.013), (one, 0.004), (0.0, 0.05), (6 * one, 0.1)):
        set_flow(vehicle, state, flow)
        strength_integrals(vehicle, state, duration)
        solution = solve_ivp(
            lambda t, p, flow=flow: (conductance * (state["lockup_pressure"] - p) - flow * p) / capacity,
            (now, now + duration), [pressure], method="DOP853", rtol=1e-12, atol=1e-6,
        )  # fmt: skip
        now, pressure = now + duration, float(solution.y[0, -1])
        assert state["plenum_pressure"] == pytest.approx(pressure, rel=1e-10)


@settings(deadline=None, max_examples=50)
@given(st.lists(st.tuples(st.integers(0, 12), st.floats(1e-6, 0.05)), min_size=1, max_size=20), st.integers(1, 7))
def test_what_is_drawn_is_what_is_released_and_what_fills_the_plenum_in_whatever_steps(parts, pieces):
    whole, split = sagging(), sagging()
    for plant, count in ((whole, 1), (split, pieces)):
        vehicle, state = plant.vehicles[0], plant.states[0]
        before = float(state["plenum_pressure"])
        sums = np.zeros(3)
        for valves, duration in parts:
            set_flow(vehicle, state, float(vehicle["valve_flow"][:valves].sum()))
            for _ in range(count):
                sums[0] += strength_integrals(vehicle, state, duration / count)[0]
        filled = vehicle["plenum_capacity"] * (state["plenum_pressure"] - before)
        came = drawn(vehicle, state)
        assert came == pytest.approx(state["gas_released"] + filled, rel=1e-12, abs=1e-18)
        note_drawn(state)
        assert drawn(vehicle, state) == 0.0
        plant.came = came
        plant.sums = sums
    assert split.sums[0] == pytest.approx(whole.sums[0], rel=1e-12)
    assert split.came == pytest.approx(whole.came, rel=1e-11, abs=1e-18)
