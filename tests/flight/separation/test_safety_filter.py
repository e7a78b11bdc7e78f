"""What the filter does with one wrench: passes, trims, brakes, evades, and says so."""

import math

import numpy as np
import pytest

from testbed.description import messages
from testbed.description.axes import CABIN_AXES, TABLE_AXES
from testbed.description.flight_limits import FlightLimits
from testbed.flight.separation import MAX_PARTNERS, Action, Partner, SafetyFilter, Worry
from tests.flight.example_vehicle import vehicle
from tests.flight.guard.test_guard import FIELDS, ODD_NUMBERS, START, odometry, wrench

AXES = {"table": TABLE_AXES, "cabin": CABIN_AXES}
ERRORS = (0.004, 0.002)
MINIMUM = 0.52
PERIOD = 100_000_000
FULL = (5.0, 0.0, 0.0)


def safety_filter(place="table", partners=1, errors=ERRORS, limits=None, stray=0.0, **changes):
    one = vehicle(**changes)
    several = [Partner(one, MINIMUM, *errors, stray) for _ in range(partners)]
    return SafetyFilter(one, place, AXES[place], several, *errors, limits=limits)


def heard(*records):
    """The newest odometry of each partner."""
    found = np.zeros(MAX_PARTNERS, messages.ODOMETRY)
    for k, record in enumerate(records):
        found[k] = record[0]
    return found


def begins(velocity, partner_velocity, errors=ERRORS, age=0.0):
    """Distance along x below which a vehicle that asks for nothing is not let be, by bisection."""
    one, low, high = safety_filter(errors=errors), 0.3, 3.0
    while high - low > 1e-4:
        apart = 0.5 * (low + high)
        one.state["others"]["first_stamp"] = one.state["holding"] = 0
        then = odometry((apart, 0.0, 0.0), (partner_velocity, 0.0, 0.0), stamp=START - round(age * 1e9))
        passed = one.judge(odometry(velocity=(velocity, 0.0, 0.0)), heard(then), wrench())[1] == Action.PASSED
        low, high = (low, apart) if passed else (apart, high)
    return high


class TestPasses:
    @pytest.mark.parametrize("place", ["table", "cabin"])
    def test_far_from_everybody_whatever_is_asked_passes_as_it_is(self, place):
        one = safety_filter(place, 2)
        far = heard(odometry((2.5, 0.0, 0.0)), odometry((0.0, -2.5, 0.0), (0.0, 0.05, 0.0)))
        asked = wrench(5.0, -3.0, 0.0, 0.0, 0.0, 0.2)
        passed, action = one.judge(odometry(velocity=(0.06, 0.0, 0.0)), far, asked)
        assert action == Action.PASSED
        assert list(passed) == [*asked[0]["force"], *asked[0]["torque"]]
        assert not one.worries
        assert one.guaranteed

    def test_alone_everything_passes(self):
        assert safety_filter(partners=0).judge(odometry(), heard(), wrench(*FULL))[1] == Action.PASSED

    def test_not_permitted_nothing_is_weighed(self):
        one = safety_filter()
        near = heard(odometry((0.5, 0.0, 0.0)))
        assert one.judge(odometry(), near, wrench(*FULL), permitted=False)[1] == Action.PASSED
        assert not one.worries

    @pytest.mark.parametrize("velocity", [0.0, -0.02])
    @pytest.mark.parametrize("apart", [0.4, 0.53, 0.56, 0.6, 0.7])
    def test_a_vehicle_that_asks_to_move_away_is_let_go(self, apart, velocity):
        """At the least as strongly as asked, away; wherever it stands."""
        one = safety_filter()
        for number in range(3):
            stamp = START + number * PERIOD
            now = odometry(velocity=(velocity, 0.0, 0.0), stamp=stamp)
            passed, _ = one.judge(now, heard(odometry((apart, 0.0, 0.0), stamp=stamp)), wrench(-0.1, stamp=stamp))
            assert passed[0] <= -0.1 + 1e-9

    @pytest.mark.parametrize("force", [0.05, -0.05])
    def test_beside_a_partner_it_is_let_slide_along(self, force):
        """Too near to pass, but not too near to evade: across the line of sight it may go."""
        one = safety_filter()
        for number in range(3):
            stamp = START + number * PERIOD
            now = heard(odometry((0.58, 0.0, 0.0), stamp=stamp))
            passed, action = one.judge(odometry(stamp=stamp), now, wrench(0.0, force, stamp=stamp))
            assert action == Action.TRIMMED
            assert passed[1] == pytest.approx(force)
            assert abs(passed[0]) < 1e-9


