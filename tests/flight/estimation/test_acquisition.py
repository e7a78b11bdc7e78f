import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from scipy.stats import chi2, norm

from testbed.description.beacons import Beacon
from testbed.description.messages import UNKNOWN_VARIANCE
from testbed.flight.estimation import SEARCHING
from testbed.flight.estimation.acquisition import SPARE
from testbed.flight.estimation.chi_square import chi_square_bound
from testbed.flight.estimation.parameters import start_orientations
from tests.flight.estimation.world import World, cabin_beacons, demo_beacons, demo_vehicle, pose_errors

POSES = 60
"""Random poses per case; the long version takes 1,000."""
SECONDS = 3.25  # three seconds from the first chirp to the last cycle that is in


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
    ("place", "beacons", "degrees"), [("table", demo_beacons(), 3.0), ("cabin", cabin_beacons(), 5.0)]
)
def test_finds_any_pose_while_it_drifts_and_spins(place, beacons, degrees):
    world = World(range(7000, 7000 + POSES), place=place, beacons=beacons, push=False)
    set_going(world)
    when, position, rotation = first_fixes(world)
    good = np.isfinite(when) & (position < 0.02) & (rotation < degrees)
    assert good.sum() >= np.floor(0.99 * POSES)
    assert not np.any((position > 0.03) | (rotation > 1.5 * degrees))


def test_is_found_even_while_it_pushes():
    """No guidance pushes before there is a fix; where something does, valves treble the noise and it takes longer."""
    world = World(range(7100, 7120), push=True)
    when, position, rotation = first_fixes(world, 10.0)
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
    """Six beacons in the plane x = -2."""
    places = [(-2.0, y, z) for y, z in ((1.5, 1.2), (-1.5, 1.1), (1.4, -1.2), (-1.4, -1.1), (0.1, 0.3), (0.2, -0.9))]
    return demo_beacons().model_copy(update={"beacons": tuple(Beacon(position=place) for place in places)})


@pytest.mark.parametrize(
    ("cone", "flat", "telling"),
    [(60.0, False, True), (180.0, False, True), (60.0, True, True), (180.0, True, False)],
    ids=["cones and shape tell", "the shape tells", "cones tell", "nothing tells"],
)
def test_never_takes_the_mirror_side_of_coplanar_beacons(cone, flat, telling):
    """Mirrored in the beacons' plane, receivers in one plane are the same receivers turned: only their cones differ."""

    def changed(receiver):
        x, y, z = receiver.position
        return receiver.model_copy(update={"half_angle_deg": cone, "position": (x, y, 0.0 if flat else z)})

    vehicle = demo_vehicle()
    vehicle = vehicle.model_copy(update={"receivers": tuple(changed(receiver) for receiver in vehicle.receivers)})
    world = World(range(7200, 7224), place="cabin", beacons=on_one_wall(), push=False, vehicle=vehicle)
    when, position, _ = first_fixes(world)
    found = np.isfinite(when)
    assert found.any() == telling
    assert not np.any(position[found] > 0.1)


def test_beacons_in_one_line_do_on_the_table_where_the_shape_tells_the_sides_apart():
    line = tuple(Beacon(position=(x, 1.7, 1.2)) for x in (-2.0, -1.2, -0.4, 0.4, 1.2, 2.0))
    world = World(range(7300, 7312), beacons=demo_beacons().model_copy(update={"beacons": line}), push=False)
    when, position, _ = first_fixes(world)
    assert not np.any(position[np.isfinite(when)] > 0.05)


@pytest.mark.parametrize("beacons", [2, 3])
def test_too_few_beacons_in_the_cabin_give_no_pose(beacons):
    world = World(range(7400, 7406), place="cabin", push=False)
    step = world._listen
    world._listen = lambda since: step(since) if round(since / world.beacons.slot) < beacons else None
    when, position, _ = first_fixes(world)
    assert not np.any(position[np.isfinite(when)] > 0.03)
    if beacons == 2:
        assert not np.isfinite(when).any()


def test_echoes_do_not_mislead_it():
    noise = World([1]).noise
    noise = noise.model_copy(update={"ranging": noise.ranging.model_copy(update={"multipath": 0.08})})
    world = World(range(7500, 7530), noise=noise, push=False)
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


@pytest.mark.parametrize("degrees", [SPARE, 20, 80])
def test_the_chi_square_bound_is_near_the_exact_one(degrees):
    for quantile in (0.0, 2.0, 4.0):
        assert chi_square_bound(degrees, quantile) == pytest.approx(chi2.ppf(norm.cdf(quantile), degrees), rel=0.02)
