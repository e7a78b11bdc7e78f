"""A vehicle that knows nothing of where it is: found in time or not claimed, and why not with fewer beacons."""

from itertools import count, islice

import numpy as np
import pytest
from scipy.stats import norm

from testbed.description.locate import locate
from testbed.flight.estimation.estimator import LATE_CERTAINTY
from testbed.plan.configuration import load_configuration
from tests.drawn.cold_starts import ANGLE_LIMIT, sessions
from tests.drawn.fix_bound import fix_bound, sure
from tests.prove.test_many_seeds import told

FIRST_SEED = 30_000
SIX_BEACONS_SEED = 60_000
"""Those from 40,000 on showed what is asked for now; they are spent."""
POSES = 1000
PLANS = {"table": "first-float", "cabin": "cabin-float"}


@pytest.mark.parametrize("place", ["table", "cabin"])
def test_any_pose_is_found_and_none_is_wrong(place, figure):
    """The demo's beacons; vehicle, actual world, pose, spin to 10 degrees/s and drift to 5 cm/s drawn."""
    base = load_configuration(locate(f"plans/{PLANS[place]}.yaml"))
    finds = [one.found for one in islice(sessions(base, count(FIRST_SEED)), POSES)]
    good, wrong = sum(found.good for found in finds), sum(found.wrong for found in finds)
    slowest = max(found.seconds for found in finds if found.claimed)
    elsewhere = sum(found.elsewhere for found in finds)
    limit = np.degrees(ANGLE_LIMIT[place])
    what = f"{place}: acquired within 3 s of the first chirp, 2 cm and {limit:.0f} degrees, {POSES} drawn poses"
    figure(what, f"{told(good, POSES)}; slowest {slowest:.1f} s")
    figure(f"{place}: published, but beyond that; on the mirror side", f"{wrong}; {elsewhere} of {POSES}")
    assert good >= 0.99 * POSES
    assert wrong == 0, "whatever is not found says so"


def test_with_six_beacons_as_many_are_found_as_the_bound_lets_be_known(figure):
    """Six beacons drawn on the walls: what three seconds tell does not do for 99 of 100, whoever reads it.

    Right at the bound any estimate is wrong as often as its certainty allows, and with six beacons many a pose is
    near it. So the bound is held to the certainty that the estimator asks for before it publishes, for position and
    attitude each.
    """
    base = load_configuration(locate("plans/cabin-float.yaml"))
    known, finds = 0, []
    for one in islice(sessions(base, count(SIX_BEACONS_SEED), 6), POSES):
        known += sure(fix_bound(one.believed, one.heard), ANGLE_LIMIT["cabin"], norm.sf(LATE_CERTAINTY))
        finds.append(one.found)
    good, wrong = sum(found.good for found in finds), sum(found.wrong for found in finds)
    elsewhere = sum(found.elsewhere for found in finds)
    figure("cabin, six drawn beacons: acquired within 3 s, 2 cm and 5 degrees", told(good, POSES))
    asked = 100.0 * norm.cdf(LATE_CERTAINTY)
    figure(f"cabin, six drawn beacons: the Cramér-Rao bound lets be {asked:.2f} % sure", f"{known} of {POSES}")
    figure("cabin, six drawn beacons: published, but beyond; on the mirror side", f"{wrong}; {elsewhere} of {POSES}")
    assert good >= 0.95 * known
    assert wrong == 0
