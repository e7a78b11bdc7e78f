"""The plant: emulated vehicles on the table or in the cabin, advanced tick by tick.

The kernels here and in the files beside it take the records of records.py; `Plant` builds those and offers the same
calls to Python. In each tick: `listen` for every vehicle, then `advance`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.beacons import Beacons
from testbed.description.cabin import Cabin
from testbed.description.messages import NS_PER_S, TICK_NS
from testbed.description.noise import Noise
from testbed.description.rotation import from_heading, heading, normalise, rotate
from testbed.description.table import Table
from testbed.description.vehicle import Vehicle
from testbed.model.battery import drain
from testbed.model.bodies import MOTION, STAGE, load, step_bodies
from testbed.model.contact import CONTACT_STEPS, EDGE, find_near, note_impact_speeds
from testbed.model.draws import Draws
from testbed.model.edges import fill_open, take_edges
from testbed.model.gas import supply_strength, tank_pressure, use_gas
from testbed.model.inertial_sensor import keep_means, rest_means, sense_imu
from testbed.model.parameters import build_vehicles, build_world
from testbed.model.ranging import listen, take_ranges
from testbed.model.records import STATE, WORLD_STATE
from testbed.model.schedule import Verdict, accept_schedule, close_valves, command_valves
from testbed.model.valves import move_valves, rest_valves


@njit(cache=True)
def advance(
    world: Any, vehicles: Any, world_state: Any, states: Any, stamp: int, valve_noise: NDArray[np.float64]
) -> None:
    """Advance everything from `stamp` to `stamp` + TICK_NS.

    valve_noise: standard normals, shape (vehicles, MAX_VALVES, 2). Afterwards each state holds the commanded edges of
    this tick; contacts add up in `world_state` until they are cleared.
    """
    count = len(states)
    end = stamp + TICK_NS
    before = np.empty((count, MOTION))
    scratch = np.empty((count, 4, MOTION))
    thrust = np.empty((count, 4, 3))
    push = np.zeros((count, 2, 3))
    near = np.empty(count, np.bool_)
    touching = find_near(world, vehicles, states, near)
    members = np.empty(count, np.int64)
    member_count = 0
    for i in range(count):
        load(states[i], before[i])
        valve_seconds = command_valves(vehicles[i], states[i], stamp, end, valve_noise[i])
        drain(vehicles[i], states[i], TICK_NS / NS_PER_S, valve_seconds)
        if near[i]:
            members[member_count] = i
            member_count += 1
        else:
            members[count - 1] = i
            push_and_step(
                world, vehicles, world_state, states, members[count - 1 :], False, scratch, thrust, push, stamp, end
            )
    if touching:
        step = TICK_NS // CONTACT_STEPS
        for begin in range(stamp, end, step):
            push_and_step(
                world,
                vehicles,
                world_state,
                states,
                members[:member_count],
                True,
                scratch,
                thrust,
                push,
                begin,
                begin + step,
            )
    for i in range(count):
        keep_means(world, vehicles[i], states[i], before[i])


@njit(cache=True)
def push_and_step(
    world: Any,
    vehicles: Any,
    world_state: Any,
    states: Any,
    members: NDArray[np.int64],
    touching: bool,
    scratch: NDArray[np.float64],
    thrust: NDArray[np.float64],
    push: NDArray[np.float64],
    stamp: int,
    end: int,
) -> None:
    """Move the valves of `members` from `stamp` to `end` (ns), use their gas, and step their bodies."""
    for m in members:
        strength = supply_strength(vehicles[m], states[m])
        use_gas(vehicles[m], states[m], move_valves(vehicles[m], states[m], stamp, end, strength, thrust[m]))
        if touching:
            load(states[m], scratch[m, STAGE])
    if touching:
        note_impact_speeds(world, vehicles, states, members, scratch)
    step_bodies(
        world, world_state, vehicles, states, members, touching, scratch, thrust, push, stamp, (end - stamp) / NS_PER_S
    )


@njit(cache=True)
def place(
    world: Any,
    vehicle: Any,
    state: Any,
    position: NDArray[np.float64],
    orientation: NDArray[np.float64],
    now: int,
) -> None:
    """Put a vehicle there at rest with its valves closed; on the table at floor height and level, keeping the heading.

    position: base_link, m, shape (3,); orientation: shape (4,); both in the fixed frame.
    """
    q = normalise(orientation)
    height = position[2]
    if world.on_table:
        q = from_heading(heading(q))
        height = vehicle.floor_height
    offset = rotate(q, vehicle.centre_of_mass)
    state.position[0], state.position[1], state.position[2] = position[0], position[1], height
    for i in range(4):
        state.orientation[i] = q[i]
    for i in range(3):
        state.centre[i] = state.position[i] + offset[i]
        state.velocity[i] = state.rate[i] = state.linear_velocity[i] = 0.0
    state.pair_impact_speed[:] = 0.0
    state.edge_impact_speed[:] = 0.0
    close_valves(state, now)
    rest_valves(state)
    rest_means(world, state)


@njit(cache=True)
def sense_truth(state: Any, stamp: int, odometry: Any) -> None:
    """Fill `odometry` (messages.ODOMETRY) with the true motion; covariances zero."""
    odometry.stamp = stamp
    for i in range(3):
        odometry.position[i] = state.position[i]
        odometry.linear_velocity[i] = state.linear_velocity[i]
        odometry.angular_velocity[i] = state.rate[i]
    for i in range(4):
        odometry.orientation[i] = state.orientation[i]
    for i in range(6):
        for j in range(6):
            odometry.pose_covariance[i, j] = 0.0
            odometry.twist_covariance[i, j] = 0.0


# For Python: numba looks at every field of a record that Python hands over, 10 µs for a state, but not at an array's.


@njit(cache=True)
def _advance(world: Any, vehicles: Any, world_state: Any, states: Any, stamp: int, valve_noise: Any) -> None:
    advance(world[0], vehicles, world_state[0], states, stamp, valve_noise)


@njit(cache=True)
def _accept_schedule(vehicles: Any, states: Any, index: int, schedule: Any, now: int) -> int:
    return accept_schedule(vehicles[index], states[index], schedule, now)


@njit(cache=True)
def _close_valves(states: Any, index: int, now: int) -> None:
    close_valves(states[index], now)


@njit(cache=True)
def _sense_imu(vehicles: Any, states: Any, index: int, stamp: int, noise: Any, imu: Any) -> None:
    sense_imu(vehicles[index], states[index], stamp, noise, imu)


@njit(cache=True)
def _sense_truth(states: Any, index: int, stamp: int, odometry: Any) -> None:
    sense_truth(states[index], stamp, odometry)


@njit(cache=True)
def _listen(world: Any, vehicles: Any, states: Any, index: int, stamp: int, normals: Any, uniforms: Any) -> None:
    listen(world[0], vehicles, states, index, stamp, normals, uniforms)


@njit(cache=True)
def _take_edges(states: Any, index: int, edges: Any) -> int:
    return take_edges(states[index], edges)


@njit(cache=True)
def _fill_open(states: Any, index: int, stamp: int, edge: Any) -> None:
    fill_open(states[index], stamp, edge)


@dataclass(frozen=True)
class Contact:
    """A touch between two vehicles, or between one and the table's edge (second is None), since the last reading."""

    first: int
    second: int | None
    stamp: int
    peak_force: float
    impulse: float


