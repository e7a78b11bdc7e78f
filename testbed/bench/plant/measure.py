"""Time of one step of three vehicles beside MuJoCo's, accuracy of both, and how the cost grows with their number."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable, Sequence
from itertools import cycle, islice
from typing import Final

import numpy as np
from numpy.typing import NDArray

from testbed.bench.figure import Figure
from testbed.bench.plant.flight import APART, CLOSE, Flight, crowded, floating
from testbed.bench.plant.mujoco_peer import INTEGRATORS, Peer
from testbed.bench.plant.reference import integrate
from testbed.bench.processes import MeasurementError
from testbed.description.effects import Actual, Effect, switch_off
from testbed.description.rotation import heading
from testbed.description.table import Table
from testbed.model.records import MAX_VEHICLES
from testbed.plan.configuration import Configuration

VALVES: Final = "valves as its actuators"
TABLE: Final = "forces from a table"
"""Two ways to give MuJoCo the same forces: it works them out from the openings of its own valves, as the plant does, or
it is handed the sum on each body, worked out beforehand."""
FASTER: Final = 10.0
"""Least ratio of MuJoCo's time per step to ours (issue 3), with its fastest integrator. Which of the two ways is meant
can be read either way: both are held against it."""
COUNTS: Final = (1, 2, 4, 8, 16, 32, 64)
CROWDS: Final = (4, 8, 16, 32, 64)
FLOATING_EXPONENT: Final = 1.1
CROWDED_EXPONENT: Final = 2.0
"""Cost of n vehicles ~ n to this power, at most (issue 3: linear; under quadratic)."""
ACCURACY_SECONDS: Final = 2.0
COMPARED: Final = frozenset({Effect.VALVE_DELAY, Effect.VALVE_RAMP, Effect.TILT, Effect.FILM_DRAG})
"""What is on where accuracy is compared: all else has no closed form or no counterpart in MuJoCo. Speed is that of
everything."""
REPEATS: Final = 3
"""Flights in a row of each in every pass, so that the later ones find their inputs in the cache, as in a session."""
SHORT: Final = 1.0
"""Emulated seconds of a flight of many vehicles."""


def plant_speed(configuration: Configuration, passes: int, seconds: float, tell: Callable[[str], None]) -> list[Figure]:
    """Time the plant and MuJoCo in turn, so that both meet the same machine; shortest of the passes.

    Raises:
        MeasurementError: MuJoCo is not installed, or the plan has not three vehicles on a table.

    """
    if importlib.util.find_spec("mujoco") is None:
        raise MeasurementError("mujoco is not installed (extra `dev`)")
    table, vehicles = configuration.table, list(configuration.vehicles.values())
    if table is None or len(vehicles) != 3:
        raise MeasurementError("the plan has not three vehicles on a table")
    tell("plant: reference of its flight")
    exact, peers, inputs, errors = _compare(configuration, seconds)
    flight, near = (floating(configuration, vehicles, table, seconds, spacing) for spacing in (APART, CLOSE))
    ours, close, schedules, theirs = [], [], [], {name: list[float]() for name in peers}
    for number in range(passes):
        tell(f"plant: pass {number + 1} of {passes}")
        ours += [flight.fly()[1] for _ in range(REPEATS)]
        close += [near.fly()[1] for _ in range(REPEATS)]
        schedules.append(flight.take_schedules())
        for name, peer in peers.items():
            theirs[name] += [peer.fly(inputs[name])[1] for _ in range(REPEATS)]
    step = min(ours)
    figures = [
        Figure("plant, one step of 3 vehicles", 1e6 * step, "µs", note=f"error {exact:.1e} m"),
        Figure("plant, one step with jets that reach others", 1e6 * min(close), "µs", note=f"{CLOSE:g} m apart"),
        Figure("plant, schedules taken in per step", 1e6 * min(schedules), "µs", note="part of the above"),
    ]
    for name, times in theirs.items():
        note = f"the plant is {min(times) / step:.1f} times faster; error {errors[name]:.1e} m"
        figures.append(Figure(f"MuJoCo, one step, {name}", 1e6 * min(times), "µs", note=note))
    for way in (VALVES, TABLE):
        fastest = min((name for name in theirs if name.endswith(way)), key=lambda name: min(theirs[name]))
        what = f"plant, times faster than MuJoCo with {way}"
        figures.append(Figure(what, min(theirs[fastest]) / step, "×", at_least=FASTER, note=fastest.split(",")[0]))
    return figures


def _compare(
    configuration: Configuration, seconds: float
) -> tuple[float, dict[str, Peer], dict[str, NDArray[np.float64]], dict[str, float]]:
    """Fly what has a reference: error of the plant (m), MuJoCo's ways, their inputs, and their errors (m)."""
    assert configuration.table is not None
    vehicles = tuple(configuration.vehicles.values())
    world = Actual(vehicles, configuration.table, configuration.beacons, configuration.noise)
    plain = switch_off(set(Effect) - COMPARED, world)
    assert isinstance(plain.room, Table)
    flight = floating(configuration, plain.vehicles, plain.room, ACCURACY_SECONDS)
    plant, states = flight.plant, flight.plant.states
    reference = integrate(plant.world[0], plant.vehicles, states, flight.on_times, ACCURACY_SECONDS)
    end, _ = flight.fly()
    reached = np.array([[*state["centre"][:2], heading(state["orientation"])] for state in end])
    peers, inputs, errors = dict[str, Peer](), dict[str, NDArray[np.float64]](), dict[str, float]()
    for integrator in INTEGRATORS:
        for valves in (False, True):
            name = f"{integrator}, {VALVES if valves else TABLE}"
            peer = Peer(plant.world[0], plant.vehicles, states, integrator, valves)
            accuracy, _ = peer.fly(peer.inputs(reference, len(flight.noise)))
            peers[name], errors[name] = peer, _distance(accuracy, reference.end)
            inputs[name] = peer.inputs(reference, round(seconds / ACCURACY_SECONDS) * len(flight.noise))
    return _distance(reached, reference.end), peers, inputs, errors


