"""How noisy the sensors and the surroundings are believed to be."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from testbed.description.messages import NS_PER_S
from testbed.description.model import Description, Inconsistent


class GyroNoise(Description):
    """Gyro errors."""

    density_deg: float = Field(default=0.01, ge=0.0, description="Angle random walk, degrees/s/sqrt(Hz)")
    bias_instability_deg_per_hour: float = Field(
        default=5.0, ge=0.0, description="Standard deviation of the drifting part of the bias, degrees per hour"
    )
    bias_time: float = Field(default=300.0, gt=0.0, description="Correlation time of the drifting part, s")
    turn_on_bias_deg: float = Field(
        default=0.1, ge=0.0, description="Standard deviation of the bias at switch-on, degrees/s"
    )
    scale_error: float = Field(default=0.003, ge=0.0, lt=0.1, description="Standard deviation of the scale factor")
    misalignment_deg: float = Field(
        default=0.1, ge=0.0, le=5.0, description="Standard deviation of the lean of an axis towards another, degrees"
    )


class AccelerometerNoise(Description):
    """Accelerometer errors."""

    density: float = Field(default=0.002, ge=0.0, description="Velocity random walk, m/s²/sqrt(Hz)")
    bias_instability: float = Field(
        default=0.0005, ge=0.0, description="Standard deviation of the drifting part of the bias, m/s²"
    )
    bias_time: float = Field(default=300.0, gt=0.0, description="Correlation time of the drifting part, s")
    turn_on_bias: float = Field(default=0.03, ge=0.0, description="Standard deviation of the bias at switch-on, m/s²")
    scale_error: float = Field(default=0.003, ge=0.0, lt=0.1, description="Standard deviation of the scale factor")
    misalignment_deg: float = Field(
        default=0.1, ge=0.0, le=5.0, description="Standard deviation of the lean of an axis towards another, degrees"
    )


class RangingNoise(Description):
    """Errors of one time of flight, given as length."""

    constant: float = Field(default=0.005, ge=0.0, description="Standard deviation at zero range, m")
    per_metre: float = Field(default=0.001, ge=0.0, description="Growth of the standard deviation per metre")
    dropout: float = Field(default=0.02, ge=0.0, lt=1.0, description="Share of chirps lost")
    multipath: float = Field(default=0.01, ge=0.0, lt=1.0, description="Share of chirps that came by an echo")
    multipath_shortest: float = Field(default=0.02, gt=0.0, description="Shortest detour of an echo, m")
    multipath_longest: float = Field(default=0.15, gt=0.0, description="Longest detour of an echo, m")
    survey: float = Field(default=0.002, ge=0.0, description="Standard deviation of the beacon survey per axis, m")
    valve_factor: float = Field(
        default=3.0, ge=1.0, description="Growth of the noise by one open valve at valve_distance from the receiver"
    )
    valve_distance: float = Field(
        default=0.12, ge=0.0, le=10.0, description="Distance of that nozzle, m; its noise falls with distance"
    )
    valve_dropout: float = Field(
        default=0.05, ge=0.0, lt=1.0, description="Share of chirps lost to one open valve at valve_distance"
    )
    pulse_jitter: float = Field(
        default=2e-6, ge=0.0, le=1e-3, description="Standard deviation of the infrared pulse's detection, s"
    )
    pulse_missed: float = Field(default=0.005, ge=0.0, lt=1.0, description="Share of infrared pulses missed")
    occlusion: bool = Field(default=True, description="Whether other vehicles' bodies hide beacons and emitters")

    @model_validator(mode="after")
    def _echoes_are_in_order(self) -> Self:
        if self.multipath_longest < self.multipath_shortest:
            raise Inconsistent(f"at least multipath_shortest, {self.multipath_shortest:g} m", "multipath_longest")
        return self


class TrackingNoise(Description):
    """Errors of the overhead tracking, which `truth` then carries."""

    position: float = Field(default=0.0005, ge=0.0, le=0.1, description="Standard deviation per axis, m")
    angle_deg: float = Field(default=0.1, ge=0.0, le=10.0, description="Standard deviation per axis, degrees")
    dropout: float = Field(
        default=0.005, ge=0.0, lt=1.0, description="Share of frames without the vehicle; its pose is carried on"
    )
    latency: float = Field(default=0.01, ge=0.0, le=0.2, description="Exposure before the stamp, s")
    velocity_time: float = Field(
        default=0.2, ge=0.0, le=0.6, description="Velocities are differences over this time, s; 0: the true ones"
    )


class RadioNoise(Description):
    """The radio by which vehicles tell each other where they are."""

    rate: Literal[50, 25, 10, 5, 2, 1] = Field(default=25, description="Messages of each vehicle per second, Hz")
    latency: float = Field(default=0.02, ge=0.0, le=0.2, description="Shortest time from sending to hearing, s")
    jitter: float = Field(
        default=0.01, ge=0.0, le=0.05, description="Mean of what comes on top, exponentially distributed, s"
    )
    loss: float = Field(default=0.05, ge=0.0, lt=1.0, description="Share of messages that a receiver loses")

    @property
    def period_ns(self) -> int:
        """Time between two messages of a vehicle, ns."""
        return NS_PER_S // self.rate


class Surroundings(Description):
    """What nobody knows exactly."""

    air_temperature: float = Field(default=0.5, ge=0.0, description="Standard deviation of the thermometer, K")
    air_humidity: float = Field(
        default=0.05, ge=0.0, le=0.5, description="Standard deviation of the measured relative humidity"
    )
    thrust: float = Field(
        default=0.03, ge=0.0, lt=0.5, description="Standard deviation of one valve's thrust, fraction"
    )
    shared_thrust: float = Field(
        default=0.02, ge=0.0, lt=0.5, description="The same of all valves together: supply, and the vehicle's mass"
    )
    disturbance: float = Field(default=0.002, ge=0.0, description="Standard deviation of a steady acceleration, m/s²")
    disturbance_change: float = Field(
        default=0.00025,
        ge=0.0,
        description="Standard deviation of that part of it which differs from place to place, m/s²",
    )
    disturbance_length: float = Field(default=1.2, gt=0.0, description="Distance on which that part changes, m")


class Noise(Description):
    """All noise figures of a place."""

    name: str
    note: str = ""
    gyro: GyroNoise = GyroNoise()
    accelerometer: AccelerometerNoise = AccelerometerNoise()
    ranging: RangingNoise = RangingNoise()
    surroundings: Surroundings = Surroundings()
    radio: RadioNoise = RadioNoise()
    tracking: TrackingNoise | None = Field(
        default=None, description="Errors of the overhead tracking; without them `truth` is the emulator's own"
    )
