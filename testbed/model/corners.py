"""The corners of partners' fiducials as a detector would report them, without a picture: compiled, microseconds a look.

Geometry as in fiducials.py and scenery.py, which the tests hold it against: pinhole with distortion, seen in
mid-exposure, hidden by other bodies or turned away. What is reported differs from it by `corner_errors.disturb`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from testbed.description import camera as description
from testbed.description import rotation
from testbed.description.camera import MARKERS
from testbed.description.lens import reach
from testbed.description.rotation import Quaternion, Tuple3, Tuple4, Vector3
from testbed.description.vehicle import Vehicle
from testbed.model.corner_errors import EDGES, chance, disturb, measure
from testbed.model.scenery import BLACK, DIMMEST, LIGHT, WHITE, Body

CAMERA: Final = np.dtype(
    [
        ("position", "f8", (3,)),
        ("orientation", "f8", (4,)),
        ("focal_length", "f8"),
        ("centre", "f8", (2,)),
        ("size", "f8", (2,)),
        ("distortion", "f8", (5,)),
        ("reach", "f8"),
        ("exposure_time", "f8"),
        ("exposure_delay", "f8"),
        ("defocus", "f8"),
        ("noise", "f8"),
    ],
    align=True,
)
"""position m and orientation (optical frame to base_link); lengths in pixels, times in s, noise in grey levels."""

MARKER: Final = np.dtype(
    [("partner", "i8"), ("corners", "f8", (4, 3)), ("normal", "f8", (3,)), ("cells", "f8")], align=True
)
"""A fiducial in the base_link of its partner, m; cells: how many lie along its side, border included."""

FACE: Final = np.dtype([("normal", "f8", (3,)), ("depth", "f8")], align=True)
"""A face of a partner's prism: inside is where normal · point <= depth."""

SIGHTING: Final = np.dtype(
    [
        ("visible", "i8"),
        ("detected", "i8"),
        ("chance", "f8"),
        ("exact", "f8", (4, 2)),
        ("reported", "f8", (4, 2)),
        ("before", "f8", (4, 2)),
        ("after", "f8", (4, 2)),
        ("edges", EDGES),
    ],
    align=True,
)
"""One marker in one look. Pixels, in the order of Fiducial.corners; exact: NaN where turned away or beyond the lens;
before and after: at both ends of the exposure; chance: that a visible one is found; reported: NaN where it is not."""


class Scene(NamedTuple):
    """Parameters of a camera (1,), of all markers (n,), of all faces, and where each partner's faces begin (m + 1,)."""

    camera: NDArray[np.void]
    markers: NDArray[np.void]
    faces: NDArray[np.void]
    first_face: NDArray[np.int64]


class Corners:
    """One vehicle's camera and the partners before it, all *actual*; `look` answers with one SIGHTING per marker.

    `fiducials`: (partner's index, fiducial) of each marker, in the order of the answer.
    """

    def __init__(self, camera: description.Camera, partners: Sequence[Vehicle]) -> None:
        bodies = [Body(partner) for partner in partners]
        self.fiducials = [(index, one) for index, partner in enumerate(partners) for one in partner.fiducials]
        first = np.cumsum([0] + [len(body.depths) for body in bodies])
        faces = np.zeros(first[-1], FACE)
        if bodies:
            faces["normal"] = np.concatenate([body.normals for body in bodies])
            faces["depth"] = np.concatenate([body.depths for body in bodies])
        self.scene = Scene(_camera(camera), _markers(bodies), faces, first.astype(np.int64))
        self.sightings = np.zeros(len(self.fiducials), SIGHTING)

    def look(
        self,
        observer: NDArray[np.void],
        partners: NDArray[np.void],
        normals: NDArray[np.float64],
        uniforms: NDArray[np.float64],
    ) -> NDArray[np.void]:
        """What a detector would report of the picture with the stamp of the motions (messages.ODOMETRY).

        observer: shape (1,), partners (m,); normals: standard ones, shape (n, NORMALS); uniforms in [0, 1): (n,).
        Returns the same SIGHTING array (n,) each time.
        """
        look(self.scene, observer, partners, normals, uniforms, self.sightings)
        return self.sightings


def _camera(camera: description.Camera) -> NDArray[np.void]:
    record = np.zeros(1, CAMERA)
    one = record[0]
    one["position"] = camera.position
    one["orientation"] = Rotation.from_matrix(camera.orientation()).as_quat()
    one["focal_length"], one["centre"] = camera.focal_length_px, camera.centre
    one["size"] = camera.width, camera.height
    one["distortion"], one["reach"] = camera.distortion, reach(camera.distortion)
    one["exposure_time"], one["exposure_delay"] = camera.exposure_time, camera.exposure_delay
    one["defocus"], one["noise"] = camera.defocus_px, camera.noise
    return record


