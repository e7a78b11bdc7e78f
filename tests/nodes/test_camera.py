"""The plant's cameras on the graph: which rows are published when, and that they hold what the engine writes."""

from dataclasses import replace

import numpy as np
import pytest
from rclpy.serialization import serialize_message

from testbed.description.effects import Effect
from testbed.description.locate import locate
from testbed.description.messages import LOCKSTEP_START_NS, TICK_NS
from testbed.nodes.camera import CameraFeed, camera_info
from testbed.plan.configuration import load_configuration
from testbed.record.encode import VehicleEncoder
from testbed.record.types import deserialize, serialize
from testbed.rehearsal.build import build_plant
from testbed.rehearsal.cameras import Cameras
from tests.nodes.fake_contract import FakeContract

DEMO = load_configuration(locate("plans/demo.yaml"))
TYPES = {"image_raw": "sensor_msgs/msg/Image", "camera_info": "sensor_msgs/msg/CameraInfo"}
FRAME = LOCKSTEP_START_NS + 10 * TICK_NS


def switched_on(*names, without=()):
    """The demo with these cameras on and these effects off, its vehicles face to face in a row."""
    planned = {name: one.model_copy(update={"camera": name in names}) for name, one in DEMO.plan.vehicles.items()}
    configuration = replace(DEMO, plan=DEMO.plan.model_copy(update={"vehicles": planned, "switched_off": without}))
    plant, draws = build_plant(configuration)
    for index, (x, heading) in enumerate(((-0.7, 0.0), (0.0, np.pi), (0.8, np.pi))):
        plant.place(index, np.array([x, 0.0, 0.0]), np.array([0, 0, np.sin(heading / 2), np.cos(heading / 2)]), 0)
    return configuration, plant, draws


def published(*names, stamp=FRAME, dark=False):
    """Messages by topic at one tick."""
    configuration, plant, draws = switched_on(*names)
    plant.vehicles["camera_dark"] = dark
    contract = FakeContract(lockstep=True)
    feed = CameraFeed(configuration, plant, draws, contract, lambda name, out, message: out.publish(message))
    feed.publish(stamp)
    return {name: publisher.sent for name, publisher in contract.publishers.items()}


def test_only_cameras_that_are_on_are_there():
    assert set(published("wren", "dunlin")) == {f"/{name}/camera/{row}" for name in ("wren", "dunlin") for row in TYPES}
    assert published() == {}


@pytest.mark.parametrize(("ticks", "count"), [(0, 1), (1, 0), (9, 0), (10, 1), (20, 1)])
def test_pictures_come_ten_times_a_second(ticks, count):
    sent = published("wren", stamp=LOCKSTEP_START_NS + ticks * TICK_NS)
    assert [len(messages) for messages in sent.values()] == [count, count]


def test_a_picture_says_when_in_which_frame_and_how_it_is_laid_out():
    (image,) = published("wren")["/wren/camera/image_raw"]
    assert image.header.stamp.nanosec == 100_000_000
    assert image.header.frame_id == "wren/camera_optical"
    assert (image.width, image.height, image.step, image.encoding) == (320, 240, 320, "mono8")
    assert len(image.data) == 320 * 240
    assert len(set(image.data)) > 100, "there is something to see"


def test_camera_info_is_what_the_camera_is_believed_to_be():
    (info,) = published("wren")["/wren/camera/camera_info"]
    camera = DEMO.vehicles["wren"].camera
    assert info.distortion_model == "plumb_bob"
    assert tuple(info.d) == camera.distortion
    assert info.k.reshape(3, 3) == pytest.approx(camera.matrix())
    assert info.p.reshape(3, 4)[:, :3] == pytest.approx(camera.matrix())
    assert info.r.reshape(3, 3) == pytest.approx(np.eye(3))


def test_on_wall_time_pictures_are_drawn_beside_the_plant_and_are_the_same():
    configuration, plant, draws = switched_on("wren", "siskin")
    contract = FakeContract(lockstep=False)
    feed = CameraFeed(configuration, plant, draws, contract, lambda name, out, message: out.publish(message))
    feed.publish(FRAME)
    plant.place(1, np.array([1.0, 0.5, 0.0]), np.array([0.0, 0.0, 0.0, 1.0]), FRAME)
    for pending in feed._drawing.values():
        pending.result(timeout=30.0)
    feed.close()
    for name, sent in published("wren", "siskin").items():
        assert contract.publishers[name].sent == sent


def test_on_wall_time_what_goes_wrong_with_a_picture_is_not_lost():
    def fail(*_):
        raise RuntimeError("no paper")

    configuration, plant, draws = switched_on("wren")
    feed = CameraFeed(configuration, plant, draws, FakeContract(lockstep=False), fail)
    feed.publish(FRAME)
    feed._drawing[0].exception(timeout=30.0)
    with pytest.raises(RuntimeError, match="no paper"):
        feed.publish(FRAME + 10 * TICK_NS)
    feed.close()


def test_effects_are_switched_off_in_the_pictures_and_not_in_what_is_believed():
    everything = [effect for effect in Effect if effect.startswith("camera_")]
    pictures = {}
    for without in ((), everything):
        configuration, plant, draws = switched_on("wren", without=without)
        pictures[len(without)] = Cameras(configuration, plant, draws).picture(0, FRAME)
        assert (
            tuple(camera_info(configuration.vehicles["wren"], FRAME).d)
            == configuration.vehicles["wren"].camera.distortion
        )
    corner = [picture[:40, :20].astype(float).std() for picture in pictures.values()]
    assert corner[0] == pytest.approx(2.0, rel=0.1)
    assert corner[1] == 0.0


def test_a_dark_camera_still_sends_pictures():
    (image,) = published("wren", dark=True)["/wren/camera/image_raw"]
    assert np.mean(image.data) == pytest.approx(DEMO.vehicles["wren"].camera.dark_level, abs=0.1)


def test_the_engine_writes_the_same_bytes():
    configuration, plant, draws = switched_on("siskin")
    cameras = Cameras(configuration, plant, draws)
    encoder = VehicleEncoder(configuration.vehicles["siskin"], configuration.place)
    picture = cameras.picture(1, FRAME)
    blocks = encoder.pictures(np.array([FRAME]), picture[None])
    sent = published("siskin")
    for block in blocks:
        (message,), (expected,) = sent[block.topic], block.messages()
        kind = TYPES[block.topic.rpartition("/")[2]]
        assert serialize(deserialize(serialize_message(message), kind), kind) == expected


def test_a_picture_is_the_same_however_many_were_taken_before():
    configuration, plant, draws = switched_on("wren", "siskin")
    cameras = Cameras(configuration, plant, draws)
    first = cameras.picture(0, FRAME)
    cameras.picture(1, FRAME)
    cameras.picture(0, FRAME + 10 * TICK_NS)
    assert np.array_equal(cameras.picture(0, FRAME), first)
    assert not np.array_equal(cameras.picture(0, FRAME + 10 * TICK_NS), first), "noise of its own"
