"""How noisy the sensors and the surroundings are believed to be."""

from __future__ import annotations

from pydantic import Field

from testbed.description.model import Description


class GyroNoise(Description):
    """Gyro errors."""

    density_deg: float = Field(default=0.01, ge=0.0, description="Angle random walk, degrees/s/sqrt(Hz)")
    bias_instability_deg_per_hour: float = Field(default=5.0, ge=0.0, description="Bias instability, degrees per hour")
    bias_time: float = Field(default=300.0, gt=0.0, description="Correlation time of the drifting part, s")
    turn_on_bias_deg: float = Field(
        default=0.1, ge=0.0, description="Standard deviation of the bias at switch-on, degrees/s"
    )
    scale_error: float = Field(default=0.003, ge=0.0, lt=0.1, description="Standard deviation of the scale factor")


class AccelerometerNoise(Description):
    """Accelerometer errors."""

    density: float = Field(default=0.002, ge=0.0, description="Velocity random walk, m/s²/sqrt(Hz)")
    turn_on_bias: float = Field(default=0.03, ge=0.0, description="Standard deviation of the bias at switch-on, m/s²")


class RangingNoise(Description):
    """Errors of one time of flight, given as length."""

    constant: float = Field(default=0.005, ge=0.0, description="Standard deviation at zero range, m")
    per_metre: float = Field(default=0.001, ge=0.0, description="Growth of the standard deviation per metre")
    dropout: float = Field(default=0.02, ge=0.0, lt=1.0, description="Share of chirps lost")
    multipath: float = Field(default=0.01, ge=0.0, lt=1.0, description="Share of chirps that came by an echo")
    multipath_shortest: float = Field(default=0.02, gt=0.0, description="Shortest detour of an echo, m")
    multipath_longest: float = Field(default=0.15, gt=0.0, description="Longest detour of an echo, m")
    survey: float = Field(default=0.002, ge=0.0, description="Standard deviation of the beacon survey per axis, m")
    valve_factor: float = Field(default=3.0, ge=1.0, description="Growth of the noise while own valves are open")


class Surroundings(Description):
    """What nobody knows exactly."""

    air_temperature: float = Field(default=0.5, ge=0.0, description="Standard deviation of the thermometer, K")
    thrust: float = Field(
        default=0.03, ge=0.0, lt=0.5, description="Standard deviation of one valve's thrust, fraction"
    )
    disturbance: float = Field(default=0.002, ge=0.0, description="Standard deviation of a steady acceleration, m/s²")


class Noise(Description):
    """All noise figures of a place."""

    name: str
    note: str = ""
    gyro: GyroNoise = GyroNoise()
    accelerometer: AccelerometerNoise = AccelerometerNoise()
    ranging: RangingNoise = RangingNoise()
    surroundings: Surroundings = Surroundings()
