import numpy as np
import pytest
from scipy.linalg import expm
from scipy.spatial.transform import Rotation

from testbed.description.cabin import Cabin
from testbed.description.messages import NS_PER_S, TICK_NS
from testbed.flight.estimation import Estimator
from testbed.flight.estimation.propagation import copy_track, propagate_covariance, replay
from tests.flight.estimation.world import World

TICKS = 4


@pytest.fixture
def estimator():
    """A cabin estimator somewhere, with a history of a few turning, pushing ticks."""
    world = World([1], place="cabin")
    estimator = world.estimators[0]
    s = estimator.state[0]
    draw = np.random.default_rng(2)
    s["history_first"], s["history_end"] = 0, TICKS
    s["history_start"][:TICKS] = NS_PER_S + TICK_NS * np.arange(TICKS)
    s["history_stop"][:TICKS] = NS_PER_S + TICK_NS * (1 + np.arange(TICKS))
    s["history_rate"][:TICKS] = draw.normal(0.0, 0.3, (TICKS, 3))
    s["history_push"][:TICKS] = draw.normal(0.0, 0.05, (TICKS, 3))
    s["history_pushed"][:TICKS] = 0
    track = s["anchor"]
    track["stamp"] = NS_PER_S
    track["position"], track["velocity"] = draw.normal(0.0, 1.0, 3), draw.normal(0.0, 0.1, 3)
    track["orientation"] = Rotation.random(rng=draw).as_quat()
    track["gyro_bias"], track["disturbance"] = draw.normal(0.0, 0.01, 3), draw.normal(0.0, 0.01, 3)
    return estimator


def carry(estimator, until):
    p, s = estimator.parameters[0], estimator.state[0]
    copy_track(p, s["anchor"], s["now"])
    number = replay(p, s, s["now"], 0, until)
    return s["now"], number


