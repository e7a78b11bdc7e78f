"""How far the gas of each vehicle goes at the start of a plan, in sentences."""

from __future__ import annotations

from collections.abc import Iterator

from testbed.plan.checks.gas import least_gas
from testbed.plan.checks.subject import Subject
from testbed.plan.configuration import Configuration
from testbed.plan.gas_outlook import cooled_to, outlook
from testbed.plan.room_air import RoomAir, room_volume_of


def gas_prospects(configuration: Configuration) -> Iterator[str]:
    """One sentence for each vehicle, and one for the room; runs like the plan's thirstiest, by the least it takes."""
    subject = Subject.of(configuration)
    for name, vehicle in configuration.vehicles.items():
        needs = [least_gas(subject, index, name) for index in range(len(configuration.plan.runs))]
        gas, per_run, whole = vehicle.gas, max(needs), sum(needs)
        told = outlook(vehicle, configuration.place, gas.start_mass(), gas.temperature, per_run)
        yield f"{name}: {1e3 * gas.start_mass():.1f} g of {gas.kind.replace('_', ' ')}, {told}"
        if gas.kind == "carbon_dioxide" and whole < gas.start_mass():
            end = cooled_to(gas, gas.start_mass(), gas.temperature, whole)
            yield (
                f"{name}: the {1e3 * whole:.1f} g that the plan takes at least cool its tank to {end:.0f} K; at "
                f"{gas.warning_temperature:g} K there is a warning, and solid forms at 216.6 K"
            )
    air = RoomAir.of(configuration.room)
    supplies = [vehicle.gas for vehicle in configuration.vehicles.values()]
    air.advance(0.0, sum(room_volume_of(gas.kind, gas.start_mass()) for gas in supplies))
    limit = configuration.plan.gas_limit_ppm
    limited = "no limit is given" if limit is None else f"the plan's limit is {limit:g} ppm"
    yield f"all of it at once would be {air.ppm:.0f} ppm of the room's air, displacing oxygen; {limited}"
