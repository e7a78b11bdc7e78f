"""Faults in the plant: its *actual* parameters as they are while something is broken, and as they were before."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from numba import njit
from numpy.typing import NDArray

from testbed.description import faults
from testbed.description.air import speed_of_sound
from testbed.description.faults import Fault
from testbed.description.vehicle import Vehicle
from testbed.model.plant import Plant
from testbed.model.plenum import rest_plenum
from testbed.model.valves import FREE, STUCK_CLOSED, STUCK_OPEN, apply_valve_faults

ALWAYS_OPEN: Final = 1.0
"""Pressure, Pa, at which a relief valve opens that is stuck open; its flow per pressure stays what it was."""
NEXT_TO_NOTHING: Final = 1e-30
"""Conductance, kg/(s·Pa), of a regulator that stays closed; zero would stand for a perfect one."""
AXES: Final = ("x", "y", "z")


@njit(cache=True)
def rest_plenums(vehicles: Any, states: Any, stamp: int) -> None:
    """Bring every plenum to `stamp` (ns)."""
    for i in range(len(states)):
        rest_plenum(vehicles[i], states[i], stamp)


@njit(cache=True)
def take_in(vehicles: Any, states: Any, stuck: NDArray[Any], stamp: int) -> None:
    """Let valves and plenums follow parameters that were changed at `stamp` (ns); `stuck`: valve_stuck before."""
    for i in range(len(states)):
        freed = 0
        for v in range(vehicles[i].valve_count):
            if stuck[i, v] != FREE and vehicles[i].valve_stuck[v] == FREE:
                freed |= 1 << v
        apply_valve_faults(vehicles[i], states[i], freed, stamp)


class Faults:
    """Breaks parts of a plant and makes them whole again. `vehicles` by the names that faults use, in its order."""

    def __init__(self, plant: Plant, vehicles: Sequence[Vehicle]) -> None:
        self._plant = plant
        self._index = {vehicle.name: index for index, vehicle in enumerate(vehicles)}
        self._valves = [
            {valve.name: place for place, valve in enumerate(vehicle.thrusters.valves)} for vehicle in vehicles
        ]
        self._ports = [{port.name: place for place, port in enumerate(vehicle.ports)} for vehicle in vehicles]
        self._world = plant.world.copy()
        self._vehicles = plant.vehicles.copy()
        self._in_force: tuple[Fault, ...] = ()
        self._change(0)  # so that its kernels are loaded before time counts

    def apply(self, in_force: Sequence[Fault], stamp: int) -> None:
        """From the tick at `stamp` (ns) on exactly these are in force; call before that tick's advance."""
        if tuple(in_force) != self._in_force:
            self._mend([fault for fault in self._in_force if fault not in in_force], stamp)
            self._in_force = tuple(in_force)
            self._change(stamp)

    def _change(self, stamp: int) -> None:
        """Make every parameter what it is with the faults in force, from its whole value on."""
        plant = self._plant
        rest_plenums(plant.vehicles, plant.states, stamp)  # until now the old parameters hold
        stuck = plant.vehicles["valve_stuck"].copy()
        plant.world[:] = self._world
        plant.vehicles[:] = self._vehicles
        for fault in self._in_force:
            _BREAK[type(fault)](self, fault)
        take_in(plant.vehicles, plant.states, stuck, stamp)

    def _mend(self, over: Sequence[Fault], stamp: int) -> None:
        """Take back what faults that are over have left in the state: they are mended by people, not by themselves."""
        for fault in over:
            if isinstance(fault, faults.ReliefOpen):  # by itself it would close only where it reseats
                self._state(fault)["relief_open"] = 0
            if isinstance(fault, faults.LatchStuck):
                self._free_latch(self._index[fault.vehicle], fault.port, stamp)
            if isinstance(fault, faults.TrackingLost):
                self._state(fault)["tracking_lost"] = 0
            if isinstance(fault, faults.BatteryWeak):
                self._state(fault)["power_off"] = self._state(fault)["battery_charge"] <= 0.0

    def _free_latch(self, index: int, name: str, stamp: int) -> None:
        port = self._ports[index][name]
        self._plant.vehicles[index]["port_stuck"][port] = 0
        self._plant.command_latch(index, port, bool(self._plant.states[index]["port_wanted"][port]), stamp)

    def _state(self, fault: Any) -> Any:
        return self._plant.states[self._index[fault.vehicle]]

    def _vehicle(self, fault: Any) -> Any:
        return self._plant.vehicles[self._index[fault.vehicle]]

    def _valve(self, fault: Any) -> tuple[Any, int]:
        return self._vehicle(fault), self._valves[self._index[fault.vehicle]][fault.valve]

    def _valve_stuck_open(self, fault: faults.ValveStuckOpen) -> None:
        vehicle, valve = self._valve(fault)
        vehicle["valve_stuck"][valve] = STUCK_OPEN

    def _valve_stuck_closed(self, fault: faults.ValveStuckClosed) -> None:
        vehicle, valve = self._valve(fault)
        vehicle["valve_stuck"][valve] = STUCK_CLOSED

    def _valve_leak(self, fault: faults.ValveLeak) -> None:
        vehicle, valve = self._valve(fault)
        vehicle["valve_leak"][valve] += fault.share

    def _valve_slow(self, fault: faults.ValveSlow) -> None:
        vehicle, valve = self._valve(fault)
        vehicle["valve_delay"][valve] += fault.delay

    def _valve_weak(self, fault: faults.ValveWeak) -> None:
        vehicle, valve = self._valve(fault)
        for part in ("valve_thrust", "valve_force", "valve_torque"):
            vehicle[part][valve] *= fault.factor

    def _regulator_droop(self, fault: faults.RegulatorDroop) -> None:
        self._vehicle(fault)["regulator_conductance"] *= fault.factor

    def _regulator_stuck(self, fault: faults.RegulatorStuck) -> None:
        self._vehicle(fault)["regulator_conductance"] = NEXT_TO_NOTHING

    def _tank_leak(self, fault: faults.TankLeak) -> None:
        self._vehicle(fault)["tank_leak"] += 1e-3 * fault.rate_g

    def _relief_open(self, fault: faults.ReliefOpen) -> None:
        vehicle = self._vehicle(fault)
        vehicle["relief_flow"] *= ALWAYS_OPEN / vehicle["relief_pressure"]
        vehicle["relief_pressure"], vehicle["relief_reseat"] = ALWAYS_OPEN, 0.0

    def _battery_weak(self, fault: faults.BatteryWeak) -> None:
        self._vehicle(fault)["internal_resistance"] *= fault.factor

    def _bearing_lost(self, fault: faults.BearingLost) -> None:
        self._vehicle(fault)["bearing_lost"] = 1

    def _gyro_bias(self, fault: faults.GyroBias) -> None:
        self._vehicle(fault)["gyro_bias_jump"][AXES.index(fault.axis)] += math.radians(fault.jump_deg)

    def _gyro_dead(self, fault: faults.GyroDead) -> None:
        self._vehicle(fault)["gyro_dead"] = 1

    def _accelerometer_dead(self, fault: faults.AccelerometerDead) -> None:
        self._vehicle(fault)["accelerometer_dead"] = 1

    def _receiver_dead(self, fault: faults.ReceiverDead) -> None:
        self._vehicle(fault)["receiver_dead"][fault.receiver] = 1

    def _infrared_lost(self, fault: faults.InfraredLost) -> None:
        self._vehicle(fault)["infrared_dead"] = 1

    def _beacon_dead(self, fault: faults.BeaconDead) -> None:
        self._plant.world["beacon_dead"][0, fault.beacon] = 1

    def _tracking_lost(self, fault: faults.TrackingLost) -> None:
        self._state(fault)["tracking_lost"] = 1

    def _latch_stuck(self, fault: faults.LatchStuck) -> None:
        self._vehicle(fault)["port_stuck"][self._ports[self._index[fault.vehicle]][fault.port]] = 1

    def _air_temperature(self, fault: faults.AirTemperature) -> None:
        world = self._plant.world[0]
        world["air_temperature"] += fault.step
        world["speed_of_sound"] = speed_of_sound(float(world["air_temperature"]), float(world["air_humidity"]))

    def _camera_dark(self, fault: faults.CameraDark) -> None:
        self._vehicle(fault)["camera_dark"] = 1

    def _table_tilt(self, fault: faults.TableTilt) -> None:
        self._plant.world["tilt"][0] += (1e-3 * fault.x_mrad, 1e-3 * fault.y_mrad)


