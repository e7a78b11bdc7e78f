"""Constant wrenches through the whole driver over drawn layouts; tests/prove repeats it 10,000 times."""

from dataclasses import dataclass, field

import numpy as np
import pytest
from scipy.optimize import linprog

from testbed.description import messages
from testbed.description.flight_limits import FlightLimits
from testbed.flight.allocation import Allocation
from testbed.flight.thruster_driver import ThrusterDriver
from tests.drawn.layouts import drawn_wrench, spanning_layout
from tests.drawn.sagging import mean_strength, sagging_optimum
from tests.flight.fired import fired, with_thrusters

START, PERIODS, PERIOD = messages.LOCKSTEP_START_NS, 100, 100_000_000
SECONDS = PERIODS * PERIOD * 1e-9
SHARES = (1e-4, 1e-3, 0.01, 0.1, 0.3, 0.6, 0.9)
"""Of the largest wrench along a direction, from single pulses that are many periods apart on."""

OUT_OF_REACH = FlightLimits(speed=100.0, spin=100.0, contact_energy=1e6)
"""The strongest drawn layouts could exceed the vehicle's own limit of spin within a period, and be trimmed for it."""


@dataclass
class Found:
    """Of each wrench: largest error of a valve's impulse in bits, gas beyond 1.01 times the least in bits per valve.

    Least is what any pulses of valves with this supply take (sagging.py). Where no pulses give the wrench: the error of
    the direction instead, which is that from the nearest multiple of the wrench (projected: from the one that is the
    impulse's projection on it), and this multiple over the largest that any can give.
    """

    error: list = field(default_factory=list)
    beyond: list = field(default_factory=list)
    direction: list = field(default_factory=list)
    projected: list = field(default_factory=list)
    reached: list = field(default_factory=list)
    limited_error: list = field(default_factory=list)
    limited_beyond: list = field(default_factory=list)
    booked: list = field(default_factory=list)


def drive_constant(layout, wrench):
    """Schedules of 100 periods, and the seconds of nominal thrust per valve that the driver believes they gave."""
    driver = ThrusterDriver(layout.vehicle, layout.place, layout.axes, OUT_OF_REACH)
    odometry, message = np.zeros(1, messages.ODOMETRY), np.zeros(1, messages.WRENCH)
    odometry["orientation"][:, 3] = 1.0
    message["force"], message["torque"] = wrench[:3], wrench[3:]
    schedules, believed = [], np.zeros(messages.MAX_VALVES)
    for number in range(PERIODS):
        message["stamp"] = odometry["stamp"] = START + number * PERIOD
        schedule = np.zeros(1, messages.SCHEDULE)
        driver.step(odometry, message, True, schedule)
        schedules.append(schedule[0])
        believed += driver.state[0]["modulation"]["pulses"]["given"]
    return schedules, believed[: len(layout.flow)], driver


def drive_layouts(seed, layouts, plant_every):
    """Drive drawn layouts, every n-th of them in the plant, the others by what the driver books (test_supply.py)."""
    generator, found = np.random.default_rng(seed), Found()
    for number in range(layouts):
        layout = spanning_layout(generator, sag=generator.uniform(0.0, 0.2))
        wrench = drawn_wrench(generator, layout, (1.0,))
        reach = Allocation(layout.vehicle, layout.place, layout.axes).authority(wrench)
        wrench *= generator.choice(SHARES) * reach
        schedules, given, driver = drive_constant(layout, wrench)
        if number % plant_every == 0:
            actual, _ = fired(with_thrusters(layout.vehicle), schedules)
            found.booked.append(np.abs(actual - given).max())
            given = actual
        bit = float(driver.parameters[0]["modulation"]["bit"])
        rows, impulse = layout.scaled(wrench), layout.matrix @ given
        supply = driver.parameters[0]["modulation"]["supply"]
        scale, least = sagging_optimum(layout, rows, supply)
        if scale < 1.0:
            error, share = nearest_multiple(layout, impulse, rows)
            found.direction.append(error / bit)
            found.projected.append(largest_error(layout, impulse - (impulse @ rows) / (rows @ rows) * rows) / bit)
            found.reached.append(share / SECONDS / scale)
            continue
        found.error.append(largest_error(layout, rows * SECONDS - impulse) / bit)
        found.beyond.append(gas_beyond(layout, given, least, bit))
        if least.max() >= mean_strength(supply, supply["draw"][: len(least)] @ least) - 1e-6:
            found.limited_error.append(found.error[-1])
            found.limited_beyond.append(found.beyond[-1])
    return found