class TestReactionTime:
    """Where it begins to act, in closed form: with nothing wrong and nobody thrusting, only the reaction is left."""

    def reckoned(self, velocity, partner_velocity, age):
        """Distance from which the brake of a coasting vehicle, one period long, still leaves it room to evade."""
        one = safety_filter(errors=(1e-9, 1e-9)).parameters[0]
        pair, own, wait, period = one["partners"][0], one["vehicle"], 0.0265, 0.1
        until = wait + period + age
        first = own["still_speed"] + own["drift"] * wait
        then = first + own["drift"] * period
        gained = pair["thrust"] * until
        wrong = first * wait + then * period + 0.5 * gained * until
        both = (one["thrust"] + pair["thrust"]) * period**2 / 8.0
        travelled, closing = velocity * (wait + period) - partner_velocity * until, velocity - partner_velocity
        apart = 1.0
        for _ in range(20):
            fast = closing * (1.0 + wrong / apart) + gained + then
            apart = pair["keep"] + wrong + both + fast**2 / (2.0 * pair["outrun"])
        return apart + travelled

    @pytest.mark.parametrize("age", [0.0, 0.1])
    @pytest.mark.parametrize(("velocity", "partner"), [(0.06, 0.0), (0.06, -0.06), (0.0, -0.06)])
    def test_it_begins_early_enough_to_evade_after_it(self, velocity, partner, age):
        found = begins(velocity, partner, (1e-9, 1e-9), age)
        assert found == pytest.approx(self.reckoned(velocity, partner, age), abs=2e-4)

    def test_a_partner_that_passes_at_some_distance_does_not_concern_it(self):
        one = safety_filter()
        beside = heard(odometry((0.3, 0.7, 0.0), (-0.06, 0.0, 0.0)))
        assert one.judge(odometry(velocity=(0.06, 0.0, 0.0)), beside, wrench())[1] == Action.PASSED


class TestActs:
    def test_what_would_come_too_near_is_trimmed_to_what_does_not(self):
        one = safety_filter()
        beyond = begins(0.03, 0.0) - 0.001
        passed, action = one.judge(odometry(velocity=(0.03, 0.0, 0.0)), heard(odometry((beyond, 0, 0))), wrench(*FULL))
        assert action == Action.TRIMMED
        assert passed[0] < 0.05
        assert one.worries == {Worry.NEAR: 0}
        assert one.guaranteed

    def test_it_evades_one_that_comes_at_it(self):
        one = safety_filter()
        passed, action = one.judge(odometry(), heard(odometry((0.7, 0, 0), (-0.05, 0, 0))), wrench(0.1))
        assert action == Action.EVADED
        assert passed[0] < -0.2
        assert one.guaranteed

    def test_with_nowhere_to_go_it_says_whom_it_leans_on(self):
        one, near = safety_filter(partners=4), 0.57
        around = heard(
            odometry((0.66, 0, 0), (-0.05, 0, 0)),
            *(odometry(at) for at in ((-near, 0, 0), (0, near, 0), (0, -near, 0))),
        )
        one.judge(odometry(), around, wrench())
        assert one.worries[Worry.LEANS] == 0
        assert one.guaranteed, "as long as all brake"

    def test_it_evades_within_its_work_area_or_says_that_it_leans(self):
        edge = FlightLimits(0.06, 1.0, 0.5, ((0.0, 0.0, -1.0), (2.0, 0.0, 1.0)))
        coming = heard(odometry((0.66, 0.0, 0.0), (-0.05, 0.0, 0.0)))
        one = safety_filter(limits=edge)
        one.judge(odometry(), coming, wrench())
        assert Worry.LEANS in one.worries
        free = safety_filter()
        free.judge(odometry(), coming, wrench())
        assert Worry.LEANS not in free.worries

    def test_the_torque_goes_on_as_far_as_the_valves_can_surely_give_it_beside(self):
        one = safety_filter()
        for velocity, spare in ((0.08, False), (0.0005, True)):
            one.state["others"]["first_stamp"] = one.state["holding"] = 0
            passed, action = one.judge(
                odometry(velocity=(velocity, 0.0, 0.0)), heard(odometry((0.58, 0, 0))), wrench(0, 0, 0, 0, 0, 0.01)
            )
            assert action != Action.PASSED
            assert (passed[5] > 0.0) == spare
            assert passed[5] <= 0.01

    def test_it_holds_its_place_and_does_not_creep_with_a_velocity_that_is_told_wrong(self):
        """Told to stand still while it creeps at 2 mm/s towards a partner, for a minute; thrust acts at once."""
        one, position, velocity, places = safety_filter(), 0.0, 0.002, []
        for number in range(600):
            stamp = START + number * PERIOD
            now = odometry((position, 0, 0), (velocity - 0.002, 0, 0), stamp=stamp)
            passed, _ = one.judge(now, heard(odometry((0.6, 0, 0), stamp=stamp)), wrench(0.3, stamp=stamp))
            velocity += passed[0] / 13.0 * 0.1
            position += velocity * 0.1
            places.append(position)
        assert max(places[100:]) - min(places[100:]) < one.parameters[0]["hold"]
        assert 0.6 - max(places) > one.parameters[0]["partners"][0]["keep"]