class Plant:
    """Emulated vehicles in one room. Arrays: `world`, `world_state` of shape (1,); `vehicles`, `states` of shape (n,).

    Vehicles, room and noise are *actual*; beacons are as surveyed and the air as measured, and the errors of both are
    drawn here, as are those of the sensors and of each valve's thrust. Until they are placed, vehicles rest apart from
    each other on a grid around the origin.
    """

    def __init__(
        self, vehicles: Sequence[Vehicle], room: Table | Cabin, beacons: Beacons, noise: Noise, draws: Draws
    ) -> None:
        self.world = build_world(room, beacons, noise, draws)
        self.vehicles = build_vehicles(vehicles, room, noise, draws)
        self.world_state = np.zeros(1, WORLD_STATE)
        self.states = np.zeros(len(vehicles), STATE)
        self.states["cycle_pulse"] = -1
        self.states["gas_mass"] = [vehicle.gas.pressure for vehicle in vehicles] / self.vehicles["pressure_per_mass"]
        self.states["gas_temperature"] = [vehicle.gas.temperature for vehicle in vehicles]
        self.states["battery_energy"] = [vehicle.battery.energy for vehicle in vehicles]
        for index, position in enumerate(self._parking()):
            self.place(index, position, np.array([0.0, 0.0, 0.0, 1.0]), 0)

    def _parking(self) -> NDArray[np.float64]:
        """Positions on a square grid around the origin, half a radius between vehicles, shape (n, 3)."""
        count = len(self.vehicles)
        side = math.ceil(math.sqrt(count))
        row, column = np.divmod(np.arange(count), side)
        spacing = 2.5 * self.vehicles["contact_radius"].max()
        centre = (side - 1) / 2.0
        return spacing * np.column_stack([column - centre, row - centre, np.zeros(count)])

    def advance(self, stamp: int, valve_noise: NDArray[np.float64]) -> None:
        """Advance from `stamp` (ns) by one tick; valve_noise: shape (n, MAX_VALVES, 2)."""
        _advance(self.world, self.vehicles, self.world_state, self.states, stamp, valve_noise)

    def accept_schedule(self, index: int, schedule: np.void, now: int) -> Verdict:
        """Offer a schedule (messages.SCHEDULE record) to a vehicle at `now` (ns)."""
        return Verdict(_accept_schedule(self.vehicles, self.states, index, schedule, now))

    def close_valves(self, index: int, now: int) -> None:
        """Command all valves of a vehicle closed at `now` (ns)."""
        _close_valves(self.states, index, now)

    def place(self, index: int, position: NDArray[np.float64], orientation: NDArray[np.float64], now: int) -> None:
        """Put base_link of a vehicle at a pose in the fixed frame, at rest."""
        place(self.world[0], self.vehicles[index], self.states[index], position, orientation, now)

    def sense_imu(self, index: int, stamp: int, noise: NDArray[np.float64], imu: np.void) -> None:
        """Fill a messages.IMU record; noise: shape (IMU_NORMALS,)."""
        _sense_imu(self.vehicles, self.states, index, stamp, noise, imu)

    def sense_truth(self, index: int, stamp: int, odometry: np.void) -> None:
        """Fill a messages.ODOMETRY record with the true motion."""
        _sense_truth(self.states, index, stamp, odometry)

    def listen(self, index: int, stamp: int, normals: NDArray[np.float64], uniforms: NDArray[np.float64]) -> None:
        """Take in the chirps of the tick from `stamp` (ns); call before `advance`."""
        _listen(self.world, self.vehicles, self.states, index, stamp, normals, uniforms)

    def take_ranges(self, index: int, pulse: int, ranges: np.void) -> None:
        """Fill a messages.RANGES record with the cycle that began at `pulse` (ns)."""
        take_ranges(self.states[index], pulse, ranges)

    def take_edges(self, index: int, edges: NDArray[np.void]) -> int:
        """Fill rows of edges.EDGE with the valve edges of the last tick, and return how many there were."""
        return int(_take_edges(self.states, index, edges))

    def fill_open(self, index: int, stamp: int, edge: np.void) -> None:
        """Fill one edges.EDGE with the valves that are commanded open now."""
        _fill_open(self.states, index, stamp, edge)

    def tank_pressure(self, index: int) -> float:
        """Tank pressure, Pa."""
        return float(tank_pressure(self.vehicles[index], self.states[index]))

    def tank_temperature(self, index: int) -> float:
        """Tank temperature, K."""
        return float(self.states[index]["gas_temperature"])

    def battery_energy(self, index: int) -> float:
        """Energy left in the battery, J."""
        return float(self.states[index]["battery_energy"])

    def take_contacts(self) -> list[Contact]:
        """Return the contacts since the last call."""
        one = self.world_state[0]
        contacts = [
            Contact(
                first=int(one["contact_first"][k]),
                second=None if one["contact_second"][k] == EDGE else int(one["contact_second"][k]),
                stamp=int(one["contact_stamp"][k]),
                peak_force=float(one["contact_peak_force"][k]),
                impulse=float(one["contact_impulse"][k]),
            )
            for k in range(one["contact_count"])
        ]
        one["contact_count"] = 0
        return contacts