def _markers(bodies: Sequence[Body]) -> NDArray[np.void]:
    records = np.zeros(sum(len(body.markers) for body in bodies), MARKER)
    row = 0
    for index, body in enumerate(bodies):
        for marker in body.markers:
            one = records[row]
            one["partner"], one["corners"], one["normal"] = index, marker.corners, marker.normal
            one["cells"] = MARKERS[marker.fiducial.dictionary][1] + 2
            row += 1
    return records


@njit(cache=True)
def look(scene: Scene, observers: Any, partners: Any, normals: Any, uniforms: Any, sightings: Any) -> None:
    """As Corners.look; fills `sightings`."""
    camera, observer = scene.camera[0], observers[0]
    middle = -camera.exposure_delay
    for k in range(len(scene.markers)):
        marker, seen = scene.markers[k], sightings[k]
        partner = partners[marker.partner]
        place(camera, observer, partner, marker, middle, seen.exact)
        seen.visible, seen.detected, seen.chance = 0, 0, 0.0
        seen.reported[:] = np.nan
        if not faces_camera(camera, observer, partner, marker, middle):
            seen.exact[:] = np.nan
        elif inside(camera, seen.exact) and not hidden(scene, observer, partners, k, middle):
            seen.visible = 1
            report(camera, observer, partner, marker, seen, normals[k], uniforms[k])


@njit(cache=True)
def report(camera: Any, observer: Any, partner: Any, marker: Any, seen: Any, normals: Any, uniform: float) -> None:
    """What the detector makes of a visible marker."""
    middle, half = -camera.exposure_delay, 0.5 * camera.exposure_time
    place(camera, observer, partner, marker, middle - half, seen.before)
    place(camera, observer, partner, marker, middle + half, seen.after)
    measure(camera, seen, marker.cells, (WHITE - BLACK) * lit(partner, marker))
    bend(camera, observer, partner, marker, middle, seen)
    seen.chance = chance(camera, seen)
    if uniform < seen.chance:
        seen.detected = 1
        disturb(seen, normals)


@njit(cache=True)
def pose(camera: Any, observer: Any, partner: Any, seconds: float) -> tuple[Tuple3, Tuple4]:
    """A partner's base_link in the optical frame, so many seconds after the motions, twists unchanged."""
    base, turned = carried(observer, seconds)
    lens = rotation.rotate(turned, camera.position)
    view = rotation.conjugate(rotation.multiply(turned, camera.orientation))
    there, orientation = carried(partner, seconds)
    way = there[0] - base[0] - lens[0], there[1] - base[1] - lens[1], there[2] - base[2] - lens[2]
    return rotation.rotate(view, way), rotation.multiply(view, orientation)


@njit(cache=True)
def carried(motion: Any, seconds: float) -> tuple[Tuple3, Tuple4]:
    """Position and orientation so many seconds after those of a messages.ODOMETRY, as scenery.pose_at."""
    x, y, z = rotation.rotate(motion.orientation, motion.linear_velocity)
    p, w = motion.position, motion.angular_velocity
    position = p[0] + x * seconds, p[1] + y * seconds, p[2] + z * seconds
    return position, rotation.integrate(motion.orientation, (w[0] * seconds, w[1] * seconds, w[2] * seconds))


@njit(cache=True)
def moved(position: Vector3, orientation: Quaternion, point: Vector3) -> Tuple3:
    """A point of a body in the frame in which the body has this pose."""
    x, y, z = rotation.rotate(orientation, point)
    return position[0] + x, position[1] + y, position[2] + z


@njit(cache=True)
def place(camera: Any, observer: Any, partner: Any, marker: Any, seconds: float, pixels: Any) -> None:
    """Fill `pixels` (4, 2) with where the corners are in the picture of that moment; NaN where it cannot show them."""
    position, orientation = pose(camera, observer, partner, seconds)
    for i in range(4):
        point = moved(position, orientation, marker.corners[i])
        pixels[i, 0], pixels[i, 1] = project(camera, point)