_BREAK: Final[Mapping[type[Fault], Callable[[Faults, Any], None]]] = {
    faults.ValveStuckOpen: Faults._valve_stuck_open,
    faults.ValveStuckClosed: Faults._valve_stuck_closed,
    faults.ValveLeak: Faults._valve_leak,
    faults.ValveSlow: Faults._valve_slow,
    faults.RegulatorDroop: Faults._regulator_droop,
    faults.RegulatorStuck: Faults._regulator_stuck,
    faults.ValveWeak: Faults._valve_weak,
    faults.TankLeak: Faults._tank_leak,
    faults.ReliefOpen: Faults._relief_open,
    faults.BatteryWeak: Faults._battery_weak,
    faults.BearingLost: Faults._bearing_lost,
    faults.GyroBias: Faults._gyro_bias,
    faults.GyroDead: Faults._gyro_dead,
    faults.AccelerometerDead: Faults._accelerometer_dead,
    faults.ReceiverDead: Faults._receiver_dead,
    faults.InfraredLost: Faults._infrared_lost,
    faults.BeaconDead: Faults._beacon_dead,
    faults.TrackingLost: Faults._tracking_lost,
    faults.LatchStuck: Faults._latch_stuck,
    faults.AirTemperature: Faults._air_temperature,
    faults.CameraDark: Faults._camera_dark,
    faults.TableTilt: Faults._table_tilt,
}