def disturbed(estimator, component, size):
    """The mean after all ticks, from a start that is off in one component; as (15,) differences to the undisturbed."""
    s = estimator.state[0]
    plain, _ = carry(estimator, NS_PER_S + TICKS * TICK_NS)
    plain = plain.copy()
    start = s["anchor"].copy()
    if component >= 15:
        p = estimator.parameters[0]
        g = component - int(p["gyro_errors_at"])
        if g >= 0:
            s["anchor"]["gyro_matrix"][p["gyro_row"][g], p["gyro_column"][g]] += size
    elif component < 6 or component >= 9:
        field = ("position", "velocity", None, "gyro_bias", "disturbance")[component // 3]
        s["anchor"][field][component % 3] += size
    else:
        turn = Rotation.from_rotvec(size * np.eye(3)[component - 6])
        s["anchor"]["orientation"] = (turn * Rotation.from_quat(start["orientation"])).as_quat()
    moved, _ = carry(estimator, NS_PER_S + TICKS * TICK_NS)
    moved = moved.copy()
    s["anchor"] = start
    turn = Rotation.from_quat(moved["orientation"]) * Rotation.from_quat(plain["orientation"]).inv()
    parts = [moved[f] - plain[f] for f in ("position", "velocity")]
    return np.concatenate([*parts, turn.as_rotvec(), *(moved[f] - plain[f] for f in ("gyro_bias", "disturbance"))])


def test_a_body_that_spins_steadily_keeps_its_axis(estimator):
    s = estimator.state[0]
    rate = np.array([0.1, -0.2, 0.3])
    s["history_rate"][:TICKS] = rate + s["anchor"]["gyro_bias"]
    before = Rotation.from_quat(s["anchor"]["orientation"])
    track, _ = carry(estimator, NS_PER_S + TICKS * TICK_NS)
    after = before * Rotation.from_rotvec(rate * TICKS * 0.01)
    assert (Rotation.from_quat(track["orientation"]).inv() * after).magnitude() < 1e-14


def test_a_steady_acceleration_gives_the_parabola(estimator):
    s = estimator.state[0]
    s["history_push"][:TICKS] = 0.0
    start = s["anchor"].copy()
    track, _ = carry(estimator, NS_PER_S + TICKS * TICK_NS)
    t = TICKS * 0.01
    np.testing.assert_allclose(track["velocity"], start["velocity"] + t * start["disturbance"], atol=1e-15)
    parabola = start["position"] + t * start["velocity"] + 0.5 * t**2 * start["disturbance"]
    np.testing.assert_allclose(track["position"], parabola, atol=1e-15)


def test_two_halves_of_an_interval_make_the_whole_but_for_second_order(estimator):
    p, s = estimator.parameters[0], estimator.state[0]
    whole, _ = carry(estimator, NS_PER_S + TICK_NS)
    whole = whole.copy()
    copy_track(p, s["anchor"], s["now"])
    number = replay(p, s, s["now"], 0, NS_PER_S + TICK_NS // 3)
    assert number == 0
    assert replay(p, s, s["now"], number, NS_PER_S + TICK_NS) == 1
    for field in ("position", "velocity", "orientation"):
        np.testing.assert_allclose(s["now"][field], whole[field], atol=1e-7)


def test_replay_ends_where_the_history_ends(estimator):
    track, number = carry(estimator, NS_PER_S + 100 * TICK_NS)
    assert number == TICKS
    assert track["stamp"] == NS_PER_S + TICKS * TICK_NS


def test_the_covariance_follows_the_differences_of_the_mean(estimator):
    """F from finite differences of the mean, P = F·P·Fᵀ + Q dense, against the sparse step over several ticks."""
    estimator.state[0]["anchor"]["gyro_matrix"] = np.random.default_rng(5).normal(0.0, 1e-3, (3, 3))
    p, s = estimator.parameters[0], estimator.state[0]
    n = int(p["errors"])
    assert n > 15
    F = np.eye(n)
    for component in (*range(15), *range(int(p["gyro_errors_at"]), n)):
        F[:15, component] = disturbed(estimator, component, 1e-5) / 1e-5
    root = np.random.default_rng(3).normal(0.0, 0.01, (n, n))
    P = root @ root.T
    s["anchor"]["covariance"][:n, :n] = P
    track, _ = carry(estimator, NS_PER_S + TICKS * TICK_NS)
    attitude_noise = float(track["attitude_noise"])
    propagate_covariance(p, track)
    dt = TICKS * 0.01
    walk = p["disturbance_walk"] * np.linalg.norm(track["velocity"])
    Q = np.zeros((n, n))
    Q[6:9, 6:9] = attitude_noise * np.eye(3)
    Q[9:12, 9:12] = dt * p["bias_walk"] * np.eye(3)
    Q[12:15, 12:15] = dt * walk * np.eye(3)
    Q[3:6, 12:15] = Q[12:15, 3:6] = 0.5 * dt**2 * walk * np.eye(3)
    got = track["covariance"][:n, :n]
    # What the step leaves out is of second order in time: the push turned by attitude into position.
    np.testing.assert_allclose(got, F @ P @ F.T + Q, rtol=0.0, atol=1e-4 * np.abs(P).max())
    np.testing.assert_array_equal(got, got.T)


def test_velocity_noise_spreads_as_white_acceleration_does(estimator):
    """Van Loan's integral of the noise of a double integrator, by expm."""
    p, s = estimator.parameters[0], estimator.state[0]
    density = 3e-4
    s["history_pushed"][:TICKS] = 1
    s["history_noise"][:TICKS] = density * np.eye(3)
    s["history_push"][:TICKS] = 0.0
    s["anchor"]["covariance"][:] = 0.0
    track, _ = carry(estimator, NS_PER_S + TICKS * TICK_NS)
    propagate_covariance(p, track)
    dt = TICKS * 0.01
    np.testing.assert_allclose(track["covariance"][:3, :3], track["covariance"][0, 0] * np.eye(3), atol=1e-20)
    A, G = np.array([[0.0, 1.0], [0.0, 0.0]]), np.diag([0.0, density])
    block = expm(np.block([[-A, G], [np.zeros((2, 2)), A.T]]) * dt)
    Q = block[2:, 2:].T @ block[:2, 2:]
    got = track["covariance"]
    np.testing.assert_allclose([[got[0, 0], got[0, 3]], [got[3, 0], got[3, 3]]], Q, rtol=1e-9)


def test_velocity_noise_along_a_body_axis_is_turned_with_the_body(estimator):
    p, s = estimator.parameters[0], estimator.state[0]
    along = np.array([0.6, 0.0, 0.8])
    s["history_pushed"][:TICKS] = 1
    s["history_noise"][:TICKS] = np.outer(along, along)
    s["history_rate"][:TICKS] = s["anchor"]["gyro_bias"]
    s["anchor"]["covariance"][:] = 0.0
    turned = Rotation.from_quat(s["anchor"]["orientation"]).apply(along)
    track, _ = carry(estimator, NS_PER_S + TICKS * TICK_NS)
    propagate_covariance(p, track)
    np.testing.assert_allclose(track["covariance"][3:6, 3:6], TICKS * 0.01 * np.outer(turned, turned), atol=1e-12)


def test_at_rest_in_a_frame_that_turns_with_the_orbit(estimator):
    """The gyro feels the frame, the fixed axes do not; Coriolis and tides pull as the textbook has them."""
    cabin = Cabin(name="box", size=(4.0, 3.0, 2.4), air_density=0.0)
    s, orbit = estimator.state[0], cabin.orbit
    world = World([1], place="cabin")
    moving = Estimator(world.vehicle, world.beacons, world.noise, "cabin", world.axes, cabin)
    moving.state[:] = estimator.state
    s = moving.state[0]
    start = s["anchor"].copy()
    attitude = Rotation.from_quat(start["orientation"])
    s["history_push"][:TICKS] = 0.0
    s["history_rate"][:TICKS] = s["anchor"]["gyro_bias"] + attitude.inv().apply(orbit.frame_rate)
    track, _ = carry(moving, NS_PER_S + TICKS * TICK_NS)
    assert (Rotation.from_quat(track["orientation"]).inv() * attitude).magnitude() < 1e-12
    pull = start["disturbance"] - 2.0 * np.cross(orbit.frame_rate, start["velocity"]) + orbit.tidal @ start["position"]
    np.testing.assert_allclose(track["velocity"], start["velocity"] + TICKS * 0.01 * pull, atol=1e-8)
