"""What a vehicle is: masses, valves, gas, receivers, inertial sensor, bumper, battery, limits.

Every number here is *believed*: it is all that flight code ever gets. A campaign or a fault draws an *actual* vehicle
for the plant with `model_copy(update=...)`.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from testbed.description import messages
from testbed.description.air_resistance import AirResistance
from testbed.description.camera import Camera, Fiducial
from testbed.description.computer import Computer
from testbed.description.estimation import EstimatorSettings
from testbed.description.gas_supply import GasSupply as GasSupply
from testbed.description.model import Description, Inconsistent, Vector
from testbed.description.own_parts import OwnParts
from testbed.description.port import Port


class MassProperties(Description):
    """Mass, inertia about the centre of mass, and where that is."""

    mass: float = Field(gt=0.0, description="Mass, kg")
    inertia: Vector = Field(description="Principal moments about base_link axes, kg·m²")
    products: Vector = Field(
        default=(0.0, 0.0, 0.0), description="Products of inertia xy, xz, yz (tensor entries), kg·m²"
    )
    centre_of_mass: Vector = Field(default=(0.0, 0.0, 0.0), description="Position in base_link, m")

    def inertia_tensor(self) -> NDArray[np.float64]:
        """Inertia tensor about the centre of mass, axes of base_link, shape (3, 3), kg·m²."""
        xy, xz, yz = self.products
        xx, yy, zz = self.inertia
        return np.array([[xx, xy, xz], [xy, yy, yz], [xz, yz, zz]])

    @model_validator(mode="after")
    def _inertia_is_physical(self) -> Self:
        principal = np.linalg.eigvalsh(self.inertia_tensor())
        if principal[0] <= 0.0 or principal[0] + principal[1] < principal[2] * (1.0 - 1e-9):
            raise Inconsistent("positive moments, each at most the sum of the other two", "inertia")
        return self


class Valve(Description):
    """One on/off thruster valve and its nozzle."""

    name: str = Field(min_length=1)
    position: Vector = Field(description="Nozzle exit in base_link, m")
    exhaust: Vector = Field(
        description="Direction of the jet in base_link (need not be of unit length); thrust is opposite"
    )
    thrust: float = Field(gt=0.0, description="Steady thrust at nominal supply, N")
    in_service: bool = Field(default=True, description="False: flight code never uses it")

    @model_validator(mode="after")
    def _exhaust_has_a_direction(self) -> Self:
        if np.linalg.norm(self.exhaust) < 1e-9:
            raise Inconsistent("a vector that is not zero", "exhaust")
        return self

    def force(self) -> NDArray[np.float64]:
        """Force on the vehicle while fully open, base_link, N."""
        exhaust = np.array(self.exhaust)
        return np.asarray(-self.thrust * exhaust / np.linalg.norm(exhaust))


class Plume(Description):
    """The jet of a nozzle: a cone within which it pushes on what it hits, which takes from the thrust."""

    half_angle_deg: float = Field(default=15.0, gt=0.0, le=60.0, description="Half-angle of the cone, degrees")
    reach: float = Field(default=0.8, ge=0.0, description="How far from the nozzle it still pushes, m; 0: no plume")


class ThrusterSet(Description):
    """All valves of a vehicle and what they have in common."""

    opening_delay: float = Field(default=0.006, ge=0.0, le=0.1, description="Command to first thrust, s")
    closing_delay: float = Field(default=0.005, ge=0.0, le=0.1, description="Command to first fall of thrust, s")
    delay_jitter: float = Field(default=0.0005, ge=0.0, le=0.01, description="Standard deviation of both delays, s")
    rise_time: float = Field(default=0.002, ge=0.0, le=0.05, description="Linear rise to full thrust, s")
    fall_time: float = Field(default=0.002, ge=0.0, le=0.05, description="Linear fall to zero, s")
    minimum_on: float = Field(default=0.010, ge=0.001, le=0.1, description="Shortest commanded on-time, s")
    modulation_period: float = Field(default=0.1, ge=0.05, le=0.18, description="One on-time per valve and period, s")
    schedule_lead: float = Field(default=0.02, ge=0.01, le=0.1, description="Schedule stamp after its odometry, s")
    maximum_sag: float = Field(
        default=0.12, ge=0.0, le=0.5, description="Loss of thrust with four valves open, fraction"
    )
    misalignment_deg: float = Field(
        default=0.5, ge=0.0, le=10.0, description="Standard deviation of a nozzle's lean about either axis, degrees"
    )
    plume: Plume = Plume()
    quiet_windows: bool = Field(
        default=False, description="true: no own valve is open while a beacon's chirp can arrive, which costs duty"
    )
    valves: tuple[Valve, ...] = Field(min_length=1, max_length=messages.MAX_VALVES)

    @model_validator(mode="after")
    def _schedule_ends_in_time(self) -> Self:
        if self.minimum_on >= self.modulation_period:
            raise Inconsistent(f"less than modulation_period, {self.modulation_period:g} s", "minimum_on")
        wrench_ns = messages.PERIOD_NS["wrench"]
        if round(self.modulation_period * messages.NS_PER_S) % wrench_ns:  # schedules answer every n-th wrench
            raise Inconsistent(f"a multiple of {wrench_ns / messages.NS_PER_S:g} s", "modulation_period")
        names = [valve.name for valve in self.valves]
        for index, name in enumerate(names):
            if name in names[:index]:
                raise Inconsistent("a name that no other valve has", "valves", index, "name")
        return self

    def wrench_matrix(self, centre_of_mass: Vector) -> NDArray[np.float64]:
        """Force N and torque N·m about the centre of mass of each fully open valve, base_link, shape (6, valves)."""
        forces = np.array([valve.force() for valve in self.valves])
        arms = np.array([valve.position for valve in self.valves]) - np.array(centre_of_mass)
        return np.hstack([forces, np.cross(arms, forces)]).T


class Receiver(Description):
    """One ultrasound receiver."""

    position: Vector = Field(description="Position in base_link, m")
    axis: Vector = Field(description="Direction it looks in, base_link (need not be of unit length)")
    half_angle_deg: float = Field(default=60.0, gt=0.0, le=180.0, description="Half-angle of its cone, degrees")


class InertialSensor(Description):
    """Gyro and accelerometer; its noise is in the noise file."""

    position: Vector = Field(default=(0.0, 0.0, 0.0), description="Position in base_link, m")
    gyro_range_deg: float = Field(default=250.0, gt=0.0, description="Full scale of the gyro, degrees per second")
    gyro_step_deg: float = Field(
        default=0.0, ge=0.0, le=1.0, description="Least significant bit of the gyro, degrees per second; 0: none"
    )
    accelerometer_range: float = Field(default=40.0, gt=0.0, description="Full scale of the accelerometer, m/s²")
    accelerometer_step: float = Field(
        default=0.0, ge=0.0, le=1.0, description="Least significant bit of the accelerometer, m/s²; 0: none"
    )


class Shape(Description):
    """Outline and touch: a disc or a rounded convex hull for contact, a prism for drawings."""

    sides: int = Field(default=8, ge=3, le=32, description="Sides of the prism drawn")
    width: float = Field(default=0.26, gt=0.0, description="Width across flats, m")
    flight_radius: float = Field(default=0.14, gt=0.0, description="Contact radius without the carriage, m")
    carriage_radius: float = Field(default=0.20, gt=0.0, description="Contact radius of the floor carriage, m")
    hull: tuple[tuple[float, float], ...] | None = Field(
        default=None,
        min_length=3,
        max_length=messages.MAX_HULL,
        description="Corners of the carriage before rounding, seen from above, base_link, m; without: a disc",
    )
    flight_hull: tuple[Vector, ...] | None = Field(
        default=None,
        min_length=4,
        max_length=messages.MAX_HULL,
        description="Corners of the body without carriage before rounding, base_link, m; without: a sphere",
    )
    rounding: float = Field(default=0.02, ge=0.005, le=0.2, description="Radius that bumpers add to a hull, m")
    floor_height: float = Field(
        default=0.45, ge=0.0, description="Height of base_link above the floor on the carriage, m"
    )
    bumper_stiffness: float = Field(default=8000.0, gt=0.0, le=2e5, description="Stiffness of the bumper, N/m")
    restitution: float = Field(default=0.5, ge=0.05, le=0.95, description="Coefficient of restitution")
    friction: float = Field(default=0.2, ge=0.0, le=1.0, description="Coulomb friction coefficient between bumpers")

    def outline(self) -> NDArray[np.float64]:
        """Corners of the prism seen from above in base_link, shape (sides, 2), m; a flat side faces forward."""
        angles = (np.arange(self.sides) + 0.5) * 2.0 * np.pi / self.sides
        radius = self.width / 2.0 / np.cos(np.pi / self.sides)
        return np.asarray(radius * np.column_stack([np.cos(angles), np.sin(angles)]))

    def prism(self) -> NDArray[np.float64]:
        """Lower and upper corners of the prism, which is as high as wide, in base_link, shape (2, sides, 3), m."""
        outline, half = self.outline(), self.width / 2.0
        return np.array([np.column_stack([outline, np.full(self.sides, z)]) for z in (-half, half)])


class Battery(Description):
    """What the battery holds and what drains it."""

    energy: float = Field(default=4.0e5, gt=0.0, description="Energy when full, J")
    voltage: float = Field(
        default=14.8, gt=0.0, description="Nominal voltage, V; that without load where open_circuit is not given"
    )
    open_circuit: tuple[tuple[float, float], ...] = Field(
        default=(),
        max_length=messages.MAX_BATTERY_POINTS,
        description="Voltage without load: pairs of charge left, from 0 to 1, and V",
    )
    internal_resistance: float = Field(default=0.06, ge=0.0, le=10.0, description="Internal resistance, ohm")
    cutoff_voltage: float = Field(
        default=12.0, ge=0.0, description="Under load below this it has given out: valves close and stay closed, V"
    )
    idle_power: float = Field(default=15.0, ge=0.0, description="Power with all valves closed, W")
    valve_power: float = Field(default=2.0, ge=0.0, description="Power of one open valve, W")

    @model_validator(mode="after")
    def _voltage_rises_with_charge(self) -> Self:
        if self.open_circuit:
            shares, voltages = zip(*self.open_circuit, strict=True)
            if len(shares) < 2 or shares[0] != 0.0 or shares[-1] != 1.0:
                raise Inconsistent("charges from 0 to 1", "open_circuit")
            if any(a >= b for a, b in pairwise(shares)) or any(a > b for a, b in pairwise(voltages)):
                raise Inconsistent("charges and voltages that rise", "open_circuit")
            if voltages[0] <= 0.0:
                raise Inconsistent("voltages above zero", "open_circuit")
        full = self.open_circuit_points[-1][1]
        if self.cutoff_voltage >= full:
            raise Inconsistent(f"less than that of the full battery, {full:g} V", "cutoff_voltage")
        return self

    @property
    def open_circuit_points(self) -> tuple[tuple[float, float], ...]:
        """Charge left, from 0 to 1, and voltage without load, V; at least two pairs."""
        return self.open_circuit or ((0.0, self.voltage), (1.0, self.voltage))

    @property
    def capacity(self) -> float:
        """Charge when full, C: the energy over the mean of the voltage without load."""
        points = pairwise(self.open_circuit_points)
        return self.energy / sum(0.5 * (u1 + u2) * (q2 - q1) for (q1, u1), (q2, u2) in points)


class Limits(Description):
    """What the vehicle must never exceed."""

    floor_speed: float = Field(default=0.07, gt=0.0, description="Speed limit on the table, m/s")
    flight_speed: float = Field(default=0.10, gt=0.0, description="Speed limit in the cabin, m/s")
    rate_deg: float = Field(default=15.0, gt=0.0, description="Spin limit, degrees per second")
    contact_force: float = Field(default=35.0, gt=0.0, description="Largest force in any contact, N")


class Control(Description):
    """How firmly guidance holds: one bandwidth each for position and attitude."""

    position_bandwidth: float = Field(default=0.35, gt=0.0, le=3.0, description="Natural frequency in position, rad/s")
    attitude_bandwidth: float = Field(default=0.7, gt=0.0, le=6.0, description="Natural frequency in attitude, rad/s")
    damping: float = Field(default=0.9, ge=0.3, le=2.0, description="Damping ratio of both")
    integral_time: float = Field(default=15.0, gt=0.0, description="Time constant of the disturbance integral, s")
    authority: float = Field(default=0.6, gt=0.0, le=0.9, description="Share of the thrust that profiles may plan with")


class Vehicle(Description):
    """One free-flyer: what it weighs with and without its floor carriage, what pushes it and what it senses."""

    name: str = Field(pattern=r"^[a-z][a-z0-9_]*$", description="Name and ROS namespace")
    note: str = ""
    flight: MassProperties = Field(description="Without the floor carriage, for the cabin")
    floor: MassProperties = Field(description="On the floor carriage, for the table")
    shape: Shape = Shape()
    air: AirResistance = AirResistance()
    thrusters: ThrusterSet
    gas: GasSupply
    receivers: tuple[Receiver, ...] = Field(min_length=3, max_length=messages.MAX_RECEIVERS)
    ports: tuple[Port, ...] = Field(default=(), max_length=messages.MAX_PORTS, description="Where it can dock")
    inertial_sensor: InertialSensor = InertialSensor()
    battery: Battery = Battery()
    camera: Camera | None = Field(default=None, description="Looks for the fiducials of partners")
    fiducials: tuple[Fiducial, ...] = Field(default=(), max_length=32, description="What partners' cameras look for")
    limits: Limits = Limits()
    control: Control = Control()
    computer: Computer = Field(default=Computer(), description="What its computer can spend on flight code")
    estimator: EstimatorSettings = Field(default=EstimatorSettings(), description="What the estimator goes by")
    own: OwnParts = Field(default=OwnParts(), description="Guidance and estimator that are a user's own classes")

    @model_validator(mode="after")
    def _own_estimator_hears_commands(self) -> Self:
        if self.own.estimator is not None and self.estimator.valve_forces == "reported":
            raise Inconsistent("commanded, where the estimator is a user's own", "estimator", "valve_forces")
        return self

    @model_validator(mode="after")
    def _fiducials_can_be_told_apart(self) -> Self:
        seen = [(fiducial.dictionary, fiducial.id) for fiducial in self.fiducials]
        for index, one in enumerate(seen):
            if one in seen[:index]:
                raise Inconsistent(f"an id that no other fiducial of {one[0]} has", "fiducials", index, "id")
        return self

    @model_validator(mode="after")
    def _fiducials_are_outside(self) -> Self:
        # so that nothing of its own vehicle ever hides a fiducial from one who stands in front of it
        corners = self.shape.prism().reshape(-1, 3)
        for index, fiducial in enumerate(self.fiducials):
            surface = float((corners @ fiducial.towards()).max())
            if float(fiducial.towards() @ fiducial.position) < surface - 1e-6:
                raise Inconsistent(
                    f"outside the body: at least {surface:.4g} m from its centre along the normal",
                    *("fiducials", index, "position"),
                )
        return self

    @property
    def camera_frame(self) -> str:
        """Name of the camera's optical frame, with the suffix of REP 103."""
        return f"{self.name}/camera_optical"

    @model_validator(mode="after")
    def _port_names_differ(self) -> Self:
        names = [port.name for port in self.ports]
        for index, name in enumerate(names):
            if name in names[:index]:
                raise Inconsistent("a name that no other port has", "ports", index, "name")
        return self

    def mass_properties(self, place: Literal["table", "cabin"]) -> MassProperties:
        """Mass properties in that place: with the carriage on the table, without it in the cabin."""
        return self.floor if place == "table" else self.flight

    def contact_radius(self, place: Literal["table", "cabin"]) -> float:
        """Radius of the contact disc (table) or sphere (cabin), or of the one around the hull, m."""
        hull = self.shape.hull if place == "table" else self.shape.flight_hull
        if hull is not None:
            return float(np.linalg.norm(np.array(hull), axis=1).max()) + self.shape.rounding
        return self.shape.carriage_radius if place == "table" else self.shape.flight_radius

    def speed_limit(self, place: Literal["table", "cabin"]) -> float:
        """Speed limit in that place, m/s."""
        return self.limits.floor_speed if place == "table" else self.limits.flight_speed
