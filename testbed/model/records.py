"""Parameters and state of the plant as structured arrays: what its compiled kernels read and write.

One WORLD and one WORLD_STATE for the room; one VEHICLE (parameters, *actual*) and one STATE per vehicle. SI units and
radians; stamps are int64 nanoseconds. Fixed axes are those of the frame `table` or `cabin`, body axes those of
base_link.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from testbed.description.flatness import MAX_NODES
from testbed.description.gas_tables.layout import GAS_TABLE
from testbed.description.messages import (
    MAX_BATTERY_POINTS,
    MAX_BEACONS,
    MAX_EMITTERS,
    MAX_HULL,
    MAX_POINTS,
    MAX_PORTS,
    MAX_RANGES,
    MAX_RECEIVERS,
    MAX_VALVES,
)

MAX_VEHICLES: Final = 64
MAX_EDGES: Final = 16
MAX_FRAMES: Final = 32
MAX_FEATURES: Final = 1 + MAX_PORTS
"""Parts of a vehicle that touch: its hull, and the tip of each port."""
MAX_NEAR: Final = 2048
"""Pairs of features that may touch within a tick: 64 discs or spheres have at most 384 neighbours, ports add theirs."""
MAX_CONTACTS: Final = 1024
MAX_LATCHES: Final = MAX_VEHICLES * MAX_PORTS // 2
MAX_PENDING_POINTS: Final = 4 * MAX_POINTS
MAX_EVENTS: Final = 256
MAX_EDGES_LOGGED: Final = MAX_POINTS * MAX_VALVES
LANES: Final = 4
"""Vehicles that glide at a time: what the processor's registers hold."""
LANE_ROWS: Final = 34

WORLD: Final = np.dtype(
    [
        ("on_table", "i8"),
        ("gravity", "f8"),
        # the table's surface: slope of the whole, and heights (m) on a grid
        ("tilt", "f8", (2,)),
        ("node_count", "i8", (2,)),
        ("node_origin", "f8", (2,)),
        ("nodes_per_metre", "f8"),
        ("height", "f8", (MAX_NODES, MAX_NODES)),
        # the carriages' air: how fast their pressure falls (Pa/s), where the film closes, and the friction after that
        ("carriage_pressure_fall", "f8"),
        ("float_pressure", "f8"),
        ("landing_friction", "f8"),
        # the fixed frame against inertial space: its rate (rad/s, fixed axes), the acceleration per metre that the
        # gradient of gravity and the turning give, that gradient along z alone (1/s²), and a steady acceleration
        ("frame_moves", "i8"),
        ("frame_rate", "f8", (3,)),
        ("tidal", "f8", (3, 3)),
        ("gravity_gradient", "f8"),
        ("steady_acceleration", "f8", (3,)),
        # the cabin's air: density (0 on the table, where the film's drag stands for all), a draught, and one roll
        ("air_density", "f8"),
        ("air_velocity", "f8", (3,)),
        ("circulation_speed", "f8"),
        ("room_size", "f8", (3,)),
        # table edges or cabin walls: a point of each, and the unit normal that points inward
        ("edge_count", "i8"),
        ("edge_point", "f8", (MAX_EDGES, 3)),
        ("edge_normal", "f8", (MAX_EDGES, 3)),
        ("edge_stiffness", "f8", (MAX_EDGES,)),
        ("edge_restitution", "f8", (MAX_EDGES,)),
        # a box in which nothing is near any of them
        ("clear_low", "f8", (3,)),
        ("clear_high", "f8", (3,)),
        # beacons and air, as they are
        ("beacon_count", "i8"),
        ("beacon_position", "f8", (MAX_BEACONS, 3)),
        ("beacon_dead", "i8", (MAX_BEACONS,)),
        ("chirp_offset", "i8", (MAX_BEACONS,)),
        ("cycle", "i8"),
        ("slot", "f8"),
        ("emitter_count", "i8"),
        ("emitter_position", "f8", (MAX_EMITTERS, 3)),
        ("pulse_jitter", "f8"),
        ("pulse_missed", "f8"),
        ("occlusion", "i8"),
        ("air_temperature", "f8"),
        ("air_humidity", "f8"),
        ("speed_of_sound", "f8"),
        ("range_noise", "f8"),
        ("range_noise_per_metre", "f8"),
        ("range_noise_valve_factor", "f8"),
        ("valve_distance", "f8"),
        ("valve_dropout", "f8"),
        ("dropout", "f8"),
        ("multipath", "f8"),
        ("multipath_shortest", "f8"),
        ("multipath_longest", "f8"),
        # overhead tracking: whether it has errors; standard deviations, latency s, frames that velocity is formed over
        ("tracking", "i8"),
        ("tracking_position", "f8"),
        ("tracking_angle", "f8"),
        ("tracking_lost_below", "f8"),
        ("tracking_latency", "f8"),
        ("tracking_frames", "i8"),
    ],
    align=True,
)

