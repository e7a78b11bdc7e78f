"""Parameters, state and looks of the relative estimator as structured arrays.

Axes: `own` is the observer's base_link, `partner` the partner's, `optical` the camera's frame. The partner's place is
that of its centre of mass; all its points count from there.

Error state, true less believed: position m and velocity m/s of the partner's centre of mass relative to the observer's
base_link (own axes; velocity against inertial space); attitude (small rotation about own axes, rad); spin (partner's
axes, against inertial space, rad/s); logarithms of the inertia ratios x/z and y/z; the errors of own odometry's rate
rad/s and velocity m/s; and the camera's, which are constant: lens m and mounting rad (own axes), focal length (a
fraction), principal point (pixels), first coefficient of distortion.
"""

from __future__ import annotations

from typing import Final

import numpy as np

POSITION: Final = 0
VELOCITY: Final = 3
ATTITUDE: Final = 6
SPIN: Final = 9
RATIOS: Final = 12
RATE_BIAS: Final = 14
OWN_SPEED: Final = 17
CAMERA: Final = 20
"""Those of the camera begin here; they are constants and move no others."""
LENS: Final = 20
MOUNT: Final = 23
FOCAL: Final = 26
CENTRE: Final = 27
DISTORTION: Final = 29
ERRORS: Final = 30

SEARCHING: Final = 0
"""No idea where the partner is."""
CONFIRMING: Final = 1
"""A pose was found; further looks must agree with it before it is published."""
ACQUIRED: Final = 2

MAX_MARKERS: Final = 12
MARKER_ROWS: Final = 8
"""A marker measures offset and tilt of each of its four edges."""
HISTORY: Final = 64
"""Own motions kept (a power of two): 1.28 s at 50 Hz, longer than any picture takes to be read."""

LOOK: Final = np.dtype(
    [
        ("stamp", "i8"),
        ("count", "i8"),
        ("marker", "i8", (MAX_MARKERS,)),
        ("corners", "f8", (MAX_MARKERS, 4, 2)),
    ],
    align=True,
)
"""What was found in one picture: which of the partner's markers, in its file's order, and their corners, pixels.

Corners in the order of Fiducial.corners. stamp: the picture's, ns. count 0: nothing was found."""

OWN: Final = np.dtype(
    [
        ("stamp", "i8"),
        ("rate", "f8", (3,)),
        ("rate_error", "f8", (3,)),  # variance of its slow error per axis
        ("velocity", "f8", (3,)),
        ("velocity_covariance", "f8", (3, 3)),
    ],
    align=True,
)
"""Own twist as own odometry has it, along own axes."""

PARAMETERS: Final = np.dtype(
    [
        # camera
        ("lens", "f8", (3,)),  # own axes, m
        ("axes", "f8", (4,)),  # orientation: optical axes to own axes
        ("focal_length", "f8"),
        ("centre", "f8", (2,)),
        ("distortion", "f8", (5,)),
        ("reach", "f8"),  # radius of the pinhole picture beyond which the lens's formula folds back
        ("defocus", "f8"),
        ("noise", "f8"),
        ("exposure", "f8"),  # s
        ("delay", "i8"),  # from mid-exposure to the stamp, ns
        # partner
        ("marker_count", "i8"),
        ("corner", "f8", (MAX_MARKERS, 4, 3)),  # from the centre of mass, partner's axes
        ("cells", "f8", (MAX_MARKERS,)),  # along a side
        ("centre_of_mass", "f8", (3,)),  # in the partner's base_link
        # what the place holds
        ("planar", "i8"),
        ("height", "f8"),  # of the partner's centre of mass over the observer's base_link where planar
        # what is believed of noise and constants: standard deviations and spectral densities
        ("rate_variance", "f8"),  # of one sample of the own rate, (rad/s)²
        ("velocity_time", "f8"),  # after which the error of the own velocity is another, s
        ("acceleration_walk", "f8"),  # of the partner, m²/s³
        ("spin_walk", "f8"),  # of the partner, rad²/s³
        ("start_deviation", "f8", (ERRORS,)),
    ],
    align=True,
)

TRACK: Final = np.dtype(
    [
        ("stamp", "i8"),
        ("position", "f8", (3,)),
        ("velocity", "f8", (3,)),
        ("orientation", "f8", (4,)),  # partner's axes to own axes
        ("spin", "f8", (3,)),
        ("ratios", "f8", (2,)),  # logarithms
        ("rate_bias", "f8", (3,)),  # by which own odometry's rate is too large
        ("own_speed", "f8", (3,)),  # by which its velocity is
        ("lens", "f8", (3,)),
        ("mount", "f8", (3,)),
        ("focal", "f8"),
        ("centre", "f8", (2,)),
        ("distortion", "f8"),
        ("covariance", "f8", (ERRORS, ERRORS)),
    ],
    align=True,
)
"""An estimate at one time."""

ROWS: Final = np.dtype(
    [
        ("count", "i8"),
        ("marker", "i8", (MAX_MARKERS * MARKER_ROWS,)),  # in the look's order
        ("residual", "f8", (MAX_MARKERS * MARKER_ROWS,)),  # pixels
        ("variance", "f8", (MAX_MARKERS * MARKER_ROWS,)),
        ("gradient", "f8", (MAX_MARKERS * MARKER_ROWS, ERRORS)),
    ],
    align=True,
)
"""Scalar measurements of one look, taken at one estimate; rows of one marker follow each other."""

STATE: Final = np.dtype(
    [
        ("phase", "i8"),
        ("anchor", TRACK),  # at the last picture's exposure
        ("now", TRACK),  # at the last own motion
        ("first", TRACK),  # before the look in work
        # own motions numbered history_first .. history_end - 1, kept at number % HISTORY
        ("history_first", "i8"),
        ("history_end", "i8"),
        ("history", OWN, (HISTORY,)),
        ("ratios_start", "f8", (2,)),  # where the inertia ratios were when they were last learnt anew
        # the look in work
        ("rows", ROWS),
        ("used", "i8", (MAX_MARKERS,)),  # whether the gate let each of its markers pass
        ("misfit", "f8"),  # its squared innovations over their variances, of rows used
        ("misfit_rows", "i8"),
        # health
        ("look_stamp", "i8"),
        ("last_seen", "i8"),  # stamp of the last look with a marker that agreed
        ("good_looks", "i8"),  # since the pose was found
        ("bad_looks", "i8"),  # in a row
        ("accepted", "i8"),  # markers
        ("rejected", "i8"),
        ("losses", "i8"),
        ("late", "i8"),
    ],
    align=True,
)
