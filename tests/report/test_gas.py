"""The report's account of gas."""

import pytest

from testbed.plan.room_air import room_volume_of
from testbed.record.load import load
from testbed.report import make_report
from testbed.report.gas import gas_account
from testbed.report.session import judge
from tests.report.test_page import Page


@pytest.fixture
def account(sessions):
    recording = load(sessions("passed") / "recording")
    return gas_account(recording, judge(recording, []))


def test_it_tells_what_each_tank_gave_and_has_left(account):
    assert [row.vehicle for row in account.rows] == ["wren", "siskin"]
    for row in account.rows:
        assert row.kind == "nitrogen"
        assert 0.0 < row.at_start_g - row.left_g < 20.0
        assert row.outlook.usable_g == pytest.approx(row.left_g - 11.54, abs=0.1)
        assert row.outlook.runs >= 1


def test_the_room_has_what_all_tanks_gave_less_what_ventilation_took(account):
    released = sum(row.at_start_g - row.left_g for row in account.rows)
    at_most = 1e6 * room_volume_of("nitrogen", 1e-3 * released) / 150.0
    assert 0.9 * at_most < account.peak_ppm <= at_most
    assert account.limit_ppm is None
    assert not account.exceeded


def test_it_is_on_the_page(sessions):
    text = Page(make_report(sessions("passed")).read_text()).text
    assert "how far the rest goes" in text
    assert "with all valves open, Δv" in text
    assert "Every gas displaces oxygen" in text
