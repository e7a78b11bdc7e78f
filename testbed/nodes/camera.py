"""What the emulated cameras see, published by the plant."""

from __future__ import annotations

from array import array
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

from rclpy.publisher import Publisher
from sensor_msgs.msg import CameraInfo, Image

from testbed.description.messages import PERIOD_NS
from testbed.description.ticks import due
from testbed.description.vehicle import Vehicle
from testbed.model.draws import Draws
from testbed.model.plant import Plant
from testbed.nodes import convert
from testbed.nodes.contract import Contract
from testbed.plan.configuration import Configuration
from testbed.rehearsal.cameras import Cameras, Picture


class CameraFeed:
    """Publishers of the cameras that the plan switches on; `send` gets vehicle, publisher and message of each.

    In lockstep a picture is published with its tick. On wall time it is drawn beside the plant, which would otherwise
    be late with the next ticks, and published when ready; a camera whose last picture is not ready yet leaves one out.
    """

    def __init__(
        self,
        configuration: Configuration,
        plant: Plant,
        draws: Draws,
        contract: Contract,
        send: Callable[[str, Publisher, Any], None],
    ) -> None:
        self._cameras = Cameras(configuration, plant, draws)
        self._vehicles = list(configuration.vehicles.values())
        self._send = send
        self._images, self._infos = (
            {index: contract.publisher(row, self._vehicles[index].name) for index in self._cameras.indices}
            for row in ("camera/image_raw", "camera/camera_info")
        )
        self._beside = None if contract.lockstep or not self._images else ThreadPoolExecutor(1, "camera")
        self._drawing: dict[int, Future[None]] = {}

    def publish(self, stamp: int) -> None:
        """Take the pictures that are due at a tick, if any, and publish them now or soon."""
        if not due(stamp, PERIOD_NS["camera"]):
            return
        for index in self._cameras.indices:
            if self._beside is None:
                self._develop(index, stamp, self._cameras.shot(index, stamp))
            elif index not in self._drawing or self._drawing[index].done():
                if index in self._drawing:
                    self._drawing[index].result()  # raises what went wrong
                shot = self._cameras.shot(index, stamp)
                self._drawing[index] = self._beside.submit(self._develop, index, stamp, shot)

    def close(self) -> None:
        """Finish the picture in hand, and draw no more."""
        if self._beside is not None:
            self._beside.shutdown(cancel_futures=True)

    def _develop(self, index: int, stamp: int, shot: Callable[[], Picture]) -> None:
        vehicle, picture = self._vehicles[index], shot()
        height, width = picture.shape
        image = Image(header=convert.header(stamp, vehicle.camera_frame), height=height, width=width)
        image.encoding, image.step, image.data = "mono8", width, array("B", picture.tobytes())
        self._send(vehicle.name, self._images[index], image)
        self._send(vehicle.name, self._infos[index], camera_info(vehicle, stamp))


def camera_info(vehicle: Vehicle, stamp: int) -> CameraInfo:
    """The message beside a picture: what the vehicle's camera is believed to be; nothing is rectified."""
    camera = vehicle.camera
    assert camera is not None, "who has pictures has a camera"
    message = CameraInfo(header=convert.header(stamp, vehicle.camera_frame))
    message.height, message.width = camera.height, camera.width
    message.distortion_model, message.d = "plumb_bob", list(camera.distortion)
    message.k[:] = camera.matrix().ravel()
    message.r[0] = message.r[4] = message.r[8] = 1.0
    message.p.reshape(3, 4)[:, :3] = camera.matrix()
    return message