def gas_beyond(layout, given, least, bit):
    """Gas beyond 1.01 times what the least duties take, in bits per valve in service."""
    beyond = layout.flow @ given - 1.01 * SECONDS * layout.flow @ least
    return beyond / (bit * layout.flow[layout.in_service].sum())


def largest_error(layout, missing):
    """Smallest t such that valve times between -t and t give the missing impulse, s."""
    return nearest_multiple(layout, missing, np.zeros(len(missing)))[0]


def nearest_multiple(layout, impulse, rows):
    """Smallest t for which valve times between -t and t give all of the impulse but a multiple of `rows`, and which, s.

    In a layout whose valves hardly push along the wrench small times make for much impulse along it, so that the
    multiple which the impulse's projection is may be far from the nearest.
    """
    used = layout.matrix[:, layout.in_service]
    count = used.shape[1]
    identity, free = np.eye(count), np.zeros((count, 1))
    bounded = np.vstack([np.hstack([sign * identity, free, np.full((count, 1), -1.0)]) for sign in (1.0, -1.0)])
    found = linprog(
        np.append(np.zeros(count + 1), 1.0),
        A_ub=bounded * 1e3,
        b_ub=np.zeros(2 * count),
        A_eq=np.column_stack([used, rows, np.zeros(len(used))]) * 1e3,
        b_eq=impulse * 1e3,
        bounds=[(None, None)] * (count + 1) + [(0.0, None)],
        method="highs",
    )
    assert found.status == 0
    return found.fun, found.x[count]


def test_a_constant_wrench_is_given_to_one_bit_per_valve_with_the_least_gas():
    found = drive_layouts(301, 40, plant_every=4)
    assert max(found.error) <= 1.0
    assert max(found.beyond) <= 1.0
    assert max(found.direction) <= 1.0
    assert found.limited_error, "some are limited by the sagging supply; they count as all others"
    assert max(found.booked) <= 3e-3, "over 100 periods the plant and the driver's belief agree"


@pytest.mark.parametrize("factor", [0.9, 1.0, 3.0])
def test_beyond_what_the_sagging_supply_can_give_the_direction_of_the_impulse_is_kept(factor):
    """From what is just too much with sag on: the plant's impulse is along the wrench to one bit per valve."""
    generator = np.random.default_rng(302)
    for _ in range(5):
        layout = spanning_layout(generator, sag=0.15)
        wrench = drawn_wrench(generator, layout, (1.0,))
        wrench *= factor * Allocation(layout.vehicle, layout.place, layout.axes).authority(wrench)
        schedules, _, driver = drive_constant(layout, wrench)
        rows = layout.scaled(wrench)
        impulse = layout.matrix @ fired(with_thrusters(layout.vehicle), schedules)[0]
        error, share = nearest_multiple(layout, impulse, rows)
        assert share * max(factor, 1.0) > 0.6 * SECONDS
        assert error <= float(driver.parameters[0]["modulation"]["bit"])


def test_at_the_edge_of_what_the_sagging_supply_can_give_impulse_and_gas_are_as_anywhere():
    """From 97 to 99.9 % of what steady valves would give; pulses draw less evenly, and can't give quite as much."""
    generator, limited = np.random.default_rng(303), 0
    for _ in range(25):
        layout = spanning_layout(generator, sag=generator.uniform(0.0, 0.2))
        wrench = drawn_wrench(generator, layout, (1.0,))
        wrench *= Allocation(layout.vehicle, layout.place, layout.axes).authority(wrench)
        modulating = ThrusterDriver(layout.vehicle, layout.place, layout.axes).parameters[0]["modulation"]
        largest, _ = sagging_optimum(layout, layout.scaled(wrench), modulating["supply"])
        wrench *= generator.uniform(0.97, 0.999) * largest
        limited += largest < 1.0
        _, least = sagging_optimum(layout, layout.scaled(wrench), modulating["supply"])
        _, given, _ = drive_constant(layout, wrench)
        bit = float(modulating["bit"])
        assert largest_error(layout, layout.scaled(wrench) * SECONDS - layout.matrix @ given) <= bit
        assert gas_beyond(layout, given, least, bit) <= 1.0
    assert limited > 12