def _distance(reached: NDArray[np.float64], wanted: NDArray[np.float64]) -> float:
    """Largest distance of a body from where it ought to be, m."""
    return float(np.linalg.norm((reached - wanted)[:, :2], axis=1).max())


def plant_scaling(configuration: Configuration, passes: int, tell: Callable[[str], None]) -> list[Figure]:
    """Cost of a step over the number of vehicles: afloat apart from each other, and in a crowd that keeps touching."""
    figures = []
    for what, make, counts, most in (
        ("free flight", floating, COUNTS, FLOATING_EXPONENT),
        ("contact", crowded, CROWDS, CROWDED_EXPONENT),
    ):
        possible = [count for count in counts if count <= MAX_VEHICLES]
        flights = [_many(configuration, make, count) for count in possible]
        costs = np.full(len(possible), np.inf)
        for number in range(passes):
            tell(f"plant: {what} of up to {possible[-1]} vehicles, pass {number + 1} of {passes}")
            costs = np.minimum(costs, [flight.fly()[1] for flight in flights])
        note = ", ".join(f"{count}: {1e6 * cost:.2f} µs" for count, cost in zip(possible, costs, strict=True))
        figures.append(
            Figure(f"plant, {what}: cost ~ n to the power of", exponent(possible, costs), "", at_most=most, note=note)
        )
    return figures


def exponent(counts: Sequence[int], costs: NDArray[np.float64]) -> float:
    """The p of cost ~ n^p by least squares over the logarithms."""
    if len(counts) < 2:
        return float("nan")
    return float(np.polyfit(np.log(counts), np.log(costs), 1)[0])


def _many(configuration: Configuration, make: Callable[..., Flight], count: int) -> Flight:
    assert configuration.table is not None
    vehicles = list(islice(cycle(configuration.vehicles.values()), count))
    return make(configuration, vehicles, configuration.table, SHORT)