WORLD_STATE: Final = np.dtype(
    [
        # broad phase: vehicles along x, how far each may touch within the tick; pairs of features that may
        ("sweep_count", "i8"),
        ("sweep_order", "i8", (MAX_VEHICLES,)),
        ("sweep_reach", "f8", (MAX_VEHICLES,)),
        ("clearance", "f8"),  # by which any two may still approach before they are compared again, m
        ("near_count", "i8"),
        ("near_first", "i8", (MAX_NEAR,)),
        ("near_second", "i8", (MAX_NEAR,)),
        ("near_first_feature", "i8", (MAX_NEAR,)),
        ("near_second_feature", "i8", (MAX_NEAR,)),
        ("near_contact", "i8", (MAX_NEAR,)),
        # contacts that last or that nobody has read yet: vehicles (second = -1: an edge, its number the feature)
        ("contact_count", "i8"),
        ("contact_first", "i8", (MAX_CONTACTS,)),
        ("contact_second", "i8", (MAX_CONTACTS,)),
        ("contact_first_feature", "i8", (MAX_CONTACTS,)),
        ("contact_second_feature", "i8", (MAX_CONTACTS,)),
        # first touch since the last reading (-1: none), peak normal force and impulse since then
        ("contact_stamp", "i8", (MAX_CONTACTS,)),
        ("contact_peak_force", "f8", (MAX_CONTACTS,)),
        ("contact_impulse", "f8", (MAX_CONTACTS,)),
        # the touch that lasts: speed at which it began and the law that it follows
        ("contact_touching", "i8", (MAX_CONTACTS,)),
        ("contact_impact_speed", "f8", (MAX_CONTACTS,)),
        ("contact_stiffness", "f8", (MAX_CONTACTS,)),
        ("contact_damping", "f8", (MAX_CONTACTS,)),
        ("contact_slack", "f8", (MAX_CONTACTS,)),
        ("contact_friction", "f8", (MAX_CONTACTS,)),
        ("contact_grip", "f8", (MAX_CONTACTS,)),
        # between ports: whether they captured, and if not why (ports.Capture)
        ("contact_capture", "i8", (MAX_CONTACTS,)),
        # where, in this step: the point that both share, and the normal that points to the first
        ("contact_depth", "f8", (MAX_CONTACTS,)),
        ("contact_normal", "f8", (MAX_CONTACTS, 3)),
        ("contact_point", "f8", (MAX_CONTACTS, 3)),
        ("contacts_lost", "i8"),
        # latches between ports: phase (latches.Phase), since when, ticks seated; the pull while they capture
        ("latch_count", "i8"),
        ("latch_changes", "i8"),
        ("latch_first", "i8", (MAX_LATCHES,)),
        ("latch_second", "i8", (MAX_LATCHES,)),
        ("latch_first_port", "i8", (MAX_LATCHES,)),
        ("latch_second_port", "i8", (MAX_LATCHES,)),
        ("latch_phase", "i8", (MAX_LATCHES,)),
        ("latch_stamp", "i8", (MAX_LATCHES,)),
        ("latch_seated", "i8", (MAX_LATCHES,)),
        ("latch_stiffness", "f8", (MAX_LATCHES,)),
        ("latch_damping", "f8", (MAX_LATCHES,)),
        ("latch_turning_stiffness", "f8", (MAX_LATCHES,)),
        ("latch_turning_damping", "f8", (MAX_LATCHES,)),
        ("latch_target", "f8", (MAX_LATCHES, 4)),
        # room to work in: who may touch something in this tick, and the rows of a Runge-Kutta step
        ("near", "u1", (MAX_VEHICLES,)),
        ("scratch", "f8", (4, 13)),
        # and columns for vehicles that glide, see glide_lanes.py
        ("lanes", "f8", (LANE_ROWS, LANES)),
    ],
    align=True,
)

