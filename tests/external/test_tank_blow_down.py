"""A tank blown down at a stated duty and heat leak, against an independent integration with CoolProp.

The reference holds the same two balances, dm/dt = -flow and dE/dt = heat - flow·h(what leaves), but finds its state by
CoolProp's own flash at each evaluation and integrates with scipy's adaptive Runge-Kutta. The equations behind it are
Span and Wagner 1996 (carbon dioxide) and Span et al. 2000 (nitrogen). Pressure, temperature and mass must agree within
0.5 % all the way, for carbon dioxide down to its triple point, 216.6 K.
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from testbed.description.gas_supply import GasSupply, Regulator
from tests.model.scene import CABIN, a_plant
from tests.model.test_tank import Tank, accounted, fire, sagging

properties = pytest.importorskip("CoolProp.CoolProp")

WITHIN = 0.005
CARBON_DIOXIDE = GasSupply(
    kind="carbon_dioxide", volume=0.8e-3, mass=0.5, specific_impulse=50.0, heat_leak=0.5, wall_heat_capacity=450.0
)
NITROGEN = GasSupply(volume=0.5e-3, pressure=20e6, heat_leak=0.5, wall_heat_capacity=400.0)


class Reference:
    """A tank whose state comes from CoolProp alone."""

    def __init__(self, supply, valves, duty, vehicle):
        self.supply, self.valves, self.duty, self.vehicle = supply, valves, duty, vehicle
        name = {"carbon_dioxide": "CarbonDioxide", "nitrogen": "Nitrogen"}[supply.kind]
        self.fluid = properties.AbstractState("HEOS", name)
        self.vapour = properties.AbstractState("HEOS", name)
        self.temperature = supply.temperature

    def state(self, mass, energy):
        """Temperature, pressure, and enthalpy of what leaves."""
        density = mass / self.supply.volume

        def missing(temperature):
            self.fluid.update(properties.DmassT_INPUTS, density, temperature)
            return mass * self.fluid.umass() + self.supply.wall_heat_capacity * temperature - energy

        around = self.temperature
        self.temperature = brentq(missing, max(around - 15.0, 100.0), around + 15.0, xtol=1e-7)
        self.fluid.update(properties.DmassT_INPUTS, density, self.temperature)
        enthalpy = self.fluid.hmass()
        if self.fluid.phase() == properties.iphase_twophase:
            self.vapour.update(properties.QT_INPUTS, 1.0, self.temperature)
            enthalpy = self.vapour.hmass()
        return self.temperature, self.fluid.p(), enthalpy

    def start(self):
        mass = self.supply.start_mass()
        self.fluid.update(properties.DmassT_INPUTS, mass / self.supply.volume, self.supply.temperature)
        return [mass, mass * self.fluid.umass() + self.supply.wall_heat_capacity * self.supply.temperature]

    def slopes(self, _, now):
        temperature, pressure, enthalpy = self.state(*now)
        flow = flow_out(self.vehicle, pressure, self.valves, self.duty)
        heat = self.supply.heat_leak * (self.supply.ambient_temperature - temperature)
        return [-flow, heat - flow * enthalpy]


def flow_out(vehicle, tank_pressure, valves, duty):
    """Steady flow of `valves` valves open for a share `duty` of the time, kg/s: less where the tank gives less."""
    lockup = min(float(vehicle["lockup_start"]), tank_pressure)
    conductance, each = float(vehicle["regulator_conductance"]), float(vehicle["valve_flow"][0])
    return duty * valves * each * conductance * lockup / (conductance + valves * each)


def blow_down(supply, valves, duty, seconds):
    """The tank's kernel and the reference at ten times: rows of temperature, pressure, mass."""
    supply = supply.model_copy(update={"regulator": Regulator(supply_effect=0.0)})
    tank = Tank(supply)
    reference = Reference(supply, valves, duty, tank.vehicle)
    times = np.linspace(0.0, seconds, 11)
    solved = solve_ivp(
        reference.slopes, (0.0, seconds), reference.start(), t_eval=times, rtol=1e-6, max_step=seconds / 20
    )
    assert solved.success
    reference.temperature = supply.temperature
    expected = [(*reference.state(*now)[:2], now[0]) for now in solved.y.T]
    found = []
    for step in range(round(seconds / 0.1) + 1):
        if step % (round(seconds / 0.1) // 10) == 0:
            found.append([float(tank.state[name]) for name in ("gas_temperature", "tank_pressure", "gas_mass")])
        tank.advance(0.1 * flow_out(tank.vehicle, float(tank.state["tank_pressure"]), valves, duty))
    return np.array(found), np.array(expected)


@pytest.mark.parametrize(
    ("valves", "duty", "seconds", "coldest"),
    [
        pytest.param(12, 1.0, 135.0, 217.0, id="all 12 valves open, to the triple point"),
        pytest.param(4, 0.5, 685.0, 216.8, id="four valves at half duty, to the triple point"),
        pytest.param(2, 0.2, 1800.0, 280.0, id="two valves at a fifth, half an hour"),
    ],
)
def test_liquefied_carbon_dioxide(valves, duty, seconds, coldest):
    found, expected = blow_down(CARBON_DIOXIDE, valves, duty, seconds)
    assert expected[-1, 0] < coldest, "it goes as far as it should"
    assert found == pytest.approx(expected, rel=WITHIN)
    assert found[:, 0] == pytest.approx(expected[:, 0], abs=0.1)


def test_a_whole_vehicle_that_fires_all_its_valves_until_carbon_dioxide_freezes():
    """Valves, plenum, regulator and tank together, tick by tick; all twelve push nowhere.

    After the last tick the tank is as it was at its latest update, 0.2 s before. Near the end its pressure falls by 4 %
    a second, so that this counts.
    """
    supply = CARBON_DIOXIDE.model_copy(update={"regulator": Regulator(supply_effect=0.0)})
    plant = a_plant(sagging(gas=supply), room=CABIN)
    reference = Reference(supply, 12, 1.0, plant.vehicles[0])
    seconds = 134.2
    solved = solve_ivp(reference.slopes, (0.0, seconds - 0.2), reference.start(), rtol=1e-6, max_step=seconds / 20)
    reference.temperature = 218.0
    temperature, pressure, _ = reference.state(*solved.y[:, -1])
    assert temperature < 218.0
    fire(plant, seconds, tuple(range(12)))
    assert plant.tank_temperature(0) == pytest.approx(temperature, rel=WITHIN)
    assert plant.tank_pressure(0) == pytest.approx(pressure, rel=WITHIN)
    assert plant.states[0]["gas_mass"] == pytest.approx(solved.y[0, -1], rel=WITHIN)
    assert accounted(plant) == pytest.approx(
        0.5 + plant.vehicles[0]["plenum_capacity"] * plant.vehicles[0]["lockup_start"], rel=1e-12
    )


@pytest.mark.parametrize(("wall", "seconds"), [(400.0, 44.0), (20.0, 30.0)], ids=["aluminium tank", "hardly any wall"])
def test_compressed_nitrogen_nearly_to_the_end(wall, seconds):
    found, expected = blow_down(NITROGEN.model_copy(update={"wall_heat_capacity": wall}), 12, 1.0, seconds)
    assert expected[-1, 2] < 0.5 * expected[0, 2]
    assert found == pytest.approx(expected, rel=WITHIN)