class TestCannotGuarantee:
    def test_a_partner_never_heard(self):
        one = safety_filter()
        assert one.judge(odometry(velocity=(0.03, 0.0, 0.0)), heard(), wrench(0.1))[1] == Action.BRAKED
        assert one.worries == {Worry.UNHEARD: 0}
        assert not one.guaranteed

    @pytest.mark.parametrize(("age", "says"), [(0.19, False), (0.21, True), (-0.21, True)])
    def test_a_partner_not_heard_for_too_long(self, age, says):
        one = safety_filter()
        old = heard(odometry((2.5, 0.0, 0.0), stamp=START - round(age * 1e9)))
        _, action = one.judge(odometry(), old, wrench(0.1))
        assert one.worries == ({Worry.UNHEARD: 0} if says else {})
        assert action == (Action.BRAKED if says else Action.PASSED)

    @pytest.mark.parametrize("whose", ["own", "partner's"])
    @pytest.mark.parametrize("field", ["pose_covariance", "twist_covariance"])
    def test_errors_claimed_larger_than_stated(self, whose, field):
        one, own, its = safety_filter(), odometry(), odometry((2.5, 0.0, 0.0))
        for share, says in ((0.3, False), (0.4, True)):
            stated = ERRORS[0] if field == "pose_covariance" else ERRORS[1]
            (own if whose == "own" else its)[field] = (share * stated) ** 2 * np.eye(6)
            one.judge(own, heard(its), wrench(0.1))
            assert one.worries == ({Worry.UNSURE: -1 if whose == "own" else 0} if says else {})

    def test_an_own_estimate_that_says_nothing_is_left_to_the_guard(self):
        one, lost = safety_filter(), odometry()
        lost["pose_covariance"] = messages.UNKNOWN_VARIANCE * np.eye(6)
        passed, action = one.judge(lost, heard(odometry((0.6, 0, 0))), wrench(0.1))
        assert (action, passed[0]) == (Action.WARNED, pytest.approx(0.1))
        assert one.worries == {Worry.UNSURE: -1}

    @pytest.mark.parametrize(("gained", "says"), [(0.015, False), (0.025, True)])
    def test_a_partner_that_accelerates_beyond_what_is_stated(self, gained, says):
        one = safety_filter()
        for number, velocity in enumerate((0.0, gained)):
            stamp = START + 3 * number * PERIOD
            its = odometry((2.8, 0.0, 0.0), (0.0, velocity, 0.0), stamp=stamp)
            one.judge(odometry(stamp=stamp), heard(its), wrench(stamp=stamp))
        assert one.worries == ({Worry.BEYOND: 0} if says else {})

    def test_a_partner_that_jumps(self):
        one = safety_filter()
        for number, place in enumerate((2.8, 2.6)):
            stamp = START + number * PERIOD
            one.judge(odometry(stamp=stamp), heard(odometry((place, 0.0, 0.0), stamp=stamp)), wrench(stamp=stamp))
        assert one.worries == {Worry.BEYOND: 0}

    @pytest.mark.parametrize(("beyond", "says"), [(0.0, False), (-0.04, True)])
    def test_the_separation_may_be_below_the_minimum(self, beyond, says):
        one = safety_filter()
        apart = one.parameters[0]["partners"][0]["keep"] + beyond
        one.judge(odometry(), heard(odometry((apart, 0.0, 0.0))), wrench())
        assert (Worry.CLOSE in one.worries) == says
        assert one.guaranteed != says

    def test_news_tell_when_a_worry_begins_and_when_it_is_over(self):
        one, told = safety_filter(), []
        for number in range(12):
            stamp = START + number * PERIOD
            its = heard(odometry((2.5, 0.0, 0.0), stamp=stamp)) if number > 2 else heard()
            one.judge(odometry(stamp=stamp), its, wrench(0.1, stamp=stamp))
            state = one.state[0]
            told += [(number, Worry(v["objection"]), bool(v["over"])) for v in state["news"][: state["news_count"]]]
        assert told == [(0, Worry.UNHEARD, False), (7, Worry.UNHEARD, True)]


