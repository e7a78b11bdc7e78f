"""Camera runs are measured apart, and each rate says whether it rendered pictures or projected corners."""

from testbed.bench import cameras
from testbed.description.locate import locate
from testbed.plan.configuration import load_configuration


def test_each_rate_says_what_it_used(monkeypatch):
    monkeypatch.setattr(cameras, "RENDERED", 0.2)
    monkeypatch.setattr(cameras, "PROJECTED", 0.4)
    figures = cameras.camera_speed(load_configuration(locate("plans/demo.yaml")), 1, lambda text: None)
    ways = [one.measure.rpartition("recording, ")[2] for one in figures]
    assert ways == ["cameras off", "cameras on, corners projected", "cameras on, pictures rendered"]
    assert all(one.unit == "× real time" and "3 cameras at 10 Hz" in one.note for one in figures)
    assert all(one.value > 0.0 for one in figures)


def test_every_camera_is_on_and_nothing_else_has_changed():
    demo = load_configuration(locate("plans/demo.yaml"))
    watched = cameras.with_cameras(demo)
    assert watched.cameras_on() == tuple(demo.vehicles)
    assert watched.vehicles == demo.vehicles
    assert demo.cameras_on() != watched.cameras_on()
