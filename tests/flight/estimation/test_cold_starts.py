"""Cold starts against the plant itself, drawn vehicles in drawn worlds; the long version is in tests/prove."""

from itertools import count, islice

import pytest
from scipy.stats import norm

from testbed.description.locate import locate
from testbed.flight.estimation.estimator import LATE_CERTAINTY
from testbed.plan.configuration import load_configuration
from tests.drawn.cold_starts import ANGLE_LIMIT, sessions
from tests.drawn.fix_bound import fix_bound, sure

POSES = 20
PLANS = {"table": "first-float", "cabin": "cabin-float"}


@pytest.mark.parametrize("place", ["table", "cabin"])
def test_any_drawn_vehicle_is_found_within_three_seconds(place):
    base = load_configuration(locate(f"plans/{PLANS[place]}.yaml"))
    finds = [one.found for one in islice(sessions(base, count(4000)), POSES)]
    assert sum(found.good for found in finds) >= POSES - 1
    assert not any(found.wrong for found in finds)


def test_with_fewer_beacons_nearly_as_many_are_found_as_the_bound_lets_be_known():
    base = load_configuration(locate("plans/cabin-float.yaml"))
    known, found = 0, 0
    for one in islice(sessions(base, count(5000), 6), POSES):
        known += sure(fix_bound(one.believed, one.heard), ANGLE_LIMIT["cabin"], norm.sf(LATE_CERTAINTY))
        found += one.found.good
        assert not one.found.wrong
    assert known - 4 <= found <= known + 4, "more would be luck, fewer a waste"
