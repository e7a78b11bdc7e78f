import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from scipy.stats import chi2, norm

from testbed.description.beacons import Beacon
from testbed.description.messages import UNKNOWN_VARIANCE
from testbed.flight.estimation import SEARCHING
from testbed.flight.estimation.acquisition import chi_square_bound
from testbed.flight.estimation.parameters import start_orientations
from tests.flight.estimation.world import World, cabin_beacons, demo_beacons, pose_errors

POSES = 60
"""Random poses per case; the long version takes 1,000."""
SECONDS = 3.25  # three seconds from the first chirp to the last cycle that is in


def ten_cabin_beacons():
    """Enough beacons on the walls for any attitude: the six and one more on each of four walls, in slots of 20 ms."""
    more = [(1.2, 0.2, 1.4), (-1.0, -0.4, -1.4), (2.0, -0.2, 0.2), (-2.0, 0.3, 0.0)]
    six = cabin_beacons()
    beacons = six.beacons + tuple(Beacon(position=place) for place in more)
    return six.model_copy(update={"slot": 0.02, "beacons": beacons})


def first_fixes(world, seconds=SECONDS):
    """When each estimator acquires, s (nan: never), and its errors then, m and degrees."""
    when, position, rotation = (np.full(world.n, np.nan) for _ in range(3))
    for tick in range(round(seconds * 100)):
        world.step()
        fresh = [k for k, e in enumerate(world.estimators) if e.acquired and np.isnan(when[k])]
        if fresh:
            p, r = pose_errors(world, world.outputs())
            when[fresh] = tick * 0.01
            position[fresh] = np.linalg.norm(p[fresh], axis=1)
            rotation[fresh] = np.degrees(np.linalg.norm(r[fresh], axis=1))
    return when, position, rotation


def set_going(world):
    """Give every body a spin of up to 10 degrees per second and a speed of up to 7 cm/s."""
    draw = np.random.default_rng(8)
    for k in range(world.n):
        axis = draw.standard_normal(3) * world.free[3:]
        world.rate[k] = np.radians(10.0) * draw.random() * axis / np.linalg.norm(axis)
        world.velocity[k] = world.free[:3] * draw.uniform(-0.04, 0.04, 3)


@pytest.mark.parametrize(
    ("place", "beacons", "degrees"), [("table", demo_beacons(), 3.0), ("cabin", ten_cabin_beacons(), 5.0)]
)
def test_finds_any_pose_while_it_drifts_and_spins(place, beacons, degrees):
    world = World(range(100, 100 + POSES), place=place, beacons=beacons, push=False)
    set_going(world)
    when, position, rotation = first_fixes(world)
    good = np.isfinite(when) & (position < 0.02) & (rotation < degrees)
    assert good.sum() >= np.floor(0.99 * POSES)
    assert not np.any((position > 0.03) | (rotation > 1.5 * degrees))


def test_is_found_even_while_it_pushes():
    world = World(range(20), push=True)
    when, position, rotation = first_fixes(world, 6.0)
    assert np.isfinite(when).all()
    assert position.max() < 0.025
    assert rotation.max() < 4.0


def test_nothing_is_claimed_before():
    world = World([3])
    world.run(0.2)
    (odometry,) = world.outputs()
    np.testing.assert_array_equal(np.diag(odometry["pose_covariance"]), UNKNOWN_VARIANCE)
    np.testing.assert_array_equal(np.diag(odometry["twist_covariance"]), UNKNOWN_VARIANCE)
    np.testing.assert_array_equal(odometry["position"], 0.0)
    np.testing.assert_array_equal(odometry["orientation"], (0.0, 0.0, 0.0, 1.0))
    assert world.estimators[0].state[0]["phase"] == SEARCHING


