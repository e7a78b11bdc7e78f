"""What the emulated vehicles' sensors say, published at each tick."""

from __future__ import annotations

from typing import Any

import numpy as np
from rclpy.publisher import Publisher
from sensor_msgs.msg import BatteryState, FluidPressure, Temperature
from std_msgs.msg import String

from testbed.description import messages
from testbed.description.air import celsius
from testbed.description.messages import LOCKSTEP_START_NS, PERIOD_NS
from testbed.description.ticks import due
from testbed.description.vehicle import Vehicle
from testbed.model.draws import Draws
from testbed.model.edges import EDGE
from testbed.model.plant import Plant
from testbed.nodes import convert
from testbed.nodes.camera import CameraFeed
from testbed.nodes.contract import Contract
from testbed.nodes.ports import PortFeed
from testbed.nodes.roll_call import CONDUCTOR
from testbed.nodes.wire import Encoder
from testbed.plan.configuration import Configuration
from testbed.plan.observation import contacts_to_json
from testbed.record.contract import COULOMBS_PER_AH
from testbed.rehearsal.contacts import take_contacts

ROWS = ("imu", "truth", "ranges", "valves/state", "supply/pressure", "supply/temperature", "battery")
TABLE_ROWS = (*ROWS, "carriage/pressure")


class Sensing:
    """Publishers of everything that the plant says about each vehicle, and the noise that the sensors take."""

    def __init__(self, configuration: Configuration, plant: Plant, draws: Draws, contract: Contract) -> None:
        self._configuration = configuration
        self._plant = plant
        self._draws = draws
        self._lockstep = contract.lockstep
        self._names = list(configuration.vehicles)
        self._vehicles = list(configuration.vehicles.values())
        self._forms = [_forms(one, configuration.place) for one in self._vehicles]
        rows = ROWS if configuration.table is None else TABLE_ROWS
        self._out = {row: [contract.publisher(row, name) for name in self._names] for row in rows}
        self._contacts_out = contract.publisher("/contacts")
        self._air_out = contract.publisher("/air/temperature")
        self._start = LOCKSTEP_START_NS
        self._sent: list[tuple[str, Publisher, Any]] = []
        self._imu, self._truth, self._ranges = (
            np.zeros(1, dtype) for dtype in (messages.IMU, messages.ODOMETRY, messages.RANGES)
        )
        self._battery = np.zeros(1, messages.BATTERY)
        self._edges = np.zeros(64, EDGE)
        self._port_feed = PortFeed(configuration, plant, contract, self.send)
        self._camera_feed = CameraFeed(configuration, plant, draws, contract, self.send)

    def begin(self, stamp: int) -> None:
        """Stamp of the first tick."""
        self._start = stamp

    def publish(self, stamp: int) -> None:
        """Sense everything that is due at a tick and publish it."""
        self._sent.clear()
        noise, tracking = self._draws.imu(1)[0], self._draws.tracking(1)[0]
        if due(stamp, PERIOD_NS["/air/temperature"]):
            kelvin = self._configuration.beacons.air_temperature
            header = convert.header(stamp, self._configuration.place)
            self.send("", self._air_out, Temperature(header=header, temperature=celsius(kelvin)))
        for index in range(len(self._names)):  # first what the vehicles wait for
            self._publish_inputs(index, stamp, noise[index])
        for index in range(len(self._names)):
            self._publish_rest(index, stamp, tracking[index])
        if due(stamp, PERIOD_NS["/contacts"]):
            contacts = take_contacts(self._plant, self._names)
            self.send("", self._contacts_out, String(data=contacts_to_json(stamp, contacts)))
        self._port_feed.publish(stamp)
        self._camera_feed.publish(stamp)  # last, because in lockstep it takes long

    def repeat(self, missing: set[str]) -> None:
        """Publish this tick's messages again: those of the vehicles behind, or all where the conductor is."""
        everything = CONDUCTOR in missing
        for name, publisher, message in self._sent:
            if name == "" or everything or any(follower.startswith(f"/{name}/") for follower in missing):
                publisher.publish(message)

    def advance(self, stamp: int) -> None:
        """Let the plant advance by one tick, taking in the chirps of that tick."""
        normals, uniforms = self._draws.range_normals(1)[0], self._draws.range_uniforms(1)[0]
        for index in range(len(self._names)):
            self._plant.listen(index, stamp, normals[index], uniforms[index])
        self._plant.advance(stamp, self._draws.valves(1)[0])

    def close(self) -> None:
        """Publish what is still being drawn."""
        self._camera_feed.close()

    def send(self, name: str, publisher: Publisher, message: Any) -> None:
        """Publish a message of a vehicle, and in lockstep remember it in case the tick is repeated."""
        publisher.publish(message)
        if self._lockstep:
            self._sent.append((name, publisher, message))

    def publish_valves(self, index: int, stamp: int) -> None:
        """Publish which valves of a vehicle are open."""
        self._plant.fill_open(index, stamp, self._edges[0])
        self._send_valves(index, self._edges[0])

    def _publish_inputs(self, index: int, stamp: int, noise: Any) -> None:
        name, base = self._names[index], f"{self._names[index]}/base_link"
        beacons = self._configuration.beacons
        if beacons.ranges_due(stamp, self._start):  # before imu, at which the estimator begins its work on wall time
            self._plant.take_ranges(index, stamp - beacons.cycle_ns, self._ranges[0])
            self.send(name, self._out["ranges"][index], convert.ranges_to_message(self._ranges[0], base))
        self._publish_edges(index, stamp)
        self._plant.sense_imu(index, stamp, noise, self._imu[0])
        self.send(name, self._out["imu"][index], self._forms[index]["imu"].encode(stamp, self._imu[0]))

    def _publish_rest(self, index: int, stamp: int, tracking: Any) -> None:
        name, base = self._names[index], f"{self._names[index]}/base_link"
        if due(stamp, PERIOD_NS["truth"]):
            self._plant.sense_truth(index, stamp, tracking, self._truth[0])
            self.send(name, self._out["truth"][index], self._forms[index]["truth"].encode(stamp, self._truth[0]))
        if due(stamp, PERIOD_NS["supply"]):
            self._publish_supply(index, stamp, base)
        if due(stamp, PERIOD_NS["battery"]):
            self._publish_battery(index, stamp)

    def _publish_edges(self, index: int, stamp: int) -> None:
        """Edges of the last tick, then which valves are open: at each tick where an estimator goes by it."""
        for row in range(self._plant.take_edges(index, self._edges)):
            self._send_valves(index, self._edges[row])
        if due(stamp, PERIOD_NS["valves/state"]) or self._vehicles[index].estimator.valve_forces == "reported":
            self.publish_valves(index, stamp)

    def _publish_supply(self, index: int, stamp: int, frame: str) -> None:
        header = convert.header(stamp, frame)
        pressure = FluidPressure(header=header, fluid_pressure=self._plant.tank_pressure(index))
        temperature = Temperature(header=header, temperature=celsius(self._plant.tank_temperature(index)))
        self.send(self._names[index], self._out["supply/pressure"][index], pressure)
        self.send(self._names[index], self._out["supply/temperature"][index], temperature)
        if self._configuration.table is not None:
            carriage = FluidPressure(header=header, fluid_pressure=self._plant.carriage_pressure(index))
            self.send(self._names[index], self._out["carriage/pressure"][index], carriage)

    def _publish_battery(self, index: int, stamp: int) -> None:
        self._plant.read_battery(index, stamp, self._battery[0])
        reading = self._battery[0]
        message = BatteryState(header=convert.header(stamp, ""), present=True, temperature=float("nan"))
        message.voltage, message.current = float(reading["voltage"]), float(reading["current"])
        message.charge = float(reading["charge"]) / COULOMBS_PER_AH
        message.capacity = message.design_capacity = self._vehicles[index].battery.capacity / COULOMBS_PER_AH
        message.percentage = float(reading["percentage"])
        message.power_supply_health = int(reading["power_supply_health"])
        message.power_supply_status = BatteryState.POWER_SUPPLY_STATUS_DISCHARGING
        message.power_supply_technology = BatteryState.POWER_SUPPLY_TECHNOLOGY_LIPO
        self.send(self._names[index], self._out["battery"][index], message)

    def _send_valves(self, index: int, edge: np.void) -> None:
        valves = len(self._vehicles[index].thrusters.valves)
        values = {"open": edge["open"][:valves].astype(np.float64)}
        data = self._forms[index]["valves/state"].encode(int(edge["stamp"]), values)
        self.send(self._names[index], self._out["valves/state"][index], data)


def _forms(vehicle: Vehicle, place: str) -> dict[str, Encoder]:
    """What makes the messages of a vehicle that are sent most."""
    base = f"{vehicle.name}/base_link"
    return {
        "imu": Encoder("imu", f"{vehicle.name}/imu_link"),
        "truth": Encoder("truth", place, base),
        "valves/state": Encoder("valves/state", [valve.name for valve in vehicle.thrusters.valves]),
    }
