"""Quiet windows that leave a vehicle's valves no time at all."""

from __future__ import annotations

from collections.abc import Iterator

from testbed.description.errors import Problem
from testbed.flight.modulation import share_lost, windows_of
from testbed.plan.configuration import Configuration


def check(configuration: Configuration) -> Iterator[Problem]:
    """Refuse them where a chirp can arrive at any time."""
    for name, share in quiet_shares(configuration):
        if share > 1.0 - 1e-9:
            source = configuration.sources[f"vehicles.{name}"]
            allowed = "false, or beacons with longer slots: with these a chirp can arrive at any time"
            yield source.problem(("thrusters", "quiet_windows"), True, allowed)


def sentences(configuration: Configuration) -> Iterator[str]:
    """What they cost, a sentence for each vehicle that asked for them."""
    for name, share in quiet_shares(configuration):
        yield f"{name}: quiet windows around chirps take {100.0 * share:.0f} % of its valves' time"


def quiet_shares(configuration: Configuration) -> Iterator[tuple[str, float]]:
    """Name of each vehicle with quiet windows, and the share of the time in which it cannot open a valve."""
    for name, vehicle in configuration.vehicles.items():
        if vehicle.thrusters.quiet_windows:
            yield name, share_lost(windows_of(vehicle, configuration.beacons, configuration.room), vehicle)