def on_one_wall():
    """Six beacons in the plane x = -2: nothing but the receivers' cones tells its two sides apart."""
    places = [(-2.0, y, z) for y, z in ((1.5, 1.2), (-1.5, 1.1), (1.4, -1.2), (-1.4, -1.1), (0.1, 0.3), (0.2, -0.9))]
    return demo_beacons().model_copy(update={"beacons": tuple(Beacon(position=place) for place in places)})


@pytest.mark.parametrize("cone", [60.0, 180.0], ids=["cones tell the sides apart", "cones tell nothing"])
def test_never_takes_the_mirror_side_of_coplanar_beacons(cone):
    world = World(range(24), place="cabin", beacons=on_one_wall(), push=False)
    receivers = tuple(r.model_copy(update={"half_angle_deg": cone}) for r in world.vehicle.receivers)
    world = World(
        range(24),
        place="cabin",
        beacons=on_one_wall(),
        push=False,
        vehicle=world.vehicle.model_copy(update={"receivers": receivers}),
    )
    when, position, _ = first_fixes(world)
    found = np.isfinite(when)
    assert not np.any(position[found] > 0.1)
    if cone == 180.0:
        assert found.sum() > 0


def test_stays_unacquired_with_beacons_in_one_line():
    """On the table, collinear beacons leave two mirrored poses; receivers that hear all around cannot tell them apart."""
    line = tuple(Beacon(position=(x, 1.7, 1.2)) for x in (-2.0, -1.2, -0.4, 0.4, 1.2, 2.0))
    beacons = demo_beacons().model_copy(update={"beacons": line})
    vehicle = World([1]).vehicle
    deaf_to_direction = tuple(r.model_copy(update={"half_angle_deg": 180.0}) for r in vehicle.receivers)
    flat = tuple(
        r.model_copy(update={"position": (*r.position[:2], 0.0)}) for r in deaf_to_direction
    )  # all in one plane too, or else the heights of the receivers tell
    world = World(range(12), beacons=beacons, vehicle=vehicle.model_copy(update={"receivers": flat}), push=False)
    when, position, _ = first_fixes(world)
    assert not np.any(position[np.isfinite(when)] > 0.1)


@pytest.mark.parametrize("beacons", [2, 3])
def test_too_few_beacons_in_the_cabin_give_no_pose(beacons):
    world = World(range(6), place="cabin", push=False)
    step = world._listen
    world._listen = lambda since: step(since) if round(since / world.beacons.slot) < beacons else None
    when, position, _ = first_fixes(world)
    assert not np.any(position[np.isfinite(when)] > 0.03)
    if beacons == 2:
        assert not np.isfinite(when).any()


def test_echoes_do_not_mislead_it():
    noise = World([1]).noise
    noise = noise.model_copy(update={"ranging": noise.ranging.model_copy(update={"multipath": 0.08})})
    world = World(range(200, 230), noise=noise, push=False)
    when, position, rotation = first_fixes(world, 5.0)
    found = np.isfinite(when)
    assert found.mean() > 0.9
    assert position[found].max() < 0.03
    assert rotation[found].max() < 5.0


def test_start_attitudes_leave_none_far_away():
    starts = Rotation.from_quat(start_orientations(True))
    assert len(starts) == 24
    attitudes = Rotation.random(500, rng=1)
    nearest = [min((attitude * start.inv()).magnitude() for start in starts) for attitude in attitudes]
    assert np.degrees(max(nearest)) < 63.0
    headings = Rotation.from_quat(start_orientations(False)).as_euler("zyx", degrees=True)
    np.testing.assert_allclose(np.sort(headings[:, 0] % 360.0) % 360.0, np.arange(0.0, 360.0, 30.0), atol=1e-9)


@pytest.mark.parametrize("degrees", [5, 20, 80])
def test_the_chi_square_bound_is_near_the_exact_one(degrees):
    for quantile in (0.0, 2.0, 4.0):
        assert chi_square_bound(degrees, quantile) == pytest.approx(chi2.ppf(norm.cdf(quantile), degrees), rel=0.02)
