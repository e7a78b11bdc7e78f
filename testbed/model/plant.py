"""The plant: emulated vehicles on the table or in the cabin, advanced tick by tick.

The kernels here and in the files beside it take the records of records.py; `Plant` builds those and offers the same
calls to Python. In each tick: `listen` for every vehicle, then `advance`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

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
from testbed.model.battery import charge_batteries, drain, read_battery
from testbed.model.bearing import run_down
from testbed.model.contact_pool import forget_read, forget_vehicle
from testbed.model.draws import Draws
from testbed.model.edges import fill_open, take_edges
from testbed.model.gliding import glide
from testbed.model.inertial_sensor import keep_start, sense_imu
from testbed.model.joined import set_alone
from testbed.model.latches import command_latch, release_all
from testbed.model.near import find_near
from testbed.model.parameters import build_vehicles, build_world
from testbed.model.parking import parked
from testbed.model.plenum import drawn, note_drawn, rest_plenum, set_flow
from testbed.model.plume import PLUME_NS, spread_plumes
from testbed.model.ranging import listen, take_ranges
from testbed.model.readings import Contact, Latch, read_contacts, read_latches
from testbed.model.records import STATE, WORLD_STATE
from testbed.model.schedule import Verdict, accept_schedule, close_valves, command_valves
from testbed.model.tank import advance_tank, fill_tanks
from testbed.model.touching import advance_touching
from testbed.model.tracking import read_motion, sense_truth
from testbed.model.tumbling import tumble
from testbed.model.uncounted import uncounted
from testbed.model.valves import move_valves, rest_valves

SUPPLY_NS: Final = 200_000_000
"""How often tanks and bearing supplies are brought up to date: as they are read; they take minutes to change."""
_TICK: Final = TICK_NS / NS_PER_S


@njit(cache=True)
def advance(
    world: Any, vehicles: Any, world_state: Any, states: Any, stamp: int, valve_noise: NDArray[np.float64]
) -> None:
    """Advance everything from `stamp` to `stamp` + TICK_NS.

    valve_noise: standard normals, shape (vehicles, MAX_VALVES, 2). Afterwards each state holds the commanded edges of
    this tick; contacts add up in `world_state` until they are cleared.
    """
    end = stamp + TICK_NS
    vehicles, states, valve_noise = uncounted(vehicles), uncounted(states), uncounted(valve_noise)
    near = world_state.near[: len(states)]
    if stamp % SUPPLY_NS == 0:
        for i in range(len(states)):
            update_supplies(world, vehicles[i], states[i], stamp)
    if stamp % PLUME_NS == 0:
        spread_plumes(vehicles, states)
    touching = find_near(world, vehicles, world_state, states, near)
    for i in range(len(states)):
        vehicle, state = vehicles[i], states[i]
        keep_start(state)
        valve_seconds = command_valves(vehicle, state, stamp, end, valve_noise[i])
        if drain(vehicle, state, _TICK, valve_seconds):
            close_valves(state, end)
        if not near[i]:
            move_valves(vehicle, state, stamp, end)
    if world.on_table:
        glide(world, vehicles, world_state, states, near, _TICK)
    else:
        for i in range(len(states)):
            if not near[i]:
                tumble(world, vehicles[i], states[i], world_state.scratch, _TICK)
    if touching:
        advance_touching(world, vehicles, world_state, states, near, stamp)


@njit(cache=True)
def update_supplies(world: Any, vehicle: Any, state: Any, stamp: int) -> None:
    """Let tank and bearing supply follow what was drawn from them up to `stamp` (ns)."""
    rest_plenum(vehicle, state, stamp)
    advance_tank(vehicle, state, drawn(vehicle, state), SUPPLY_NS / NS_PER_S)
    note_drawn(state)
    set_flow(vehicle, state, state.flow)
    run_down(world, vehicle, state, SUPPLY_NS / NS_PER_S)


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
    offset = rotate(q, state.body_centre)
    state.position[0], state.position[1], state.position[2] = position[0], position[1], height
    for i in range(4):
        state.orientation[i] = q[i]
    for i in range(3):
        state.centre[i] = state.position[i] + offset[i]
        state.velocity[i] = state.rate[i] = state.linear_velocity[i] = 0.0
    close_valves(state, now)
    rest_valves(vehicle, state, now)
    state.fired = state.plumed = 0
    state.plume_force[:] = 0.0
    state.plume_torque[:] = 0.0
    state.impulse_before[:] = state.valve_impulse
    keep_start(state)
    state.arrivals = 0  # chirps on their way, and ranges of the cycle so far, were for where it stood
    state.arriving_flight[:] = 0.0
    state.range_count[:] = 0
    state.frame_count = state.frames_lost = 0


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
def _sense_imu(world: Any, vehicles: Any, states: Any, index: int, stamp: int, noise: Any, imu: Any) -> None:
    sense_imu(world[0], vehicles[index], states[index], stamp, noise, imu)


@njit(cache=True)
def _sense_truth(world: Any, states: Any, index: int, stamp: int, noise: Any, odometry: Any) -> None:
    sense_truth(world[0], states[index], stamp, noise, odometry)


@njit(cache=True)
def _read_motion(states: Any, index: int, stamp: int, odometry: Any) -> None:
    read_motion(states[index], stamp, odometry)


@njit(cache=True)
def _listen(world: Any, vehicles: Any, states: Any, index: int, stamp: int, normals: Any, uniforms: Any) -> None:
    listen(world[0], vehicles, states, index, stamp, normals, uniforms)


@njit(cache=True)
def _take_edges(vehicles: Any, states: Any, index: int, edges: Any) -> int:
    return take_edges(vehicles[index], states[index], edges)


@njit(cache=True)
def _fill_open(vehicles: Any, states: Any, index: int, stamp: int, edge: Any) -> None:
    fill_open(vehicles[index], states[index], stamp, edge)


@njit(cache=True)
def _forget_read(world_state: Any) -> None:
    forget_read(world_state[0])


@njit(cache=True)
def _forget_vehicle(world_state: Any, index: int) -> None:
    forget_vehicle(world_state[0], index)


@njit(cache=True)
def _command_latch(
    world: Any, vehicles: Any, world_state: Any, states: Any, index: int, port: int, engaged: bool, now: int
) -> None:
    command_latch(world[0], vehicles, world_state[0], states, index, port, engaged, now)


@njit(cache=True)
def _release_all(world: Any, vehicles: Any, world_state: Any, states: Any, index: int, now: int) -> None:
    release_all(world[0], vehicles, world_state[0], states, index, now)


class Plant:
    """Emulated vehicles in one room. Arrays: `world`, `world_state` of shape (1,); `vehicles`, `states` of shape (n,).

    Vehicles, room and noise are *actual*; beacons are as surveyed and the air as measured, and the errors of both are
    drawn here, as are those of the sensors and of each valve's thrust. Until they are placed, vehicles rest apart from
    each other where parking.py puts them.
    """

    def __init__(
        self, vehicles: Sequence[Vehicle], room: Table | Cabin, beacons: Beacons, noise: Noise, draws: Draws
    ) -> None:
        self.world = build_world(room, beacons, noise, draws)
        self.vehicles = build_vehicles(vehicles, room, noise, draws)
        self.world_state = np.zeros(1, WORLD_STATE)
        self.states = np.zeros(len(vehicles), STATE)
        self.states["cycle_pulse"] = -1
        fill_tanks([vehicle.gas for vehicle in vehicles], self.vehicles, self.states)
        for vehicle, state in zip(self.vehicles, self.states, strict=True):
            set_flow(vehicle, state, 0.0)
        if isinstance(room, Table):
            self.states["carriage_pressure"] = room.bearing.start_pressure
        self.states["port_latch"] = -1
        charge_batteries(self.vehicles, self.states)
        for index, (vehicle, state) in enumerate(zip(self.vehicles, self.states, strict=True)):
            set_alone(vehicle, state, index)
        radius = float(self.vehicles["contact_radius"].max())
        for index, (position, orientation) in enumerate(zip(*parked(room, len(vehicles), radius), strict=True)):
            self.place(index, position, orientation, 0)

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
        _release_all(self.world, self.vehicles, self.world_state, self.states, index, now)
        place(self.world[0], self.vehicles[index], self.states[index], position, orientation, now)
        _forget_vehicle(self.world_state, index)

    def sense_imu(self, index: int, stamp: int, noise: NDArray[np.float64], imu: np.void) -> None:
        """Fill a messages.IMU record; noise: shape (IMU_NORMALS,)."""
        _sense_imu(self.world, self.vehicles, self.states, index, stamp, noise, imu)

    def sense_truth(self, index: int, stamp: int, noise: NDArray[np.float64], odometry: np.void) -> None:
        """Fill a messages.ODOMETRY record with what overhead tracking says; noise: shape (TRACKING_NORMALS,)."""
        _sense_truth(self.world, self.states, index, stamp, noise, odometry)

    def read_motion(self, index: int, stamp: int, odometry: np.void) -> None:
        """Fill a messages.ODOMETRY record with the motion as it is."""
        _read_motion(self.states, index, stamp, odometry)

    def listen(self, index: int, stamp: int, normals: NDArray[np.float64], uniforms: NDArray[np.float64]) -> None:
        """Take in the chirps of the tick from `stamp` (ns); call before `advance`."""
        _listen(self.world, self.vehicles, self.states, index, stamp, normals, uniforms)

    def take_ranges(self, index: int, pulse: int, ranges: np.void) -> None:
        """Fill a messages.RANGES record with the cycle that began at `pulse` (ns)."""
        take_ranges(self.states[index], pulse, ranges)

    def take_edges(self, index: int, edges: NDArray[np.void]) -> int:
        """Fill rows of edges.EDGE with the valve edges of the last tick, and return how many there were."""
        return int(_take_edges(self.vehicles, self.states, index, edges))

    def fill_open(self, index: int, stamp: int, edge: np.void) -> None:
        """Fill one edges.EDGE with the valves that are open now."""
        _fill_open(self.vehicles, self.states, index, stamp, edge)

    def tank_pressure(self, index: int) -> float:
        """Tank pressure, Pa."""
        return float(self.states[index]["tank_pressure"])

    def tank_temperature(self, index: int) -> float:
        """Tank temperature, K."""
        return float(self.states[index]["gas_temperature"])

    def carriage_pressure(self, index: int) -> float:
        """Pressure of the air that the carriage floats on, Pa; on the table only."""
        return float(self.states[index]["carriage_pressure"])

    def read_battery(self, index: int, stamp: int, reading: np.void) -> None:
        """Fill a messages.BATTERY record."""
        read_battery(self.vehicles[index], self.states[index], stamp, reading)

    def command_latch(self, index: int, port: int, engaged: bool, now: int) -> None:
        """Engage a port of a vehicle, or let it go, at `now` (ns)."""
        _command_latch(self.world, self.vehicles, self.world_state, self.states, index, port, engaged, now)

    def latches(self) -> list[Latch]:
        """Return the latches that hold, in the order of their first vehicles and ports."""
        return read_latches(self.world_state[0])

    def latch_changes(self) -> int:
        """Return how often a port was commanded, captured, became rigid or was released."""
        return int(self.world_state[0]["latch_changes"])

    def root(self, index: int) -> int:
        """Return the vehicle of lowest index in the rigid body that a vehicle belongs to; itself if it is alone."""
        return int(self.states[index]["root"])

    def take_contacts(self) -> list[Contact]:
        """Return the contacts since the last call."""
        contacts = read_contacts(self.world_state[0])
        _forget_read(self.world_state)
        return contacts
