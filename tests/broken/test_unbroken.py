"""The lab that the other files break is whole, and so is the demo lab that ships."""

from pathlib import Path

import pytest

from testbed.plan.check import check
from tests.broken.broken import DEMO, FIRST_FLOAT, FORMATION, LAB

SHIPPED = Path(__file__).resolve().parents[2] / "config"


@pytest.mark.parametrize("plan", [DEMO, FIRST_FLOAT, FORMATION])
@pytest.mark.parametrize("lab", [LAB, SHIPPED], ids=["copy", "shipped"])
def test_nothing_is_wrong(lab: Path, plan: str, monkeypatch):
    monkeypatch.setenv("TESTBED_CONFIG_PATH", str(lab))
    assert check(lab / plan) == []


@pytest.mark.parametrize("plan", sorted(path.name for path in (SHIPPED / "plans").glob("*.yaml")))
def test_nothing_is_wrong_with_any_plan_that_ships(plan, monkeypatch):
    monkeypatch.setenv("TESTBED_CONFIG_PATH", str(SHIPPED))
    assert check(SHIPPED / "plans" / plan) == []