VEHICLE: Final = np.dtype(
    [
        # body, alone: a held axis has zeros in inverse_mass or inverse_inertia
        ("mass", "f8"),
        ("inverse_mass", "f8", (3,)),
        ("inertia", "f8", (3, 3)),
        ("inverse_inertia", "f8", (3, 3)),
        ("centre_of_mass", "f8", (3,)),
        ("floor_height", "f8"),
        ("film_drag", "f8"),
        ("film_drag_rotation", "f8"),
        ("bearing_lost", "i8"),
        ("spin_drag", "f8"),
        ("rubbing_radius", "f8"),
        ("air_drag_area", "f8"),
        ("rotation_damping", "f8"),
        ("rotation_drag", "f8"),
        ("body_radius", "f8"),
        # touch: radius around base_link in which everything lies that may; then by feature: the hull, then port tips
        ("contact_radius", "f8"),
        ("touch_radius", "f8"),
        ("feature_count", "i8"),
        ("feature_centre", "f8", (MAX_FEATURES, 3)),
        ("feature_extent", "f8", (MAX_FEATURES,)),
        ("feature_radius", "f8", (MAX_FEATURES,)),
        ("feature_stiffness", "f8", (MAX_FEATURES,)),
        ("feature_restitution", "f8", (MAX_FEATURES,)),
        ("feature_friction", "f8", (MAX_FEATURES,)),
        ("hull_count", "i8"),
        ("hull_corner", "f8", (MAX_HULL, 3)),
        # ports: front of the tip, direction, what they admit (angles in rad), how they pull in and when they are seated
        ("port_count", "i8"),
        ("port_position", "f8", (MAX_PORTS, 3)),
        ("port_direction", "f8", (MAX_PORTS, 3)),
        ("port_lateral", "f8", (MAX_PORTS,)),
        ("port_angle", "f8", (MAX_PORTS,)),
        ("port_slowest", "f8", (MAX_PORTS,)),
        ("port_fastest", "f8", (MAX_PORTS,)),
        ("port_slip", "f8", (MAX_PORTS,)),
        ("port_rate", "f8", (MAX_PORTS,)),
        ("port_stiffness", "f8", (MAX_PORTS,)),
        ("port_turning_stiffness", "f8", (MAX_PORTS,)),
        ("port_damping_ratio", "f8", (MAX_PORTS,)),
        ("port_seated_distance", "f8", (MAX_PORTS,)),
        ("port_seated_angle", "f8", (MAX_PORTS,)),
        ("port_seated_speed", "f8", (MAX_PORTS,)),
        ("port_seated_rate", "f8", (MAX_PORTS,)),
        ("port_seated_ticks", "i8", (MAX_PORTS,)),
        ("port_stuck", "i8", (MAX_PORTS,)),
        # valves: force and torque (about the centre of mass) of each, fully open alone
        ("valve_count", "i8"),
        ("valve_thrust", "f8", (MAX_VALVES,)),
        ("valve_force", "f8", (MAX_VALVES, 3)),
        ("valve_torque", "f8", (MAX_VALVES, 3)),
        ("nozzle_position", "f8", (MAX_VALVES, 3)),
        # jets: unit vectors, largest distance of a nozzle from base_link, slope of the cone's side, reach
        ("jet_direction", "f8", (MAX_VALVES, 3)),
        ("nozzle_radius", "f8"),
        ("plume_slope", "f8"),
        ("plume_reach", "f8"),
        ("opening_delay", "f8"),
        ("closing_delay", "f8"),
        ("delay_jitter", "f8"),
        ("rise_time", "f8"),
        ("fall_time", "f8"),
        # gas: tank, relief valve, regulator, plenum (tank.py, plenum.py) and flow of each valve per plenum pressure
        ("gas_table", GAS_TABLE),
        ("tank_volume", "f8"),
        ("wall_heat_capacity", "f8"),
        ("heat_leak", "f8"),
        ("ambient_temperature", "f8"),
        ("relief_pressure", "f8"),
        ("relief_reseat", "f8"),
        ("relief_flow", "f8"),
        ("tank_leak", "f8"),
        ("start_pressure", "f8"),
        ("supply_effect", "f8"),
        ("lockup_start", "f8"),
        ("regulator_conductance", "f8"),
        ("plenum_capacity", "f8"),
        ("per_plenum_capacity", "f8"),
        ("nominal_pressure", "f8"),
        ("back_pressure", "f8"),
        ("strength_per_pressure", "f8"),
        # what lets gas out of the plenum, kg/(s·Pa); faults: stuck (valves.py) and share of the flow that always leaks
        ("valve_flow", "f8", (MAX_VALVES,)),
        ("valve_stuck", "i8", (MAX_VALVES,)),
        ("valve_leak", "f8", (MAX_VALVES,)),
        ("valve_delay", "f8", (MAX_VALVES,)),
        ("exhaust_speed", "f8"),
        # battery
        ("battery_capacity", "f8"),
        ("battery_points", "i8"),
        ("battery_point_charge", "f8", (MAX_BATTERY_POINTS,)),
        ("battery_point_voltage", "f8", (MAX_BATTERY_POINTS,)),
        ("internal_resistance", "f8"),
        ("cutoff_voltage", "f8"),
        ("idle_power", "f8"),
        ("valve_power", "f8"),
        # receivers
        ("receiver_count", "i8"),
        ("receiver_position", "f8", (MAX_RECEIVERS, 3)),
        ("receiver_axis", "f8", (MAX_RECEIVERS, 3)),
        ("receiver_cosine", "f8", (MAX_RECEIVERS,)),
        ("receiver_dead", "i8", (MAX_RECEIVERS,)),
        ("infrared_dead", "i8"),
        # inertial sensor; what is measured is matrix (scale, misalignment) times what is there, plus the biases
        ("imu_position", "f8", (3,)),
        ("gyro_noise", "f8"),
        ("gyro_matrix", "f8", (3, 3)),
        ("gyro_turn_on_bias", "f8", (3,)),
        ("gyro_drift_decay", "f8"),
        ("gyro_drift_step", "f8"),
        ("gyro_range", "f8"),
        ("gyro_step", "f8"),
        ("gyro_bias_jump", "f8", (3,)),
        ("gyro_dead", "i8"),
        ("accelerometer_noise", "f8"),
        ("accelerometer_matrix", "f8", (3, 3)),
        ("accelerometer_bias", "f8", (3,)),
        ("accelerometer_drift_decay", "f8"),
        ("accelerometer_drift_step", "f8"),
        ("accelerometer_range", "f8"),
        ("accelerometer_step", "f8"),
        ("accelerometer_dead", "i8"),
        # camera: whether no light comes in (what it is like otherwise, camera.py keeps)
        ("camera_dark", "i8"),
    ],
    align=True,
)

