"""Turn records into ROS messages, many at once and without ROS: what the engine writes instead of publishing.

Every function takes arrays over n messages and returns a Block for RecordingWriter.write_blocks. contract.py says what
each message holds.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from testbed.description.air import celsius
from testbed.description.messages import INNOVATION_POINT, NS_PER_S, RANGE_POINT
from testbed.description.status import status_json
from testbed.description.vehicle import Vehicle
from testbed.record import contract
from testbed.record.block import FRAME, Block, Group
from testbed.record.contract import Layout
from testbed.record.template import Template

Stamps = NDArray[np.int64]


def clock(stamps: Stamps) -> Block:
    """`/clock`."""
    template = Template(contract.CLOCK.build(), contract.CLOCK.type, {}, stamp="clock")
    return _block("/clock", contract.CLOCK, stamps, stamps, template.rows(stamps, {}))


def air_temperature(stamps: Stamps, kelvin: float, frame: str) -> Block:
    """`/air/temperature` from K; the message holds degrees Celsius, as its definition says."""
    layout = contract.TEMPERATURE
    template = Template(layout.build(frame), layout.type, layout.paths)
    values = {"temperature": np.broadcast_to(celsius(kelvin), len(stamps))}
    return _block("/air/temperature", layout, stamps, stamps, template.rows(stamps, values))


def texts(topic: str, stamps: Stamps, strings: Sequence[str]) -> Block:
    """Any String topic: JSON sent at each stamp."""
    by_size: dict[int, list[int]] = {}
    encoded = [string.encode() for string in strings]
    for index, data in enumerate(encoded):
        by_size.setdefault(len(data), []).append(index)
    groups = []
    for size, indices in by_size.items():
        # encapsulation, length with the terminating zero, text, zero
        head = b"\x00" * FRAME.itemsize + b"\x00\x01\x00\x00" + (size + 1).to_bytes(4, "little")
        joined = b"".join([head + encoded[index] + b"\x00" for index in indices])
        rows = np.frombuffer(bytearray(joined), np.uint8).reshape(len(indices), -1)
        groups.append(Group(np.array(indices), rows))
    return Block(topic, contract.TEXT.type, stamps, stamps, groups)


class VehicleEncoder:
    """The messages of one vehicle in a place, which is also the name of the fixed frame."""

    def __init__(self, vehicle: Vehicle, place: Literal["table", "cabin"]) -> None:
        self._vehicle = vehicle
        self._place = place
        self._valves = [valve.name for valve in vehicle.thrusters.valves]
        self._ports = [port.name for port in vehicle.ports]
        self._body = f"{vehicle.name}/base_link"
        self._sensor = f"{vehicle.name}/imu_link"
        self._templates: dict[object, Template] = {}

    def imu(self, records: NDArray[np.void]) -> Block:
        """`imu` from messages.IMU."""
        return self._records("imu", contract.IMU, (self._sensor,), records)

    def odometry(self, topic: Literal["odometry", "truth", "reference"], records: NDArray[np.void]) -> Block:
        """`odometry`, `truth` or `reference` from messages.ODOMETRY."""
        return self._records(topic, contract.ODOMETRY, (self._place, self._body), records)

    def partner(self, name: str, records: NDArray[np.void], log_times: Stamps) -> Block:
        """`partners/NAME/odometry` from messages.ODOMETRY, as the radio has given it out at `log_times`."""
        values = {field: records[field] for field in contract.ODOMETRY.paths}
        frames, topic = (self._place, f"{name}/base_link"), contract.PARTNER_TOPIC.replace("<name>", name)
        return self._columns(topic, contract.ODOMETRY, frames, records["stamp"], values, log_times)

    def heard(self, names: Sequence[str], stamps: Stamps, sent: NDArray[np.int64]) -> Block:
        """`partners/heard` of partners by their names; sent: stamp of the newest of each at each of `stamps`, 0: none.

        Shape of `sent`: (n, partners).
        """
        groups = []
        for known in np.unique(sent > 0, axis=0):
            index = np.flatnonzero(((sent > 0) == known).all(axis=1))
            told = [name for name, one in zip(names, known.tolist(), strict=True) if one]
            ages = (sent[index][:, known] - stamps[index, None]) / NS_PER_S
            template = self._template(contract.HEARD, (told,), contract.HEARD.paths if told else {})
            groups.append(Group(index, template.rows(stamps[index], {"age": ages} if told else {})))
        return self._block("partners/heard", contract.HEARD, stamps, stamps, groups)

    def wrench(self, records: NDArray[np.void]) -> Block:
        """`wrench` from messages.WRENCH."""
        return self._records("wrench", contract.WRENCH, (self._body,), records)

    def bias(self, stamps: Stamps, rates: NDArray[np.float64]) -> Block:
        """`estimate/bias`: gyro bias rad/s along imu_link, shape (n, 3)."""
        return self._columns("estimate/bias", contract.VECTOR, (self._sensor,), stamps, {"vector": rates})

    def disturbance(self, stamps: Stamps, forces: NDArray[np.float64]) -> Block:
        """`estimate/disturbance`: steady force N along the fixed frame, shape (n, 3)."""
        values = {"force": forces, "torque": np.zeros_like(forces)}
        return self._columns("estimate/disturbance", contract.WRENCH, (self._place,), stamps, values)

    def pressure(self, stamps: Stamps, pascal: NDArray[np.float64]) -> Block:
        """`supply/pressure`, Pa."""
        return self._columns("supply/pressure", contract.PRESSURE, (self._body,), stamps, {"pressure": pascal})

    def carriage_pressure(self, stamps: Stamps, pascal: NDArray[np.float64]) -> Block:
        """`carriage/pressure`, Pa."""
        return self._columns("carriage/pressure", contract.PRESSURE, (self._body,), stamps, {"pressure": pascal})

    def temperature(self, stamps: Stamps, kelvin: Any) -> Block:
        """`supply/temperature` from K; the message holds degrees Celsius, as its definition says."""
        values: dict[str, Any] = {"temperature": celsius(kelvin)}
        return self._columns("supply/temperature", contract.TEMPERATURE, (self._body,), stamps, values)

    def battery(self, records: NDArray[np.void]) -> Block:
        """`battery` from messages.BATTERY; the message holds Ah."""
        values = {name: records[name] for name in contract.BATTERY.paths}
        values["charge"] = values["charge"] / contract.COULOMBS_PER_AH
        return self._columns("battery", contract.BATTERY, (self._vehicle.battery.capacity,), records["stamp"], values)

    def pose(
        self,
        topic: Literal["place", "goal"],
        stamps: Stamps,
        position: NDArray[np.float64],
        orientation: NDArray[np.float64],
    ) -> Block:
        """`place` or `goal`: position (n, 3) m and quaternion (n, 4) in the fixed frame."""
        values = {"position": position, "orientation": orientation}
        return self._columns(topic, contract.POSE, (self._place,), stamps, values)

    def valve_states(self, stamps: Stamps, states: NDArray[Any], log_times: Stamps | None = None) -> Block:
        """`valves/state`: which of the vehicle's valves are open (n, valves) right after the edge at each stamp."""
        states = np.asarray(states)[:, : len(self._valves)]
        return self._columns("valves/state", contract.VALVE_STATE, (self._valves,), stamps, {"open": states}, log_times)

    def port_states(self, stamps: Stamps, held: NDArray[Any]) -> Block:
        """`port/state`: which of the vehicle's ports hold a partner (n, ports) from each stamp on."""
        return self._columns("port/state", contract.PORT_STATE, (self._ports,), stamps, {"held": np.asarray(held)})

    def schedules(self, records: NDArray[np.void], log_times: Stamps) -> Block:
        """`valves/schedule` from messages.SCHEDULE, sent at `log_times` for their stamps ahead."""
        groups = []
        for points, index in _by_count(records["count"]):
            chosen = records[index]
            paths = {f"time {k} {part}": f"points.{k}.time_from_start.{part}" for k in range(points) for part in _TIME}
            paths |= {f"open {k}": f"points.{k}.positions" for k in range(points)}
            template = self._template(contract.SCHEDULE, (self._valves, points), paths)
            values = _point_times(chosen["offset"], points)
            for k in range(points):
                values[f"open {k}"] = chosen["open"][:, k, : len(self._valves)]
            groups.append(Group(index, template.rows(chosen["stamp"], values)))
        return self._block("valves/schedule", contract.SCHEDULE, records["stamp"], log_times, groups)

    def trajectories(self, records: NDArray[np.void], log_times: Stamps) -> Block:
        """`trajectory` from messages.TRAJECTORY, sent at `log_times`."""
        groups = []
        for number, points in sorted({(int(one["number"]), int(one["count"])) for one in records}):
            index = np.flatnonzero((records["number"] == number) & (records["count"] == points))
            chosen, constants = records[index], (self._place, self._body, number, points)
            values = _point_times(chosen["offset"], points)
            for k in range(points):
                for name in ("position", "orientation", "velocity", "rate"):
                    values[f"{name} {k}"] = chosen[name][:, k]
            template = self._template(contract.TRAJECTORY, constants, contract.trajectory_paths(points))
            groups.append(Group(index, template.rows(chosen["stamp"], values)))
        return self._block("trajectory", contract.TRAJECTORY, records["stamp"], log_times, groups)

    def ranges(self, records: NDArray[np.void], log_times: Stamps) -> Block:
        """`ranges` from messages.RANGES, sent at `log_times`, a cycle after the pulse that stamps them."""
        names = RANGE_POINT.names or ()
        groups = []
        for count, index in _by_count(records["count"]):
            points = np.empty((len(index), count), RANGE_POINT)
            for name in names:
                points[name] = records[name][index, :count]
            groups.append(Group(index, self._cloud_rows(contract.RANGES, records["stamp"][index], points)))
        return self._block("ranges", contract.RANGES, records["stamp"], log_times, groups)

    def pictures(self, stamps: Stamps, grey: NDArray[np.uint8]) -> list[Block]:
        """`camera/image_raw` and `camera/camera_info`: grey levels, shape (n, height, width)."""
        camera = self._vehicle.camera
        assert camera is not None, "who has pictures has a camera"
        frame = self._vehicle.camera_frame
        image = (frame, camera.width, camera.height)
        return [
            self._columns("camera/image_raw", contract.IMAGE, image, stamps, {"data": grey}),
            self._columns("camera/camera_info", contract.CAMERA_INFO, (frame, camera), stamps, {}),
        ]

    def innovations(self, stamps: Stamps, clouds: Sequence[NDArray[np.void]]) -> Block:
        """`estimate/innovations`: one array of messages.INNOVATION_POINT per message."""
        groups = []
        for count, index in _by_count(np.array([len(cloud) for cloud in clouds], np.int64)):
            points = np.array([clouds[which] for which in index], INNOVATION_POINT).reshape(len(index), count)
            groups.append(Group(index, self._cloud_rows(contract.INNOVATIONS, stamps[index], points)))
        return self._block("estimate/innovations", contract.INNOVATIONS, stamps, stamps, groups)

    def status(self, records: NDArray[np.void]) -> Block:
        """`maneuver/status` from messages.STATUS."""
        return self.texts("maneuver/status", records["stamp"], [status_json(record) for record in records])

    def texts(self, topic: str, stamps: Stamps, strings: Sequence[str]) -> Block:
        """Any String topic of the vehicle, such as `maneuver`."""
        return texts(f"/{self._vehicle.name}/{topic}", stamps, strings)

    def _cloud_rows(self, layout: Layout, stamps: Stamps, points: NDArray[np.void]) -> NDArray[np.uint8]:
        paths = {"data": "data"} if points.shape[1] else {}
        template = self._template(layout, (self._body, points.dtype, points.shape[1]), paths)
        return template.rows(stamps, {"data": np.ascontiguousarray(points).view(np.uint8)} if paths else {})

    def _records(self, topic: str, layout: Layout, constants: tuple[Any, ...], records: NDArray[np.void]) -> Block:
        return self._columns(topic, layout, constants, records["stamp"], {name: records[name] for name in layout.paths})

    def _columns(
        self,
        topic: str,
        layout: Layout,
        constants: tuple[Any, ...],
        stamps: Stamps,
        values: Mapping[str, NDArray[Any]],
        log_times: Stamps | None = None,
    ) -> Block:
        rows = self._template(layout, constants, layout.paths).rows(stamps, values)
        groups = [Group(np.arange(len(stamps)), rows)]
        return self._block(topic, layout, stamps, stamps if log_times is None else log_times, groups)

    def _block(self, topic: str, layout: Layout, stamps: Stamps, log_times: Stamps, groups: Sequence[Group]) -> Block:
        return Block(f"/{self._vehicle.name}/{topic}", layout.type, stamps, log_times, groups)

    def _template(self, layout: Layout, constants: tuple[Any, ...], paths: Mapping[str, str]) -> Template:
        key = (layout.type, repr(constants))
        if key not in self._templates:
            self._templates[key] = Template(layout.build(*constants), layout.type, paths)
        return self._templates[key]


_TIME: Final = ("sec", "nanosec")


def _point_times(offsets: NDArray[np.int64], points: int) -> dict[str, NDArray[Any]]:
    """Seconds and nanoseconds of the first `points` of `offsets` (n, at least so many), ns, by their paths' names."""
    parts = zip(_TIME, (offsets // NS_PER_S, offsets % NS_PER_S), strict=True)
    return {f"time {k} {part}": of_all[:, k] for part, of_all in parts for k in range(points)}


def _by_count(counts: NDArray[np.int64]) -> Iterable[tuple[int, NDArray[np.intp]]]:
    """Each count that occurs, with the indices where it does: messages of one count have one size."""
    return [(int(count), np.flatnonzero(counts == count)) for count in np.unique(counts)]


def _block(topic: str, layout: Layout, stamps: Stamps, log_times: Stamps, rows: NDArray[np.uint8]) -> Block:
    return Block(topic, layout.type, stamps, log_times, [Group(np.arange(len(stamps)), rows)])
