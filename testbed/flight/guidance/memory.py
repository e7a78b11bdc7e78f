"""What guidance knows of its vehicle and what it remembers from step to step."""

from __future__ import annotations

import math
from enum import IntEnum
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from testbed.description import messages
from testbed.description.axes import axis_mask
from testbed.description.messages import NS_PER_S
from testbed.description.vehicle import Vehicle
from testbed.flight.allocation import Allocation, allocation
from testbed.flight.guidance.drift import pulse_speeds
from testbed.flight.guidance.joining import JOINED
from testbed.flight.guidance.leg import LEG
from testbed.flight.guidance.track import TRACK
from testbed.flight.modulation import Modulation


class Planned(IntEnum):
    """What the reference in memory is for."""

    NOTHING = 0
    WAITING = 1
    MANEUVER = 2


INTEGRAL_SHARE: Final = 0.3
"""The disturbance integral may use this share of each axis' authority."""

PARAMETERS: Final = np.dtype(
    [
        ("active", "i8", (6,)),
        ("mass", "f8"),
        ("inertia", "f8", (3, 3)),
        ("centre_of_mass", "f8", (3,)),
        ("position_gain", "f8"),
        ("velocity_gain", "f8"),
        ("attitude_gain", "f8"),
        ("rate_gain", "f8"),
        ("integral_time", "f8"),
        ("authority", "f8", (6,)),
        ("integral_limit", "f8", (6,)),
        ("share", "f8"),
        ("speed_limit", "f8"),
        ("rate_limit", "f8"),
        ("lead", "f8"),
        ("period", "f8"),
        ("period_ns", "i8"),
        ("least_change", "f8", (6, 2)),
        ("most_change", "f8", (6, 2)),
        ("allocation", allocation.PARAMETERS),
    ],
    align=True,
)
"""Gains per unit of mass or inertia (1/s², 1/s); authority: the smaller of both senses of each axis, N and N·m;
lead: wrench to the start of its pulses, period: of modulation, s; share: of the authority that profiles may use;
least_change and most_change of speed by the pulses of one period: along and about each axis, forth and back."""

MOTION: Final = np.dtype(
    [("position", "f8", (3,)), ("orientation", "f8", (4,)), ("velocity", "f8", (3,)), ("rate", "f8", (3,))], align=True
)
"""Where the reference is: pose and velocity of base_link in the fixed frame, rate along base_link axes."""

STATE: Final = np.dtype(
    [
        ("maneuver", messages.MANEUVER),
        ("plan", "i8"),
        ("origin", "i8"),
        ("duration", "f8"),
        ("spent", "f8"),
        ("gas_to_start", "f8"),
        ("gas_to_stop", "f8"),
        ("afforded", "i8"),
        ("short", "i8"),
        ("start_position", "f8", (3,)),
        ("start_orientation", "f8", (4,)),
        ("position_leg", LEG),
        ("attitude_leg", LEG),
        ("track", TRACK),
        ("begun", "i8"),
        ("refused", "i8"),
        ("present", JOINED),
        ("next", JOINED),
        ("motion", MOTION),
        ("pulse_start", MOTION),
        ("pulse_end", MOTION),
        ("integral_force", "f8", (3,)),
        ("integral_torque", "f8", (3,)),
        ("saturated", "i8"),
        ("last_stamp", "i8"),
        ("within_since", "i8"),
        ("phase", "i8"),
        ("rate", "f8", (3,)),
        ("vector", "f8", (3,)),
        ("offset", "f8", (6,)),
        ("speed", "f8", (6,)),
        ("pull", "f8", (6,)),
        ("uphill", "f8", (6,)),
        ("owed", "f8", (6,)),
        ("pulse", "f8", (6,)),
        ("unsure", "f8", (6,)),
        ("fired", "i8"),
        ("joined", "i8"),
        ("allocation", allocation.STATE),
    ],
    align=True,
)
"""plan: what the legs, the track or the trajectory are for (Planned), from `origin` ns on, lasting `duration` s; begun:
when the maneuver's first trajectory did, ns; refused: number of the maneuver whose last trajectory was; present: the
trajectory that is followed, next: the one from whose first knot on it will be replaced; of a
move by gas: kg spent so far as far as guidance can tell, what to start and to stop takes (kg per m/s or rad/s), whether
its gas allowed for the profile when that was planned, and whether what is left is only just enough for it; motion: the
reference now and at both ends of the next pulses; integral_force N in the fixed frame, integral_torque N·m along
base_link axes; within_since: since when (ns) both errors are within tolerance, 0 if they are not; rate: estimated
rate about the active axes; vector: working memory. While drifting, along and about the axes of base_link: offset and
speed relative to the reference, pull of the disturbance, speed of a hop against it, change of speed still owed, pulse
(acceleration) of this period, standard deviation of the speed; when the last pulse along any axis was given, ns, and
whether what is owed is given along all axes together."""


def parameters_of(vehicle: Vehicle, place: Literal["table", "cabin"], active_axes: tuple[str, ...]) -> NDArray[np.void]:
    """PARAMETERS of a vehicle as it is believed to be."""
    parameters = np.zeros(1, PARAMETERS)
    p = parameters[0]
    properties, control, thrusters = vehicle.mass_properties(place), vehicle.control, vehicle.thrusters
    layout = Allocation(vehicle, place, active_axes)
    p["active"] = axis_mask(active_axes)
    p["mass"] = properties.mass
    p["inertia"] = properties.inertia_tensor()
    p["centre_of_mass"] = properties.centre_of_mass
    p["position_gain"] = control.position_bandwidth**2
    p["velocity_gain"] = 2.0 * control.damping * control.position_bandwidth
    p["attitude_gain"] = control.attitude_bandwidth**2
    p["rate_gain"] = 2.0 * control.damping * control.attitude_bandwidth
    p["integral_time"] = control.integral_time
    p["authority"] = [min(layout.authority(axis), layout.authority(-axis)) for axis in np.eye(6)]
    p["integral_limit"] = INTEGRAL_SHARE * p["authority"]
    p["share"] = control.authority
    p["speed_limit"] = vehicle.speed_limit(place)
    p["rate_limit"] = math.radians(vehicle.limits.rate_deg)
    p["lead"] = round(thrusters.schedule_lead * NS_PER_S) / NS_PER_S
    p["period"] = round(thrusters.modulation_period * NS_PER_S) / NS_PER_S
    p["period_ns"] = round(thrusters.modulation_period * NS_PER_S)
    columns = np.zeros((6, 6))
    columns[:3, :3], columns[3:, 3:] = properties.mass * np.eye(3), properties.inertia_tensor()
    bit = float(Modulation(vehicle).parameters[0]["bit"])
    p["least_change"], p["most_change"] = pulse_speeds(layout, columns, bit, float(p["period"]))
    p["allocation"] = layout.parameters[0]
    return parameters
