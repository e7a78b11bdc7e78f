"""Every imperfection of the plant by name, and how to switch it off.

An effect is switched off by giving its parameters the values at which it vanishes, in the *actual* descriptions, which
the plant alone sees. Whoever adds an effect adds a member and its row below, and a case in tests/model/effects/.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, Final, Literal

from pydantic import BaseModel

from testbed.description.beacons import Beacons
from testbed.description.cabin import Cabin
from testbed.description.noise import Noise
from testbed.description.table import Table
from testbed.description.vehicle import Vehicle

Part = Literal["vehicles", "table", "cabin", "beacons", "noise"]


class Effect(StrEnum):
    """An imperfection of the plant, as plans name it under `switched_off`."""

    # thrusters
    VALVE_DELAY = "valve_delay"
    VALVE_JITTER = "valve_jitter"
    VALVE_RAMP = "valve_ramp"
    THRUST_SPREAD = "thrust_spread"
    MISALIGNMENT = "misalignment"
    PLUME = "plume"

    # supply
    PLENUM_SAG = "plenum_sag"
    SUPPLY_EFFECT = "supply_effect"
    BACK_PRESSURE = "back_pressure"
    TANK_COOLING = "tank_cooling"
    HEAT_LEAK = "heat_leak"
    RELIEF = "relief"

    # table
    TILT = "tilt"
    FLATNESS = "flatness"
    FILM_DRAG = "film_drag"
    SPIN_DRAG = "spin_drag"
    BEARING_RUNDOWN = "bearing_rundown"
    EARTH_ROTATION = "earth_rotation"

    # cabin
    AIR_DRAG = "air_drag"
    ROTATION_DAMPING = "rotation_damping"
    VENTILATION = "ventilation"
    ORBIT_FRAME = "orbit_frame"
    STEADY_ACCELERATION = "steady_acceleration"

    # contact
    CONTACT_FRICTION = "contact_friction"
    CONTACT_DAMPING = "contact_damping"

    # inertial
    GYRO_NOISE = "gyro_noise"
    GYRO_DRIFT = "gyro_drift"
    GYRO_TURN_ON_BIAS = "gyro_turn_on_bias"
    GYRO_SCALE = "gyro_scale"
    GYRO_MISALIGNMENT = "gyro_misalignment"
    GYRO_SATURATION = "gyro_saturation"
    GYRO_QUANTISATION = "gyro_quantisation"
    ACCELEROMETER_NOISE = "accelerometer_noise"
    ACCELEROMETER_DRIFT = "accelerometer_drift"
    ACCELEROMETER_BIAS = "accelerometer_bias"
    ACCELEROMETER_SCALE = "accelerometer_scale"
    ACCELEROMETER_MISALIGNMENT = "accelerometer_misalignment"
    ACCELEROMETER_SATURATION = "accelerometer_saturation"
    ACCELEROMETER_QUANTISATION = "accelerometer_quantisation"
    ACCELEROMETER_LEVER_ARM = "accelerometer_lever_arm"

    # ranging
    RANGE_NOISE = "range_noise"
    VALVE_NOISE_ON_RANGES = "valve_noise_on_ranges"
    VALVE_DROPOUT = "valve_dropout"
    DROPOUT = "dropout"
    MULTIPATH = "multipath"
    SURVEY_ERROR = "survey_error"
    AIR_TEMPERATURE_ERROR = "air_temperature_error"
    AIR_HUMIDITY_ERROR = "air_humidity_error"
    PULSE_JITTER = "pulse_jitter"
    PULSE_MISSED = "pulse_missed"
    RECEIVER_CONE = "receiver_cone"  # off, chirps come from where flight code believes none can: it finds no fix
    OCCLUSION = "occlusion"

    # tracking
    TRACKING_NOISE = "tracking_noise"
    TRACKING_DROPOUT = "tracking_dropout"
    TRACKING_LATENCY = "tracking_latency"
    TRACKING_VELOCITY = "tracking_velocity"

    # radio
    RADIO_LATENCY = "radio_latency"
    RADIO_LOSS = "radio_loss"

    # battery
    BATTERY_DRAIN = "battery_drain"
    BATTERY_RESISTANCE = "battery_resistance"
    BATTERY_CURVE = "battery_curve"
    BATTERY_CUTOFF = "battery_cutoff"

    # camera
    CAMERA_DISTORTION = "camera_distortion"
    CAMERA_BLUR = "camera_blur"
    CAMERA_MOTION_BLUR = "camera_motion_blur"
    CAMERA_NOISE = "camera_noise"
    CAMERA_DELAY = "camera_delay"


@dataclass(frozen=True)
class Neutral:
    """A parameter and the value at which its effect vanishes; `path` leads there from a description of that part."""

    part: Part
    path: str
    value: Any


UNLIMITED: Final = 1e9
"""A full scale that nothing reaches, and a heat capacity that nothing warms."""

NEUTRAL: Final[Mapping[Effect, tuple[Neutral, ...]]] = {
    # thrusters
    Effect.VALVE_DELAY: (
        Neutral("vehicles", "thrusters.opening_delay", 0.0),
        Neutral("vehicles", "thrusters.closing_delay", 0.0),
    ),
    Effect.VALVE_JITTER: (Neutral("vehicles", "thrusters.delay_jitter", 0.0),),
    Effect.VALVE_RAMP: (
        Neutral("vehicles", "thrusters.rise_time", 0.0),
        Neutral("vehicles", "thrusters.fall_time", 0.0),
    ),
    Effect.THRUST_SPREAD: (Neutral("noise", "surroundings.thrust", 0.0),),
    Effect.MISALIGNMENT: (Neutral("vehicles", "thrusters.misalignment_deg", 0.0),),
    Effect.PLUME: (Neutral("vehicles", "thrusters.plume.reach", 0.0),),
    # supply
    Effect.PLENUM_SAG: (Neutral("vehicles", "thrusters.maximum_sag", 0.0),),
    Effect.SUPPLY_EFFECT: (Neutral("vehicles", "gas.regulator.supply_effect", 0.0),),
    Effect.BACK_PRESSURE: (Neutral("vehicles", "gas.back_pressure", 0.0),),
    Effect.TANK_COOLING: (Neutral("vehicles", "gas.wall_heat_capacity", UNLIMITED),),
    Effect.HEAT_LEAK: (Neutral("vehicles", "gas.heat_leak", 0.0),),
    Effect.RELIEF: (Neutral("vehicles", "gas.relief", None),),
    # table
    Effect.TILT: (Neutral("table", "tilt_mrad", (0.0, 0.0)),),
    Effect.FLATNESS: (Neutral("table", "flatness", None),),
    Effect.FILM_DRAG: (Neutral("table", "film_drag_time", math.inf),),
    Effect.SPIN_DRAG: (Neutral("table", "spin_drag", 0.0),),
    Effect.BEARING_RUNDOWN: (Neutral("table", "bearing_supply_time", math.inf),),
    Effect.EARTH_ROTATION: (Neutral("table", "earth_rate", 0.0),),
    # cabin
    Effect.AIR_DRAG: (Neutral("vehicles", "air.drag_coefficient", 0.0),),
    Effect.ROTATION_DAMPING: (
        Neutral("vehicles", "air.rotation_damping", 0.0),
        Neutral("vehicles", "air.rotation_drag", 0.0),
    ),
    Effect.VENTILATION: (
        Neutral("cabin", "ventilation.velocity", (0.0, 0.0, 0.0)),
        Neutral("cabin", "ventilation.circulation_speed", 0.0),
    ),
    Effect.ORBIT_FRAME: (Neutral("cabin", "orbit.rate", 0.0),),
    Effect.STEADY_ACCELERATION: (Neutral("cabin", "orbit.steady_acceleration", (0.0, 0.0, 0.0)),),
    # contact
    Effect.CONTACT_FRICTION: (
        Neutral("vehicles", "shape.friction", 0.0),
        Neutral("vehicles", "ports.friction", 0.0),
    ),
    Effect.CONTACT_DAMPING: (
        Neutral("vehicles", "shape.restitution", 1.0),
        Neutral("vehicles", "ports.restitution", 1.0),
        Neutral("table", "edge_restitution", 1.0),
        Neutral("table", "hard_edge_restitution", 1.0),
        Neutral("cabin", "wall_restitution", 1.0),
        Neutral("cabin", "hard_wall_restitution", 1.0),
    ),
    # inertial
    Effect.GYRO_NOISE: (Neutral("noise", "gyro.density_deg", 0.0),),
    Effect.GYRO_DRIFT: (Neutral("noise", "gyro.bias_instability_deg_per_hour", 0.0),),
    Effect.GYRO_TURN_ON_BIAS: (Neutral("noise", "gyro.turn_on_bias_deg", 0.0),),
    Effect.GYRO_SCALE: (Neutral("noise", "gyro.scale_error", 0.0),),
    Effect.GYRO_MISALIGNMENT: (Neutral("noise", "gyro.misalignment_deg", 0.0),),
    Effect.GYRO_SATURATION: (Neutral("vehicles", "inertial_sensor.gyro_range_deg", UNLIMITED),),
    Effect.GYRO_QUANTISATION: (Neutral("vehicles", "inertial_sensor.gyro_step_deg", 0.0),),
    Effect.ACCELEROMETER_NOISE: (Neutral("noise", "accelerometer.density", 0.0),),
    Effect.ACCELEROMETER_DRIFT: (Neutral("noise", "accelerometer.bias_instability", 0.0),),
    Effect.ACCELEROMETER_BIAS: (Neutral("noise", "accelerometer.turn_on_bias", 0.0),),
    Effect.ACCELEROMETER_SCALE: (Neutral("noise", "accelerometer.scale_error", 0.0),),
    Effect.ACCELEROMETER_MISALIGNMENT: (Neutral("noise", "accelerometer.misalignment_deg", 0.0),),
    Effect.ACCELEROMETER_SATURATION: (Neutral("vehicles", "inertial_sensor.accelerometer_range", UNLIMITED),),
    Effect.ACCELEROMETER_QUANTISATION: (Neutral("vehicles", "inertial_sensor.accelerometer_step", 0.0),),
    Effect.ACCELEROMETER_LEVER_ARM: (Neutral("vehicles", "inertial_sensor.position", (0.0, 0.0, 0.0)),),
    # ranging
    Effect.RANGE_NOISE: (Neutral("noise", "ranging.constant", 0.0), Neutral("noise", "ranging.per_metre", 0.0)),
    Effect.VALVE_NOISE_ON_RANGES: (Neutral("noise", "ranging.valve_factor", 1.0),),
    Effect.VALVE_DROPOUT: (Neutral("noise", "ranging.valve_dropout", 0.0),),
    Effect.DROPOUT: (Neutral("noise", "ranging.dropout", 0.0),),
    Effect.MULTIPATH: (Neutral("noise", "ranging.multipath", 0.0),),
    Effect.SURVEY_ERROR: (Neutral("noise", "ranging.survey", 0.0),),
    Effect.AIR_TEMPERATURE_ERROR: (Neutral("noise", "surroundings.air_temperature", 0.0),),
    Effect.AIR_HUMIDITY_ERROR: (Neutral("noise", "surroundings.air_humidity", 0.0),),
    Effect.PULSE_JITTER: (Neutral("noise", "ranging.pulse_jitter", 0.0),),
    Effect.PULSE_MISSED: (Neutral("noise", "ranging.pulse_missed", 0.0),),
    Effect.RECEIVER_CONE: (Neutral("vehicles", "receivers.half_angle_deg", 180.0),),
    Effect.OCCLUSION: (Neutral("noise", "ranging.occlusion", False),),
    # tracking
    Effect.TRACKING_NOISE: (
        Neutral("noise", "tracking.position", 0.0),
        Neutral("noise", "tracking.angle_deg", 0.0),
    ),
    Effect.TRACKING_DROPOUT: (Neutral("noise", "tracking.dropout", 0.0),),
    Effect.TRACKING_LATENCY: (Neutral("noise", "tracking.latency", 0.0),),
    Effect.TRACKING_VELOCITY: (Neutral("noise", "tracking.velocity_time", 0.0),),
    # radio
    Effect.RADIO_LATENCY: (Neutral("noise", "radio.latency", 0.0), Neutral("noise", "radio.jitter", 0.0)),
    Effect.RADIO_LOSS: (Neutral("noise", "radio.loss", 0.0),),
    # battery
    Effect.BATTERY_DRAIN: (
        Neutral("vehicles", "battery.idle_power", 0.0),
        Neutral("vehicles", "battery.valve_power", 0.0),
    ),
    Effect.BATTERY_RESISTANCE: (Neutral("vehicles", "battery.internal_resistance", 0.0),),
    Effect.BATTERY_CURVE: (Neutral("vehicles", "battery.open_circuit", ()),),
    Effect.BATTERY_CUTOFF: (Neutral("vehicles", "battery.cutoff_voltage", 0.0),),
    # camera
    Effect.CAMERA_DISTORTION: (Neutral("vehicles", "camera.distortion", (0.0, 0.0, 0.0, 0.0, 0.0)),),
    Effect.CAMERA_BLUR: (Neutral("vehicles", "camera.defocus_px", 0.0),),
    Effect.CAMERA_MOTION_BLUR: (Neutral("vehicles", "camera.exposure_time", 0.0),),
    Effect.CAMERA_NOISE: (Neutral("vehicles", "camera.noise", 0.0),),
    Effect.CAMERA_DELAY: (Neutral("vehicles", "camera.exposure_delay", 0.0),),
}


@dataclass(frozen=True)
class Actual:
    """Everything that the plant is built from; what flight code believes stays as the files say."""

    vehicles: tuple[Vehicle, ...]
    room: Table | Cabin
    beacons: Beacons
    noise: Noise


def switch_off(effects: Iterable[Effect], actual: Actual) -> Actual:
    """Return the same without these effects; `set(Effect)` leaves the ideal world."""
    for effect in sorted(set(effects)):
        for neutral in NEUTRAL[effect]:
            actual = _with(neutral, actual)
    return actual


def _with(neutral: Neutral, actual: Actual) -> Actual:
    path, value = neutral.path.split("."), neutral.value
    match neutral.part:
        case "vehicles":
            return replace(actual, vehicles=tuple(_replaced(one, path, value) for one in actual.vehicles))
        case "table" | "cabin":
            here = isinstance(actual.room, Table if neutral.part == "table" else Cabin)
            return replace(actual, room=_replaced(actual.room, path, value)) if here else actual
        case part:
            return replace(actual, **{part: _replaced(getattr(actual, part), path, value)})


def _replaced(part: Any, path: list[str], value: Any) -> Any:
    """Copy a description with the parameter at the end of `path` replaced; a tuple has it replaced in each entry.

    The copy is not validated: a neutral value may be one that no file could hold.
    """
    if isinstance(part, tuple):
        return tuple(_replaced(one, path, value) for one in part)
    if part is None:  # an optional part that is not there has no effect
        return None
    assert isinstance(part, BaseModel)
    assert path[0] in type(part).model_fields, f"{type(part).__name__} has no parameter {path[0]}"
    inner = value if len(path) == 1 else _replaced(getattr(part, path[0]), path[1:], value)
    return part.model_copy(update={path[0]: inner})