STATE: Final = np.dtype(
    [
        # motion: centre of mass (of the whole body, where vehicles are joined) and its velocity along fixed axes,
        # orientation, rate along body axes; all relative to the fixed frame, even where that turns in inertial space
        # (environment.py has what follows from it)
        ("centre", "f8", (3,)),
        ("orientation", "f8", (4,)),
        ("velocity", "f8", (3,)),
        ("rate", "f8", (3,)),
        # the same motion as others read it: base_link along fixed axes, its velocity along body axes
        ("position", "f8", (3,)),
        ("linear_velocity", "f8", (3,)),
        # the rigid body that the vehicle belongs to, alone or joined to others; see joined.py
        ("root", "i8"),
        ("body_mass", "f8"),
        ("body_inverse_mass", "f8", (3,)),
        ("body_inertia", "f8", (3, 3)),
        ("body_inverse_inertia", "f8", (3, 3)),
        ("body_centre", "f8", (3,)),
        ("mount_position", "f8", (3,)),
        ("mount_orientation", "f8", (4,)),
        # ports: told to hold on, holding on, index of the latch that does (-1: none), stamp of the last release
        ("port_wanted", "i8", (MAX_PORTS,)),
        ("port_engaged", "i8", (MAX_PORTS,)),
        ("port_latch", "i8", (MAX_PORTS,)),
        ("released", "i8"),
        # inertial sensor: the motion at the start of the tick (velocity of base_link), drifts, last output
        ("start_orientation", "f8", (4,)),
        ("start_velocity", "f8", (3,)),
        ("start_rate", "f8", (3,)),
        ("gyro_drift", "f8", (3,)),
        ("gyro_remainder", "f8", (3,)),
        ("gyro_output", "f8", (3,)),
        ("accelerometer_drift", "f8", (3,)),
        ("accelerometer_remainder", "f8", (3,)),
        ("accelerometer_output", "f8", (3,)),
        # commanded: points still to come (stamp, bit mask of open valves), and what is commanded now
        ("point_count", "i8"),
        ("point_stamp", "i8", (MAX_PENDING_POINTS,)),
        ("point_open", "i8", (MAX_PENDING_POINTS,)),
        ("commanded", "i8"),
        ("commanded_count", "i8"),
        ("last_schedule", "i8"),
        ("verdicts", "i8", (6,)),
        ("deadman_closings", "i8"),
        # mechanical: events still to come by time (ns, see valves.py); opening of each valve (0 to 1, and its leak) and
        # its speed (1/s), its latest switching so far or to come (ns); bit masks of the valves that let gas out of the
        # plenum (told to open), that are on their way, that are fully open, that give any thrust, and that gave any in
        # the step at hand
        ("event_count", "i8"),
        ("next_event", "i8"),
        ("event_time", "i8", (MAX_EVENTS,)),
        ("event_valve", "i8", (MAX_EVENTS,)),
        ("event_kind", "i8", (MAX_EVENTS,)),
        ("opening", "f8", (MAX_VALVES,)),
        ("opening_speed", "f8", (MAX_VALVES,)),
        ("last_switching", "i8", (MAX_VALVES,)),
        ("flowing", "i8"),
        ("ramping", "i8"),
        ("steady", "i8"),
        ("moving", "i8"),
        ("used", "i8"),
        # over the step at hand: integral of strength, s, and its first moment about the middle, s²; the same of each
        # valve's opening times strength; impulse of each valve so far, N·s
        ("strength_sum", "f8"),
        ("strength_moment", "f8"),
        ("step_impulse", "f8", (MAX_VALVES,)),
        ("step_moment", "f8", (MAX_VALVES,)),
        ("valve_impulse", "f8", (MAX_VALVES,)),
        # thrust of the step at hand, see valves.py; `thrusting`: whether there is any
        ("thrusting", "i8"),
        ("thrust", "f8", (4, 3)),
        # plumes: whether any valve gave thrust since they were last looked at, what each had given by then, share of
        # each jet that nobody catches; push of others' jets, N and N·m about the centre of mass, body axes
        ("fired", "i8"),
        ("impulse_before", "f8", (MAX_VALVES,)),
        ("jet_left", "f8", (MAX_VALVES,)),
        ("plumed", "i8"),
        ("plume_force", "f8", (3,)),
        ("plume_torque", "f8", (3,)),
        # plenum: pressure at plenum_stamp, where the regulator would lock it up, the flow out of it, kg/(s·Pa), and
        # what follows from that: final pressure, strength there, and how fast it is approached, 1/s; gas let out
        # through the valves, kg, and where both stood when the tank was last told
        ("plenum_pressure", "f8"),
        ("plenum_stamp", "i8"),
        ("lockup_pressure", "f8"),
        ("flow", "f8"),
        ("final_pressure", "f8"),
        ("final_strength", "f8"),
        ("plenum_decay", "f8"),
        ("gas_released_noted", "f8"),
        ("plenum_pressure_noted", "f8"),
        ("gas_released", "f8"),
        # commanded edges of the last tick
        ("edge_count", "i8"),
        ("edge_valve", "i8", (MAX_EDGES_LOGGED,)),
        ("edge_stamp", "i8", (MAX_EDGES_LOGGED,)),
        ("edge_open", "i8", (MAX_EDGES_LOGGED,)),
        ("edges_lost", "i8"),
        # tank (tank.py): energy with its wall; enthalpy of what leaves it
        ("gas_mass", "f8"),
        ("gas_energy", "f8"),
        ("gas_enthalpy", "f8"),
        ("gas_temperature", "f8"),
        ("tank_pressure", "f8"),
        ("gas_solid", "i8"),
        ("relief_open", "i8"),
        ("gas_vented", "f8"),
        # the carriage's air, and whether it has touched down
        ("carriage_pressure", "f8"),
        ("landed", "i8"),
        # battery: charge left C, load since its last update, current A and voltage V then, energy account J
        ("battery_charge", "f8"),
        ("load_seconds", "f8"),
        ("load_valve_seconds", "f8"),
        ("battery_current", "f8"),
        ("battery_voltage", "f8"),
        ("battery_delivered", "f8"),
        ("battery_losses", "f8"),
        ("power_off", "i8"),
        # overhead tracking: frames so far, frames since the vehicle was seen, whether a fault hides it, velocities
        # found (fixed axes; body axes), the latest poses
        ("frame_count", "i8"),
        ("frames_lost", "i8"),
        ("tracking_lost", "i8"),
        ("frame_velocity", "f8", (3,)),
        ("frame_rate", "f8", (3,)),
        ("frame_position", "f8", (MAX_FRAMES, 3)),
        ("frame_orientation", "f8", (MAX_FRAMES, 4)),
        # ranging: whether the cycle's infrared pulse was heard, and its error (s); the chirp on its way to each
        # receiver (time of flight s, 0: none; stamp of arrival; random numbers); ranges of the two latest cycles
        ("pulse_heard", "i8"),
        ("pulse_error", "f8"),
        ("arrivals", "i8"),
        ("arriving_beacon", "i8"),
        ("arriving_flight", "f8", (MAX_RECEIVERS,)),
        ("arrival", "i8", (MAX_RECEIVERS,)),
        ("arriving_normal", "f8", (MAX_RECEIVERS,)),
        ("arriving_fate", "f8", (MAX_RECEIVERS,)),
        ("cycle_pulse", "i8", (2,)),
        ("range_count", "i8", (2,)),
        ("range_beacon", "i8", (2, MAX_RANGES)),
        ("range_receiver", "i8", (2, MAX_RANGES)),
        ("time_of_flight", "f8", (2, MAX_RANGES)),
        ("time_offset", "f8", (2, MAX_RANGES)),
    ],
    align=True,
)