class TestStatements:
    def test_a_stray_that_cannot_be_outrun_is_refused(self):
        with pytest.raises(ValueError, match="outrun"):
            safety_filter(stray=0.1)

    def test_so_are_too_many_partners(self):
        with pytest.raises(ValueError, match="7 at most"):
            safety_filter(partners=8)

    @pytest.mark.parametrize("whose", ["own", "partner's"])
    def test_quiet_windows_leave_a_brake_less_to_rely_on(self, whose):
        def relied(share):
            one = vehicle()
            partner = Partner(one, MINIMUM, *ERRORS, usable=share if whose == "partner's" else 1.0)
            its = {"usable": share} if whose == "own" else {}
            p = SafetyFilter(one, "table", TABLE_AXES, [partner], *ERRORS, **its).parameters[0]
            return p["braking"] if whose == "own" else p["partners"][0]["braking"]

        drift = safety_filter().parameters[0]["vehicle"]["drift"]
        assert relied(0.5) + drift == pytest.approx(0.5 * (relied(1.0) + drift))

    def test_what_is_about_the_pair_is_the_same_for_both(self):
        light, heavy = vehicle(), vehicle()
        heavy = heavy.model_copy(update={"floor": heavy.floor.model_copy(update={"mass": 16.0})})
        seen = [
            SafetyFilter(one, "table", TABLE_AXES, [Partner(other, 0.5, *errors, its)], *own, stray=mine).parameters
            for one, other, own, errors, mine, its in (
                (light, heavy, (0.004, 0.002), (0.008, 0.005), 0.004, 0.001),
                (heavy, light, (0.008, 0.005), (0.004, 0.002), 0.001, 0.004),
            )
        ]
        for what in ("keep", "outrun", "minimum"):
            assert seen[0][0]["partners"][0][what] == pytest.approx(seen[1][0]["partners"][0][what])


@pytest.mark.parametrize("place", ["table", "cabin"])
@pytest.mark.parametrize("whose", ["own", "partner's"])
@pytest.mark.parametrize(("record", "name", "where"), FIELDS, ids=str)
def test_whatever_number_stands_in_a_field_what_the_filter_puts_in_is_finite(place, whose, record, name, where):
    for value in ODD_NUMBERS:
        one = safety_filter(place)
        records = {
            "own": odometry((0.0, 0.2, 0.1), (0.03, -0.02, 0.0), (0.0, 0.0, 0.05)),
            "partner's": odometry((0.6, 0.2, 0.1), (-0.03, -0.02, 0.0), (0.0, 0.0, 0.05)),
        }
        asked = wrench(0.1, -0.1, 0.0, 0.0, 0.0, 0.01)
        (asked if record == "wrench" else records[whose])[0][name][where] = value
        passed, action = one.judge(records["own"], heard(records["partner's"]), asked)
        if action <= Action.WARNED:
            np.testing.assert_array_equal(passed[:3], asked[0]["force"])
        else:
            assert np.isfinite(passed).all()
            assert math.hypot(*passed[:3]) < 2.0