@njit(cache=True)
def project(camera: Any, point: Vector3) -> tuple[float, float]:
    """As description.Camera.project, of one point of the optical frame."""
    if point[2] <= 0.0:
        return np.nan, np.nan
    x, y = point[0] / point[2], point[1] / point[2]
    square = x * x + y * y
    if square >= camera.reach * camera.reach:
        return np.nan, np.nan
    k1, k2, p1, p2, k3 = camera.distortion
    radial = 1.0 + square * (k1 + square * (k2 + square * k3))
    bent_x = x * radial + 2.0 * p1 * x * y + p2 * (square + 2.0 * x * x)
    bent_y = y * radial + p1 * (square + 2.0 * y * y) + 2.0 * p2 * x * y
    return camera.focal_length * bent_x + camera.centre[0], camera.focal_length * bent_y + camera.centre[1]


@njit(cache=True)
def inside(camera: Any, pixels: Any) -> bool:
    """Whether all corners lie in the picture."""
    for i in range(4):
        for k in range(2):
            if not -0.5 <= pixels[i, k] <= camera.size[k] - 0.5:  # NaN is not, either
                return False
    return True


@njit(cache=True)
def faces_camera(camera: Any, observer: Any, partner: Any, marker: Any, seconds: float) -> bool:
    """Whether the marker is seen from its front; as it lies outside its body, that then does not hide it."""
    position, orientation = pose(camera, observer, partner, seconds)
    corner = moved(position, orientation, marker.corners[0])
    normal = rotation.rotate(orientation, marker.normal)
    return normal[0] * corner[0] + normal[1] * corner[1] + normal[2] * corner[2] < 0.0


@njit(cache=True)
def hidden(scene: Scene, observer: Any, partners: Any, k: int, seconds: float) -> bool:
    """Whether another partner is in front of a corner of marker `k` or of its middle."""
    camera, marker = scene.camera[0], scene.markers[k]
    at, turn = pose(camera, observer, partners[marker.partner], seconds)
    for other in range(len(partners)):
        if other == marker.partner:
            continue
        position, orientation = pose(camera, observer, partners[other], seconds)
        eye = rotation.rotate_inverse(orientation, (-position[0], -position[1], -position[2]))
        middle = 0.0, 0.0, 0.0
        for i in range(4):
            point = moved(at, turn, marker.corners[i])
            middle = middle[0] + 0.25 * point[0], middle[1] + 0.25 * point[1], middle[2] + 0.25 * point[2]
            if cuts(scene, other, position, orientation, eye, point):
                return True
        if cuts(scene, other, position, orientation, eye, middle):
            return True
    return False


@njit(cache=True)
def cuts(scene: Scene, other: int, position: Vector3, orientation: Quaternion, eye: Vector3, point: Vector3) -> bool:
    """Whether a partner's prism is between the lens and a point of the optical frame; as scenery.Body.hides."""
    way = point[0] - position[0], point[1] - position[1], point[2] - position[2]
    target = rotation.rotate_inverse(orientation, way)
    enters, leaves = 0.0, 1.0
    for f in range(scene.first_face[other], scene.first_face[other + 1]):
        normal = scene.faces[f].normal
        start = scene.faces[f].depth - (normal[0] * eye[0] + normal[1] * eye[1] + normal[2] * eye[2])
        along = normal[0] * (target[0] - eye[0]) + normal[1] * (target[1] - eye[1]) + normal[2] * (target[2] - eye[2])
        if along == 0.0:
            if start < 0.0:
                return False
        elif along < 0.0:
            enters = max(enters, start / along)
        else:
            leaves = min(leaves, start / along)
    return enters < leaves


@njit(cache=True)
def lit(partner: Any, marker: Any) -> float:
    """Share of full light on the marker, as scenery.shade."""
    normal = rotation.rotate(partner.orientation, marker.normal)
    cosine = normal[0] * LIGHT[0] + normal[1] * LIGHT[1] + normal[2] * LIGHT[2]
    return DIMMEST + (1.0 - DIMMEST) * 0.5 * (1.0 + cosine)


@njit(cache=True)
def bend(camera: Any, observer: Any, partner: Any, marker: Any, seconds: float, seen: Any) -> None:
    """Note how far outwards the lens bends the middle of each edge from the straight line between its corners."""
    position, orientation = pose(camera, observer, partner, seconds)
    for i in range(4):
        a, b = marker.corners[i], marker.corners[(i + 1) % 4]
        half = 0.5 * (a[0] + b[0]), 0.5 * (a[1] + b[1]), 0.5 * (a[2] + b[2])
        x, y = project(camera, moved(position, orientation, half))
        normal = seen.edges.normal[i]
        seen.edges.bow[i] = normal[0] * (x - seen.exact[i, 0]) + normal[1] * (y - seen.exact[i, 1])
