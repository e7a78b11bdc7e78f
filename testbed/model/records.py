"""Parameters and state of the plant as structured arrays: what its compiled kernels read and write.

One WORLD and one WORLD_STATE for the room; one VEHICLE (parameters, *actual*) and one STATE per vehicle. SI units and
radians; stamps are int64 nanoseconds. Fixed axes are those of the frame `table` or `cabin`, body axes those of
base_link.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from testbed.description.messages import MAX_BEACONS, MAX_POINTS, MAX_RANGES, MAX_RECEIVERS, MAX_VALVES

MAX_VEHICLES: Final = 8
MAX_EDGES: Final = 16
MAX_NODES: Final = 64
MAX_CONTACTS: Final = MAX_VEHICLES * (MAX_VEHICLES + 1) // 2
MAX_PENDING_POINTS: Final = 4 * MAX_POINTS
MAX_SWITCHINGS: Final = 16
MAX_EDGES_LOGGED: Final = MAX_POINTS * MAX_VALVES

WORLD: Final = np.dtype(
    [
        ("on_table", "i8"),
        ("gravity", "f8"),
        # the table's surface: slope of the whole, and heights (m) on a grid
        ("tilt", "f8", (2,)),
        ("node_count", "i8", (2,)),
        ("node_origin", "f8", (2,)),
        ("node_spacing", "f8"),
        ("height", "f8", (MAX_NODES, MAX_NODES)),
        # its edges: a point of each, and the unit normal that points inward
        ("edge_count", "i8"),
        ("edge_point", "f8", (MAX_EDGES, 2)),
        ("edge_normal", "f8", (MAX_EDGES, 2)),
        ("edge_stiffness", "f8"),
        ("edge_damping", "f8"),
        # beacons and air, as they are
        ("beacon_count", "i8"),
        ("beacon_position", "f8", (MAX_BEACONS, 3)),
        ("chirp_offset", "i8", (MAX_BEACONS,)),
        ("cycle", "i8"),
        ("slot", "f8"),
        ("air_temperature", "f8"),
        ("speed_of_sound", "f8"),
        ("range_noise", "f8"),
        ("range_noise_per_metre", "f8"),
        ("range_noise_valve_factor", "f8"),
        ("dropout", "f8"),
        ("multipath", "f8"),
        ("multipath_shortest", "f8"),
        ("multipath_longest", "f8"),
    ],
    align=True,
)

WORLD_STATE: Final = np.dtype(
    [
        ("contact_count", "i8"),
        ("contact_first", "i8", (MAX_CONTACTS,)),
        ("contact_second", "i8", (MAX_CONTACTS,)),
        ("contact_stamp", "i8", (MAX_CONTACTS,)),
        ("contact_peak_force", "f8", (MAX_CONTACTS,)),
        ("contact_impulse", "f8", (MAX_CONTACTS,)),
    ],
    align=True,
)
"""Contacts since the last clearing: vehicle indices (second = -1: an edge), first touch, peak normal force, impulse."""

VEHICLE: Final = np.dtype(
    [
        # body: a held axis has zeros in inverse_mass or inverse_inertia
        ("mass", "f8"),
        ("inverse_mass", "f8", (3,)),
        ("inertia", "f8", (3, 3)),
        ("inverse_inertia", "f8", (3, 3)),
        ("centre_of_mass", "f8", (3,)),
        ("floor_height", "f8"),
        ("film_drag", "f8"),
        ("film_drag_rotation", "f8"),
        ("body_radius", "f8"),
        # touch: what forms with each other vehicle, and with an edge
        ("contact_radius", "f8"),
        ("friction", "f8"),
        ("edge_grip", "f8"),
        ("pair_stiffness", "f8", (MAX_VEHICLES,)),
        ("pair_damping", "f8", (MAX_VEHICLES,)),
        ("pair_friction", "f8", (MAX_VEHICLES,)),
        ("pair_grip", "f8", (MAX_VEHICLES,)),
        # valves: force and torque (about the centre of mass) of each, fully open alone
        ("valve_count", "i8"),
        ("valve_thrust", "f8", (MAX_VALVES,)),
        ("valve_force", "f8", (MAX_VALVES, 3)),
        ("valve_torque", "f8", (MAX_VALVES, 3)),
        ("opening_delay", "f8"),
        ("closing_delay", "f8"),
        ("delay_jitter", "f8"),
        ("rise_time", "f8"),
        ("fall_time", "f8"),
        ("sag_per_valve", "f8"),
        # gas and battery
        ("exhaust_speed", "f8"),
        ("pressure_per_mass", "f8"),
        ("reserve_pressure", "f8"),
        ("idle_power", "f8"),
        ("valve_power", "f8"),
        # receivers
        ("receiver_count", "i8"),
        ("receiver_position", "f8", (MAX_RECEIVERS, 3)),
        ("receiver_axis", "f8", (MAX_RECEIVERS, 3)),
        ("receiver_cosine", "f8", (MAX_RECEIVERS,)),
        # inertial sensor
        ("imu_position", "f8", (3,)),
        ("gyro_noise", "f8"),
        ("gyro_scale", "f8", (3,)),
        ("gyro_turn_on_bias", "f8", (3,)),
        ("gyro_drift_decay", "f8"),
        ("gyro_drift_step", "f8"),
        ("gyro_range", "f8"),
        ("accelerometer_noise", "f8"),
        ("accelerometer_bias", "f8", (3,)),
        ("accelerometer_range", "f8"),
    ],
    align=True,
)

STATE: Final = np.dtype(
    [
        # motion: centre of mass and its velocity along fixed axes, orientation, rate along body axes
        ("centre", "f8", (3,)),
        ("orientation", "f8", (4,)),
        ("velocity", "f8", (3,)),
        ("rate", "f8", (3,)),
        # the same motion as others read it: base_link along fixed axes, its velocity along body axes
        ("position", "f8", (3,)),
        ("linear_velocity", "f8", (3,)),
        # means over the last tick at the inertial sensor, body axes
        ("mean_specific_force", "f8", (3,)),
        ("mean_rate", "f8", (3,)),
        ("gyro_drift", "f8", (3,)),
        # commanded: points still to come (stamp, bit mask of open valves), and what is commanded now
        ("point_count", "i8"),
        ("point_stamp", "i8", (MAX_PENDING_POINTS,)),
        ("point_open", "i8", (MAX_PENDING_POINTS,)),
        ("commanded", "i8"),
        ("last_schedule", "i8"),
        ("verdicts", "i8", (5,)),
        ("deadman_closings", "i8"),
        # mechanical: opening of each valve (0 to 1), where it moves to, and switchings still to come
        ("opening", "f8", (MAX_VALVES,)),
        ("target", "i8", (MAX_VALVES,)),
        ("switching_count", "i8", (MAX_VALVES,)),
        ("switching_stamp", "i8", (MAX_VALVES, MAX_SWITCHINGS)),
        ("switching_target", "i8", (MAX_VALVES, MAX_SWITCHINGS)),
        ("active", "i8"),
        ("valve_impulse", "f8", (MAX_VALVES,)),
        # commanded edges of the last tick
        ("edge_count", "i8"),
        ("edge_valve", "i8", (MAX_EDGES_LOGGED,)),
        ("edge_stamp", "i8", (MAX_EDGES_LOGGED,)),
        ("edge_open", "i8", (MAX_EDGES_LOGGED,)),
        ("edges_lost", "i8"),
        # supply
        ("gas_mass", "f8"),
        ("gas_temperature", "f8"),
        ("battery_energy", "f8"),
        # touch: speed at which each contact began
        ("pair_impact_speed", "f8", (MAX_VEHICLES,)),
        ("edge_impact_speed", "f8", (MAX_EDGES,)),
        # ranges of the two latest beacon cycles
        ("cycle_pulse", "i8", (2,)),
        ("range_count", "i8", (2,)),
        ("range_beacon", "i8", (2, MAX_RANGES)),
        ("range_receiver", "i8", (2, MAX_RANGES)),
        ("time_of_flight", "f8", (2, MAX_RANGES)),
        ("time_offset", "f8", (2, MAX_RANGES)),
    ],
    align=True,
)
