"""What stands between a user's own class and the rest: every mistake becomes one named error."""

import sys

import numpy as np
import pytest

from testbed.description import messages
from testbed.description.axes import TABLE_AXES
from testbed.description.beacons import Beacon, Beacons
from testbed.description.maneuver import Phase
from testbed.description.messages import UNKNOWN_VARIANCE
from testbed.description.noise import Noise
from testbed.description.table import Table
from testbed.flight.own import OwnEstimator, OwnGuidance, OwnPartError, load_class
from tests.flight.example_vehicle import vehicle as example_vehicle

STAMP = 2_000_000_000
BEACONS = Beacons(name="b", beacons=tuple(Beacon(position=(x, y, 1.0)) for x in (-1, 1) for y in (-1, 1)))
FLOOR = Table(
    name="f", outline=((-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)), working_area=((-0.8, -0.8), (0.8, 0.8))
)


class Idle:
    """The least that a guidance must have."""

    def __init__(self, vehicle, place, active_axes):
        self.built_with = vehicle.name, place, active_axes
        self.maneuvers = []

    def accept_maneuver(self, maneuver):
        self.maneuvers.append(maneuver)

    def step(self, odometry, disturbance, wrench, reference, status):
        pass


class Blind:
    """The least that an estimator must have."""

    def __init__(self, vehicle, beacons, noise, place, active_axes, room):
        self.gyro_bias = np.zeros(3)
        self.heard = []

    def step(self, heard, odometry):
        self.heard.append(heard)

    def disturbance(self, stamp):
        return np.zeros(1, messages.WRENCH)

    def innovations(self):
        return np.zeros(0, messages.INNOVATION_POINT)


def guidance(kind=Idle):
    return OwnGuidance(kind, example_vehicle(), "table", TABLE_AXES)


def estimator(kind=Blind):
    return OwnEstimator(kind, example_vehicle(), BEACONS, Noise(name="n"), "table", TABLE_AXES, FLOOR)


def answers():
    return [np.ones(1, kind) for kind in (messages.WRENCH, messages.ODOMETRY, messages.STATUS)]


def seen():
    odometry = np.zeros(1, messages.ODOMETRY)
    odometry[0]["stamp"], odometry[0]["position"], odometry[0]["orientation"] = STAMP, (1, 2, 0), (0, 0, 0, 1)
    odometry[0]["linear_velocity"] = 0.1
    return odometry, np.zeros(1, messages.WRENCH)


def maneuver(number):
    one = np.zeros(1, messages.MANEUVER)
    one[0]["number"] = number
    return one


def test_a_guidance_that_fills_nothing_asks_for_nothing_and_follows_where_it_is():
    one = guidance()
    assert one.accept_maneuver(maneuver(3))
    assert not one.accept_maneuver(maneuver(3)), "its number has not grown"
    wrench, reference, status = answers()
    one.step(*seen(), wrench, reference, status)
    assert not wrench[0]["force"].any()
    assert not wrench[0]["torque"].any()
    assert reference[0]["position"].tolist() == [1, 2, 0]
    assert not reference[0]["linear_velocity"].any()
    assert status[0]["number"] == 3
    assert status[0]["phase"] == Phase.IDLE
    assert {int(one[0]["stamp"]) for one in (wrench, reference, status)} == {STAMP}
    assert one.part.built_with == (example_vehicle().name, "table", TABLE_AXES)
    assert len(one.part.maneuvers) == 1


def test_an_estimator_that_fills_nothing_has_no_fix_and_hears_everything_once():
    one = estimator()
    one.set_air_temperature(294.0)
    one.accept_schedule(np.zeros(1, messages.SCHEDULE)[0])
    for stamp in (STAMP - 10_000_000, STAMP):
        imu = np.zeros(1, messages.IMU)
        imu[0]["stamp"] = stamp
        one.accept_imu(imu[0])
        imu[0]["stamp"] = 7  # whoever hands a record on may use it again
    one.accept_ranges(np.zeros(1, messages.RANGES)[0])
    odometry = one.output(STAMP)
    assert odometry["stamp"] == STAMP
    assert odometry["pose_covariance"][0, 0] == UNKNOWN_VARIANCE
    imu[0]["stamp"] = STAMP  # the plant sends again what some follower has not answered
    one.accept_imu(imu[0])
    one.accept_ranges(np.zeros(1, messages.RANGES)[0])
    one.output(STAMP + 20_000_000)
    first, second = one.part.heard
    assert first.imu["stamp"].tolist() == [STAMP - 10_000_000, STAMP]
    assert (len(first.ranges), len(first.schedules), first.air_temperature) == (1, 1, 294.0)
    assert (len(second.imu), len(second.ranges), len(second.schedules), second.air_temperature) == (0, 0, 0, 294.0)
    assert one.disturbance(STAMP)[0]["stamp"] == STAMP


