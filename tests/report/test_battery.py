"""The report's account of batteries."""

import pytest

from testbed.record.load import load
from testbed.report import make_report
from testbed.report.battery import battery_rows


def test_it_tells_what_each_battery_gave(sessions):
    rows = battery_rows(load(sessions("passed") / "recording"))
    assert [row.vehicle for row in rows] == ["wren", "siskin"]
    for row in rows:
        assert row.at_start == row.left == pytest.approx(0.97)
        assert row.voltage > 0.0


def test_the_page_has_it(sessions):
    page = make_report(sessions("passed")).read_text()
    assert "<h2>Batteries</h2>" in page
    assert "97.0 %" in page
