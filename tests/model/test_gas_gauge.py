"""What a gauge makes of the pressure and temperature of an emulated tank."""

import numpy as np
import pytest

from testbed.description.gas_gauge import TankGauge
from testbed.description.gas_supply import GasSupply
from tests.model.test_tank import AIR, CARBON_DIOXIDE, NITROGEN, Tank

PERIOD_NS = 200_000_000


def history(supply, flow, seconds, stop=0.0):
    """Stamps, pressures, temperatures and true masses of a tank that gives `flow` kg/s, five times a second."""
    tank = Tank(supply)
    rows = []
    for _ in range(round(seconds * 5)):
        rows.append(tuple(float(tank.state[name]) for name in ("tank_pressure", "gas_temperature", "gas_mass")))
        tank.advance(0.1 * min(flow, tank.state["gas_mass"] - stop), 0.1, 2)
    pressures, temperatures, masses = np.array(rows).T
    return 10**9 + PERIOD_NS * np.arange(len(rows)), pressures, temperatures, masses


@pytest.mark.parametrize("supply", [NITROGEN, AIR], ids=["nitrogen", "air"])
def test_of_compressed_gas_it_tells_the_mass_to_a_milligram(supply):
    *seen, masses = history(supply, 0.5e-3, 150.0, stop=5e-3)
    assert TankGauge(supply).weigh(*seen) == pytest.approx(masses, abs=1e-6)


@pytest.mark.parametrize("flow", [0.05e-3, 0.3e-3, 3e-3])
def test_over_liquid_it_tells_the_mass_by_the_heat_balance(flow):
    """Within a thousandth of what was taken, from a start at 20 °C to well below freezing."""
    *seen, masses = history(CARBON_DIOXIDE, flow, min(0.3 / flow, 1800.0))
    assert masses[0] - masses[-1] > 0.08
    assert TankGauge(CARBON_DIOXIDE).weigh(*seen) == pytest.approx(masses, abs=1e-3 * (masses[0] - masses[-1]))


def test_it_goes_over_to_pressure_and_temperature_when_all_liquid_is_gone():
    small = GasSupply(kind="carbon_dioxide", volume=0.8e-3, mass=0.2, wall_heat_capacity=4000.0)
    *seen, masses = history(small, 0.5e-3, 380.0, stop=5e-3)
    weighed = TankGauge(small).weigh(*seen)
    assert weighed[-1] == pytest.approx(masses[-1], rel=1e-4)
    assert weighed == pytest.approx(masses, abs=1e-3)


def test_one_sample_at_a_time_tells_the_same():
    *seen, _ = history(CARBON_DIOXIDE, 1e-3, 20.0)
    gauge = TankGauge(CARBON_DIOXIDE)
    one_by_one = [gauge.weigh_one(int(stamp), *supply) for stamp, *supply in zip(*seen, strict=True)]
    assert one_by_one == TankGauge(CARBON_DIOXIDE).weigh(*seen).tolist()


def test_a_reading_outside_the_table_leaves_the_mass_as_it_was():
    gauge = TankGauge(NITROGEN)
    before = gauge.weigh_one(10**9, 20e6, 293.15)
    assert gauge.weigh_one(2 * 10**9, 20e6, 20.0) == before
    assert gauge.weigh_one(3 * 10**9, 20e6, float("nan")) == before


def test_nothing_leaves_while_a_cold_tank_only_warms_up():
    cold = CARBON_DIOXIDE.model_copy(update={"temperature": 250.0})
    *seen, _ = history(cold, 0.0, 1800.0)
    assert seen[2][-1] > 268.0
    assert TankGauge(cold).weigh(*seen) == pytest.approx(np.full(9000, 0.5), abs=1e-4)