def use_guidance(kind):
    one = guidance(kind)
    one.accept_maneuver(maneuver(1))
    one.step(*seen(), *answers())


def use_estimator(kind):
    one = estimator(kind)
    one.output(STAMP)
    return one.gyro_bias, one.innovations()


class Lacking:
    def __init__(self, *_):
        pass

    def accept_maneuver(self, maneuver):
        pass


class Refusing(Idle):
    def __init__(self, *_):
        raise ValueError("knows the cabin only")


class Raising(Idle):
    def step(self, odometry, disturbance, wrench, reference, status):
        return self.nothing_of_that_name


class Endless(Idle):
    def step(self, odometry, disturbance, wrench, reference, status):
        reference[0]["position"][1] = np.inf


class Unheard(Idle):
    def step(self, odometry, disturbance, wrench, reference, status):
        status[0]["phase"] = 77


class Stubborn(Idle):
    def accept_maneuver(self, maneuver):
        raise NotImplementedError("flies no track")


@pytest.mark.parametrize(
    ("kind", "said"),
    [
        (Lacking, "a class with accept_maneuver, step; Lacking lacks step"),
        (Refusing, "Refusing(vehicle, place, active_axes): ValueError: knows the cabin only"),
        (Raising, "own guidance Raising of example failed at 2.00 s: AttributeError: "),
        (Endless, "own guidance Endless of example: position of its reference is not finite"),
        (Unheard, "own guidance Unheard of example: phase 77 is no member of Phase"),
        (Stubborn, "own guidance Stubborn of example failed at maneuver 1: NotImplementedError: flies no track"),
    ],
)
def test_a_guidance_that_fails_is_named_with_its_reason(kind, said):
    with pytest.raises(OwnPartError) as raised:
        use_guidance(kind)
    assert said.replace("example", example_vehicle().name) in str(raised.value)
    if kind in (Refusing, Raising, Stubborn):
        assert f"{__file__}:" in str(raised.value), "it names the line"


class NoBias(Blind):
    def __init__(self, *_):
        pass


class Absurd(Blind):
    def step(self, heard, odometry):
        odometry[0]["pose_covariance"][2, 2] = np.nan


class Flat(Blind):
    @property
    def gyro_bias(self):
        return [0.0, 0.0]

    @gyro_bias.setter
    def gyro_bias(self, value):
        pass


class Loose(Blind):
    def innovations(self):
        return [0.1, 0.2]


@pytest.mark.parametrize(
    ("kind", "said"),
    [
        (NoBias, "a class with step, gyro_bias, disturbance, innovations; NoBias lacks gyro_bias"),
        (Absurd, "pose_covariance of its odometry is not finite"),
        (Flat, "gyro_bias is not three finite numbers"),
        (Loose, "innovations is no array of records"),
    ],
)
def test_an_estimator_that_fails_is_named_with_its_reason(kind, said):
    with pytest.raises(OwnPartError) as raised:
        use_estimator(kind)
    assert said in str(raised.value)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A folder of a user's own; Python's path and modules are as before afterwards."""
    monkeypatch.setattr(sys, "path", list(sys.path))
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    before = set(sys.modules)
    yield tmp_path
    for name in set(sys.modules) - before:
        del sys.modules[name]


def test_a_class_is_found_beside_the_vehicle_also_in_a_package(folder):
    (folder / "mine_alone.py").write_text("class Here:\n    pass\n")
    (folder / "mine_packed").mkdir()
    (folder / "mine_packed" / "__init__.py").write_text("")
    (folder / "mine_packed" / "inner.py").write_text("from mine_alone import Here\n\n\nclass There(Here):\n    pass\n")
    assert load_class("mine_alone:Here", [folder]).__name__ == "Here"
    assert load_class("mine_packed.inner:There", [folder]).__mro__[1] is load_class("mine_alone:Here", [folder])


@pytest.mark.parametrize(
    ("path", "text", "said"),
    [
        ("absent_one:Here", None, "ModuleNotFoundError: No module named 'absent_one'"),
        ("broken_one:Here", "x = 1 +\n", "SyntaxError: invalid syntax"),
        ("empty_one:Here", "class Other:\n    pass\n", "it has Other"),
        ("plain_one:here", "def here():\n    pass\n", "it has none"),
        ("json:Here", "class Here:\n    pass\n", "a module name that nothing else has"),
    ],
)
def test_a_class_that_cannot_be_had_is_refused_with_the_reason(folder, path, text, said):
    if text is not None:
        (folder / f"{path.partition(':')[0]}.py").write_text(text)
    with pytest.raises(OwnPartError) as raised:
        load_class(path, [folder])
    assert said in str(raised.value)
