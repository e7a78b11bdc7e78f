"""The estimator's parameters and state as structured arrays.

Error state of the motion, 15 components: position m (of the centre of mass, fixed frame), velocity m/s (same), attitude
(small rotation about the fixed axes, rad), gyro bias rad/s (body axes), disturbance acceleration m/s² (fixed frame).
After them the constants that all ranges share and that no averaging removes: the relative error of the speed of sound
and the survey error of each beacon, m (fixed frame). Where both are believed to be nil, they are left out. Last come
the gyro's errors in proportion to the rate, scale and misalignment, of those axes that are free to turn and that the
noise file believes in.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from testbed.description.messages import MAX_BEACONS, MAX_RANGES, MAX_RECEIVERS, MAX_VALVES
from testbed.flight.modulation import supply

POSITION: Final = 0
VELOCITY: Final = 3
ATTITUDE: Final = 6
BIAS: Final = 9
DISTURBANCE: Final = 12
MOTION_ERRORS: Final = 15
AIR: Final = 15
BEACONS: Final = 16
MAX_GYRO_ERRORS: Final = 9
MAX_ERRORS: Final = BEACONS + 3 * MAX_BEACONS + MAX_GYRO_ERRORS

SEARCHING: Final = 0
"""No idea where the vehicle is."""
CONFIRMING: Final = 1
"""A pose was found; further cycles must agree with it before it is published."""
ACQUIRED: Final = 2

IDLE: Final = 0
"""No search for the pose goes on: too few ranges yet, or it has failed."""
TRYING: Final = 1
"""Descents from one start after the other."""
POLISHING: Final = 2
"""The best pose is polished, and outliers left out one by one."""
JUDGING: Final = 3
"""The second-best pose is held against it."""
BEGINNING: Final = 4
"""The filter is about to start with it."""
FOUND: Final = 5

HISTORY: Final = 512
"""Intervals between gyro samples kept (a power of two): 5.12 s at 100 Hz, more than the window of the search and
the longest beacon cycle of 2 s."""
MAX_PULSES: Final = 128
MAX_STARTS: Final = 24

PARAMETERS: Final = np.dtype(
    [
        # body
        ("mass", "f8"),
        ("centre_of_mass", "f8", (3,)),
        ("free", "f8", (6,)),  # 1 where the axis is free, 0 where the floor holds it
        ("held_height", "f8"),
        # valves
        ("valve_count", "i8"),
        ("push", "f8", (MAX_VALVES, 3)),  # acceleration by a fully open valve, body axes, m/s²
        ("push_size", "f8", (MAX_VALVES,)),
        ("push_direction", "f8", (MAX_VALVES, 3)),
        ("opening_shift", "i8"),  # ns from command to the edge of the equivalent rectangle
        ("closing_shift", "i8"),
        ("edge_doubt", "f8"),  # ns by which such an edge is early or late at most
        ("supply", supply.PARAMETERS),
        ("valves_reported", "i8"),  # 1: forces from which valves are reported open, 0: from what they are told
        ("thrust_error", "f8"),  # of one valve, fraction
        ("thrust_lean", "f8"),  # of one nozzle to either side, rad
        ("shared_thrust_error", "f8"),  # of all valves together, fraction
        # gyro and accelerometer
        ("gyro_density", "f8"),
        ("gyro_errors", "i8"),  # entries of the gyro's error matrix in the error state: which, where, deviation
        ("gyro_errors_at", "i8"),
        ("gyro_row", "i8", (MAX_GYRO_ERRORS,)),
        ("gyro_column", "i8", (MAX_GYRO_ERRORS,)),
        ("gyro_sigma", "f8", (MAX_GYRO_ERRORS,)),
        ("bias_sigma", "f8"),
        ("bias_walk", "f8"),  # power spectral density, (rad/s)²/s
        ("bump_threshold", "f8"),
        ("sensor_arm", "f8", (3,)),  # from the centre of mass, body axes
        # turning frame: its rate along fixed axes, what it pulls per metre from the origin
        ("frame_moves", "i8"),
        ("frame_rate", "f8", (3,)),
        ("tidal", "f8", (3, 3)),
        # drag on the vehicle's own speed, through air or film at rest
        ("linear_drag", "f8"),  # 1/s
        ("square_drag", "f8"),  # 1/m
        # disturbance
        ("disturbance_sigma", "f8"),
        ("disturbance_walk", "f8"),  # variance gathered on the way, (m/s²)²/m
        # ranging
        ("range_constant", "f8"),
        ("range_per_metre", "f8"),
        ("range_jitter", "f8"),  # of the start pulse, as a distance
        ("range_loudness", "f8", (MAX_RECEIVERS, MAX_VALVES)),  # growth of the variance by each open valve, fraction
        ("range_survey", "f8"),
        ("air_humidity", "f8"),
        ("sound_error", "f8"),  # of the speed of sound as computed, fraction
        ("errors", "i8"),  # components of the error state in use
        ("range_constants", "i8"),  # whether those of air and survey are among them
        ("beacon_count", "i8"),
        ("beacon", "f8", (MAX_BEACONS, 3)),
        ("receiver_count", "i8"),
        ("arm", "f8", (MAX_RECEIVERS, 3)),  # from the centre of mass, body axes
        ("receiver_axis", "f8", (MAX_RECEIVERS, 3)),
        ("receiver_cosine", "f8", (MAX_RECEIVERS,)),  # of the widest angle at which a chirp is believed
        # acquisition
        ("start_count", "i8"),
        ("start_orientation", "f8", (MAX_STARTS, 4)),
    ],
    align=True,
)

TRACK: Final = np.dtype(
    [
        ("stamp", "i8"),
        ("position", "f8", (3,)),
        ("velocity", "f8", (3,)),
        ("orientation", "f8", (4,)),
        ("gyro_bias", "f8", (3,)),
        ("disturbance", "f8", (3,)),
        ("air", "f8"),  # how much faster sound is than the thermometer says, fraction
        ("survey", "f8", (MAX_BEACONS, 3)),  # how far each beacon is from where the survey has it
        ("gyro_matrix", "f8", (3, 3)),  # what the gyro adds per unit of rate: scale and misalignment
        ("covariance", "f8", (MAX_ERRORS, MAX_ERRORS)),
        # what the mean has gone through since the covariance was last propagated
        ("elapsed", "f8"),
        ("rotation_integral", "f8", (3, 3)),  # of the rotation matrix over time
        ("push_integral", "f8", (3,)),  # of the acceleration by valves and bumps, fixed frame
        ("turn_integral", "f8", (MAX_GYRO_ERRORS, 3)),  # of the rate that each gyro error acts on, along its axis, rad
        ("pushed", "i8"),  # whether there is any velocity noise
        ("velocity_noise", "f8", (3, 3)),  # covariance gathered, fixed frame, m²/s²
        ("attitude_noise", "f8"),  # variance gathered, rad²
        # workspace
        ("rotation", "f8", (3, 3)),
        ("gain", "f8", (MAX_ERRORS,)),
        ("kalman", "f8", (MAX_ERRORS,)),
    ],
    align=True,
)
"""An estimate at one time: mean, covariance, and the bridge between their times."""

FIT: Final = np.dtype(
    [
        ("count", "i8"),
        ("beacon", "f8", (MAX_RANGES, 3)),
        ("arm", "f8", (MAX_RANGES, 3)),  # from where the centre of mass would be unpushed; body axes at the start
        ("axis", "f8", (MAX_RANGES, 3)),
        ("cosine", "f8", (MAX_RANGES,)),
        ("time", "f8", (MAX_RANGES,)),  # of arrival, after the start, s
        ("distance", "f8", (MAX_RANGES,)),
        ("weight", "f8", (MAX_RANGES,)),  # 1 / standard deviation; 0 for a range left out
        ("residual", "f8", (MAX_RANGES,)),  # in standard deviations
        ("position", "f8", (3,)),
        ("orientation", "f8", (4,)),
        ("velocity", "f8", (3,)),
        ("cost", "f8"),
        ("normal", "f8", (9, 9)),
        ("gradient", "f8", (9,)),
        ("factor", "f8", (9, 9)),
        ("step", "f8", (9,)),
        ("sensitivity", "f8", (MAX_ERRORS, 9)),  # of the pose to the constants, each a row
        ("trial_position", "f8", (3,)),
        ("trial_orientation", "f8", (4,)),
        ("trial_velocity", "f8", (3,)),
        ("best_position", "f8", (2, 3)),  # the two best distinct poses
        ("best_orientation", "f8", (2, 4)),
        ("best_velocity", "f8", (2, 3)),
        ("best_cost", "f8", (2,)),
    ],
    align=True,
)
"""A nonlinear least-squares problem over some cycles of ranges: position, attitude and velocity at their start."""

STATE: Final = np.dtype(
    [
        ("phase", "i8"),
        ("air_temperature", "f8"),
        ("speed_of_sound", "f8"),
        ("started", "i8"),  # 1 once a gyro sample has come
        ("anchor", TRACK),  # at the last chirp used
        ("now", TRACK),  # at the last gyro sample
        ("saved", TRACK),  # the anchor before the cycle in work
        ("angular_velocity", "f8", (3,)),  # last gyro sample, rad/s
        ("spin_up", "f8", (3,)),  # change of the gyro's samples over time, rad/s²
        # intervals between gyro samples, numbered history_first .. history_end - 1, kept at number % HISTORY
        ("history_first", "i8"),
        ("history_end", "i8"),
        ("history_start", "i8", (HISTORY,)),
        ("history_stop", "i8", (HISTORY,)),
        ("history_rate", "f8", (HISTORY, 3)),
        ("history_push", "f8", (HISTORY, 3)),
        ("history_pushed", "i8", (HISTORY,)),  # whether any valve is open or there is any noise of pushes
        ("history_noise", "f8", (HISTORY, 3, 3)),  # spectral density of the velocity noise, body axes, m²/s³
        ("history_open_from", "i8", (HISTORY, MAX_VALVES)),  # when the thrust of each valve began that falls into it,
        ("history_open_until", "i8", (HISTORY, MAX_VALVES)),  # and when it ends
        # valve pulses still to come or in progress
        ("report_stamp", "i8"),  # of the last report of which valves are open
        ("pulse_count", "i8"),
        ("pulse_valve", "i8", (MAX_PULSES,)),
        ("pulse_open", "i8", (MAX_PULSES,)),
        ("pulse_close", "i8", (MAX_PULSES,)),
        ("valve_dose", "f8", (MAX_VALVES,)),  # what each valve gave lately, m/s, forgotten with time
        ("shared_dose", "f8", (3,)),  # what all gave together, body axes, m/s
        ("correction_rate", "f8"),  # how fast ranges correct the velocity, 1/s
        ("pulse_from", "i8", (MAX_PULSES,)),  # part of its thrust within the interval in work
        ("pulse_until", "i8", (MAX_PULSES,)),
        ("pulse_base", "f8", (MAX_PULSES,)),  # integral of the supply's strength at its beginning, s
        ("pulse_given", "f8", (MAX_PULSES,)),  # time of nominal thrust that it gives within the interval, s
        ("supply", supply.STATE),
        # the cycle in work, in order of arrival
        ("cycle_stamp", "i8"),
        ("cycle_count", "i8"),
        ("cycle_beacon", "i8", (MAX_RANGES,)),
        ("cycle_receiver", "i8", (MAX_RANGES,)),
        ("cycle_arrival", "i8", (MAX_RANGES,)),
        ("cycle_distance", "f8", (MAX_RANGES,)),
        # ranges of the last cycles while searching, in order of arrival
        ("window_count", "i8"),
        ("window_beacon", "i8", (MAX_RANGES,)),
        ("window_receiver", "i8", (MAX_RANGES,)),
        ("window_arrival", "i8", (MAX_RANGES,)),
        ("window_distance", "f8", (MAX_RANGES,)),
        # the search for the pose in them, a share of it each tick
        ("search_stage", "i8"),
        ("search_next", "i8"),  # start to descend from next
        ("search_places", "i8"),
        ("search_place", "f8", (2, 3)),
        ("search_interval", "i8"),  # gyro interval in which the window starts
        ("search_left", "i8"),  # ranges not left out
        ("cycle_waits", "i8"),  # 1: a cycle has come meanwhile
        ("first_chirp", "i8"),  # stamp of the first cycle with ranges since there was no fix; 0 before
        # innovations of the last cycle that the filter used
        ("innovations_stamp", "i8"),
        ("innovation_count", "i8"),
        ("innovation_beacon", "i8", (MAX_RANGES,)),
        ("innovation_receiver", "i8", (MAX_RANGES,)),
        ("innovation", "f8", (MAX_RANGES,)),
        ("innovation_variance", "f8", (MAX_RANGES,)),
        ("innovation_accepted", "i8", (MAX_RANGES,)),
        # health
        ("cycle_accepted", "i8"),  # ranges of the last cycle that the gate let pass
        ("bad_cycles", "i8"),  # in a row
        ("good_cycles", "i8"),  # in a row since the pose was found
        ("doubtful_cycles", "i8"),  # in a row since then that did not agree with it
        ("last_fix", "i8"),  # stamp of the last range used
        ("accepted", "i8"),
        ("rejected", "i8"),
        ("late", "i8"),
        ("malformed", "i8"),
        ("bumps", "i8"),
        ("losses", "i8"),
        ("attempts", "i8"),
        ("fit", FIT),
    ],
    align=True,
)
