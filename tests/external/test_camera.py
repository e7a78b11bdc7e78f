"""Where the camera puts things against OpenCV: projectPoints, solvePnP, and its detector of markers on our pictures."""

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.description.lens import undistort
from testbed.model.camera import Camera
from testbed.model.fiducials import Sight
from tests.model.gaze import FACING, SIDE, STILL, a_camera, a_fiducial, a_partner, before, motion, together

LENS = (-0.28, 0.09, 0.0005, -0.0003, 0.01)
CAMERA = a_camera(
    position=(0.13, 0.03, -0.07),
    look=(1.0, 0.05, 0.1),
    up=(0.1, 0.2, 1.0),
    principal_point=(161.3, 118.8),
    distortion=LENS,
)
REAL = CAMERA.model_copy(update={"exposure_time": 0.004, "defocus_px": 0.5, "noise": 2.0, "dark_level": 8.0})
FIDUCIAL = a_fiducial(7)
PARTNER = a_partner(FIDUCIAL)
ENLARGED = 3
"""The detector finds small markers in enlarged pictures, as its own documentation advises for low resolution."""

# The square as OpenCV wants it: x to the right and y up as one sees it, z out of it.
SQUARE = SIDE / 2.0 * np.array([[-1.0, 1.0, 0.0], [1.0, 1.0, 0.0], [1.0, -1.0, 0.0], [-1.0, -1.0, 0.0]])
IN_BASE_LINK = np.column_stack([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [1.0, 0.0, 0.0]])


def scattered(count=40, seed=3):
    """Points ahead of the camera whose pixels lie in the picture, in the optical frame."""
    generator = np.random.default_rng(seed)
    depth = generator.uniform(0.2, 3.0, count)
    return depth[:, None] * np.column_stack(
        [generator.uniform(-0.45, 0.45, (count, 1)), generator.uniform(-0.3, 0.3, (count, 1)), np.ones(count)]
    )


def test_pixels_agree_with_project_points():
    points = scattered()
    expected, _ = cv2.projectPoints(points, np.zeros(3), np.zeros(3), CAMERA.matrix(), np.array(LENS))
    assert CAMERA.project(points) == pytest.approx(expected.reshape(-1, 2), abs=1e-9)


def test_undistorting_agrees_with_undistort_points():
    pixels = CAMERA.project(scattered())
    criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-14)
    expected = cv2.undistortPoints(pixels, CAMERA.matrix(), np.array(LENS), None, None, None, criteria)
    assert undistort(CAMERA.normalised(pixels), LENS) == pytest.approx(expected.reshape(-1, 2), abs=1e-12)


def test_the_camera_on_its_vehicle_is_project_points_with_the_extrinsics_of_the_camera():
    """From the fixed frame to pixels by OpenCV alone, with rotation and translation put together here."""
    observer = motion((0.3, -0.2, 0.45), Rotation.from_euler("ZYX", [40.0, 5.0, -8.0], True))
    turn = Rotation.from_euler("ZYX", [205.0, -10.0, 12.0], True)
    there = motion((0.95, 0.35, 0.5), turn)
    corners = turn.apply(FIDUCIAL.corners()) + there["position"]
    base = Rotation.from_quat(observer["orientation"]).as_matrix()
    to_optical = (base @ CAMERA.orientation()).T
    lens_at = base @ np.array(CAMERA.position) + observer["position"]
    expected, _ = cv2.projectPoints(
        corners, cv2.Rodrigues(to_optical)[0], -to_optical @ lens_at, CAMERA.matrix(), np.array(LENS)
    )
    (found,) = Sight(CAMERA, [PARTNER]).corners(observer, together(there))
    assert found.visible
    assert found.corners == pytest.approx(expected.reshape(-1, 2), abs=1e-9)


def placed(distance, tilt_deg, generator):
    """Somewhere ahead at this depth, leaning by this angle about a random axis: centre (3,) and orientation."""
    centre = distance * np.array([generator.uniform(-0.25, 0.25), generator.uniform(-0.15, 0.15), 1.0])
    axis = generator.uniform(0.0, 2.0 * np.pi)
    lean = Rotation.from_rotvec(np.radians(tilt_deg) * np.array([0.0, np.cos(axis), np.sin(axis)]))
    level = Rotation.from_matrix(CAMERA.orientation() @ a_camera().orientation().T) * FACING
    return centre, level * lean * Rotation.from_euler("x", generator.uniform(-40.0, 40.0), True)


def in_optical_frame(orientation):
    """Rotation matrix of the square, as OpenCV sees its axes, in the optical frame."""
    return CAMERA.orientation().T @ orientation.as_matrix() @ IN_BASE_LINK


def pose_of(corners):
    """Centre (3,) and rotation matrix of the square by OpenCV's least squares from a homography."""
    lens = CAMERA.matrix(), np.array(LENS)
    _, turn, at = cv2.solvePnP(SQUARE, corners, *lens, flags=cv2.SOLVEPNP_ITERATIVE)
    return at.ravel(), cv2.Rodrigues(turn)[0]


