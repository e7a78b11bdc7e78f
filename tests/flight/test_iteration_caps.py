"""Every search in flight code stops at a cap, and what it has then is safe to use.

The searches: the allocation's simplex (both stages share the cap), the pose fit of acquisition (Levenberg-Marquardt),
inverse iteration of the position start (always 20 rounds, no test of convergence). All other loops are over as many
entries as there are.
"""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.description import messages
from testbed.description.axes import CABIN_AXES, TABLE_AXES
from testbed.flight.allocation import Allocation, Outcome
from testbed.flight.allocation.allocation import ITERATION_CAP
from testbed.flight.estimation.acquisition import TAIL
from testbed.flight.estimation.layout import FIT
from testbed.flight.estimation.pose_fit import minimise
from testbed.flight.thruster_driver import ThrusterDriver
from tests.drawn.vehicles import drawn_vehicle
from tests.flight.example_vehicle import vehicle as example_vehicle

LIKE = example_vehicle()
PLACES = {"table": TABLE_AXES, "cabin": CABIN_AXES}


def wrench_of(allocation, duty):
    """What the duties give, on the active axes, scaled as the rows are."""
    p = allocation.parameters[0]
    return p["matrix"][: p["rows"], : p["valves"]] @ duty


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("cap", range(12))
def test_an_allocation_stopped_anywhere_gives_the_wrench_s_direction_or_nothing(place, cap):
    generator = np.random.default_rng(40 + cap)
    capped = 0
    for _ in range(20):
        allocation = Allocation(drawn_vehicle(generator, LIKE), place, PLACES[place])
        p, s = allocation.parameters[0], allocation.state[0]
        p["iteration_cap"] = cap
        wrench = generator.normal(size=6) * np.array([0.1, 0.1, 0.1, 0.01, 0.01, 0.01])
        duty, scale, outcome = allocation.allocate(wrench)
        assert s["work"]["iterations"] <= cap
        assert (duty >= 0.0).all()
        assert (duty <= 1.0).all()
        assert 0.0 <= scale <= 1.0 + 1e-9
        asked = s["rows"][: p["rows"]]
        assert wrench_of(allocation, duty) == pytest.approx(scale * asked, abs=1e-9)
        capped += outcome == Outcome.CAPPED
    assert capped > 0 or cap >= len(PLACES[place]), "each axis needs a step, so a lower cap must have cut some search"


def test_the_cap_is_far_above_what_drawn_vehicles_need():
    generator, most = np.random.default_rng(7), 0
    for _ in range(100):
        allocation = Allocation(drawn_vehicle(generator, LIKE), "cabin", CABIN_AXES)
        allocation.allocate(generator.normal(size=6) * np.array([1.0, 1.0, 1.0, 0.1, 0.1, 0.1]))
        most = max(most, int(allocation.state[0]["work"]["iterations"]))
    assert 6 <= most <= ITERATION_CAP / 2


@pytest.mark.parametrize("cap", [0, 1, 3])
def test_a_driver_whose_allocation_is_cut_sends_a_schedule_that_closes_all_in_the_end(cap):
    driver = ThrusterDriver(example_vehicle(), "table", TABLE_AXES)
    driver.parameters[0]["allocation"]["iteration_cap"] = cap
    odometry, wrench = np.zeros(1, messages.ODOMETRY), np.zeros(1, messages.WRENCH)
    schedule = np.zeros(1, messages.SCHEDULE)
    odometry[0]["orientation"][3] = 1.0
    cut = 0
    for period in range(20):
        stamp = 1_000_000_000 + period * 100_000_000
        odometry[0]["stamp"] = wrench[0]["stamp"] = stamp
        wrench[0]["force"], wrench[0]["torque"] = (0.08, -0.05, 0.0), (0.0, 0.0, 0.004)
        driver.step(odometry, wrench, True, schedule)
        one, count = schedule[0], int(schedule[0]["count"])
        assert count >= 1
        assert not one["open"][count - 1].any()
        assert one["offset"][count - 1] <= 200_000_000
        assert (np.diff(one["offset"][:count]) > 0).all()
        cut += driver.state[0]["allocation"]["outcome"] == Outcome.CAPPED
    assert cut > 0


def problem(generator, count=40):
    """A pose fit in the cabin and where it starts: half a metre and a radian off."""
    fit, p = np.zeros(1, FIT), np.zeros(1, np.dtype([("free", "f8", (6,)), ("held_height", "f8")]))
    p[0]["free"] = 1.0
    one = fit[0]
    turn = Rotation.from_rotvec(generator.normal(size=3))
    position = generator.uniform(-0.5, 0.5, 3)
    one["count"] = count
    one["beacon"][:count] = generator.uniform(-2.0, 2.0, (count, 3))
    one["arm"][:count] = generator.uniform(-0.12, 0.12, (count, 3))
    one["distance"][:count] = np.linalg.norm(
        position + turn.apply(one["arm"][:count]) - one["beacon"][:count], axis=1
    ) + generator.normal(0.0, 0.005, count)
    one["weight"][:count] = 1.0 / 0.005
    one["position"] = position + 0.3 * generator.normal(size=3)
    one["orientation"] = (Rotation.from_rotvec(0.5 * generator.normal(size=3)) * turn).as_quat()
    return p, fit


@pytest.mark.parametrize("cap", [0, 1, 2, 5, 15, 30])
def test_a_pose_fit_stopped_anywhere_has_a_pose_no_worse_than_its_start(cap):
    for seed in range(10):
        p, fit = problem(np.random.default_rng(seed))
        minimise(p[0], fit[0], 0, 1e-9)
        start = float(fit[0]["cost"])
        minimise(p[0], fit[0], cap, 1e-9)
        assert fit[0]["cost"] <= start
        assert np.linalg.norm(fit[0]["orientation"]) == pytest.approx(1.0, abs=1e-12)
        for field in ("position", "orientation", "velocity", "cost"):
            assert np.isfinite(fit[0][field]).all(), field


def test_a_pose_that_the_fit_has_not_reached_shows_in_its_residuals():
    """By these acquisition judges every pose: one that a cap leaves half way fits no noise and is not taken."""
    for seed in range(10):
        p, fit = problem(np.random.default_rng(seed))
        minimise(p[0], fit[0], 1, 1e-9)
        count = int(fit[0]["count"])
        assert fit[0]["cost"] > count + TAIL * (2.0 * count) ** 0.5, "each residual has a variance of one"