@pytest.mark.parametrize("tilt_deg", [0.0, 20.0, 40.0, 60.0])
@pytest.mark.parametrize("distance", [0.3, 0.6, 1.0, 1.5])
def test_solve_pnp_has_the_pose_back_from_the_corners(distance, tilt_deg):
    generator = np.random.default_rng(1)
    for _ in range(5):
        centre, orientation = placed(distance, tilt_deg, generator)
        (found,) = Sight(CAMERA, [PARTNER]).corners(STILL, together(before(CAMERA, FIDUCIAL, centre, orientation)))
        at, turn = pose_of(found.corners)
        assert at == pytest.approx(centre, abs=1e-6 * distance)
        assert turn == pytest.approx(in_optical_frame(orientation), abs=1e-5)


def detector(refinement):
    """OpenCV's detector on enlarged pictures; returns corners in pixels of the picture, or None."""
    found = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    parameters = found.getDetectorParameters()
    parameters.cornerRefinementMethod = refinement
    parameters.cornerRefinementWinSize = 5 * ENLARGED
    parameters.relativeCornerRefinmentWinSize = 0.4
    parameters.cornerRefinementMaxIterations, parameters.cornerRefinementMinAccuracy = 100, 1e-3
    found.setDetectorParameters(parameters)
    # Its fit of lines counts from the edge of a pixel, all else from the centre.
    centre = 0.0 if refinement == cv2.aruco.CORNER_REFINE_APRILTAG else 0.5

    def detect(image):
        large = cv2.resize(image, None, fx=ENLARGED, fy=ENLARGED, interpolation=cv2.INTER_CUBIC)
        corners, ids, _ = found.detectMarkers(large)
        if ids is None:
            return None
        assert ids.ravel().tolist() == [FIDUCIAL.id]
        return (corners[0][0].astype(float) + centre) / ENLARGED - 0.5

    return detect


BY_CORNERS, BY_LINES = (detector(one) for one in (cv2.aruco.CORNER_REFINE_SUBPIX, cv2.aruco.CORNER_REFINE_APRILTAG))


def looked(camera, detect, distance, tilts, count):
    """Markers at this distance: where each is, where its corners should be, and where the detector found them."""
    generator, drawn = np.random.default_rng(5), Camera(camera, [PARTNER])
    for number in range(count):
        centre, orientation = placed(distance, tilts[number % len(tilts)], generator)
        there = together(before(camera, FIDUCIAL, centre, orientation))
        (expected,) = drawn.sight.corners(STILL, there)
        image = drawn.render(STILL, there, np.random.default_rng(number))
        yield centre, orientation, expected, detect(image)


TILTS = (0.0, 15.0, 30.0, 45.0)


@pytest.mark.parametrize(
    ("distance", "detect", "rms"),
    [(0.3, BY_CORNERS, 0.10), (0.6, BY_LINES, 0.07), (1.0, BY_LINES, 0.07), (1.5, BY_LINES, 0.07)],
    ids=["0.3 m", "0.6 m", "1.0 m", "1.5 m"],
)
def test_corners_in_pictures_are_where_they_are_said_to_be(distance, detect, rms):
    """Blur and noise on: within 0.07 pixels (0.1 close by, where the lens bends edges), bias below 0.02."""
    errors = [
        found - expected.corners
        for _, _, expected, found in looked(REAL, detect, distance, TILTS, 16)
        if expected.visible and found is not None
    ]
    assert len(errors) >= 14
    assert np.abs(np.mean(errors, axis=(0, 1))).max() < 0.02
    assert np.sqrt((np.array(errors) ** 2).sum(axis=2).mean()) < rms


@pytest.mark.parametrize(
    ("distance", "detect", "shift", "turn_deg"),
    [
        (0.3, BY_CORNERS, 0.003, 0.2),
        (0.6, BY_LINES, 0.002, 0.4),
        (1.0, BY_LINES, 0.003, 0.6),
        (1.5, BY_LINES, 0.006, 2.5),
    ],
    ids=["0.3 m", "0.6 m", "1.0 m", "1.5 m"],
)
def test_a_detected_marker_tells_the_pose(distance, detect, shift, turn_deg):
    """Position within that share of the distance, direction within so many degrees, at leaning angles of 15 to 45°."""
    seen = 0
    for centre, orientation, expected, found in looked(REAL, detect, distance, TILTS[1:], 15):
        if not expected.visible or found is None:
            continue
        seen += 1
        at, turn = pose_of(found)
        error = Rotation.from_matrix(turn @ in_optical_frame(orientation).T)
        assert np.linalg.norm(at - centre) < shift * distance
        assert np.degrees(error.magnitude()) < turn_deg
    assert seen >= 14


@pytest.mark.parametrize("name", ["DICT_4X4_50", "DICT_5X5_50", "DICT_6X6_50", "DICT_APRILTAG_36h11"])
def test_every_kind_of_marker_is_found_as_what_it_is(name):
    fiducial = a_fiducial(11, dictionary=name, side=0.2)
    image = Camera(REAL, [a_partner(fiducial)]).render(
        STILL,
        together(before(REAL, fiducial, (0.0, 0.0, 0.8), placed(1.0, 20.0, np.random.default_rng(2))[1])),
        np.random.default_rng(0),
    )
    found = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name)))
    assert found.detectMarkers(image)[1].ravel().tolist() == [11]
