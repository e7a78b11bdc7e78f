"""Moves by time and by gas, large turns, tracks and drifting holds, on vehicles, layouts and worlds that are drawn."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.description.effects import Effect
from testbed.description.maneuver import Phase
from testbed.description.messages import NS_PER_S
from tests.drawn.flights import drawn_flight

FIRST_SEED = 10_000
STARTS = {"table": {"x": -0.3, "y": 0.1}, "cabin": {"x": -0.3, "y": 0.1, "z": 0.0}}
LADDER = ((0.005, 0.5), (0.01, 1.0), (0.02, 2.0), (0.04, 4.0), (0.08, 8.0))


SETTLED, LASTING, HELD = 220.0, 1020.0, 5
"""Holds are looked at from SETTLED s, when the way that they came with is gone, to LASTING s; HELD vehicles each."""
LEVEL = (Effect.TILT, Effect.FLATNESS)


def rates_and_opposed(place, deadband, off=()):
    """Mean gas of holds, mg/s; opposed pulses in them, asked for and of the valves."""
    rates, asked, given = [], 0, 0
    maneuver = {"kind": "hold", "duration": LASTING}
    if deadband is not None:
        maneuver |= {"deadband": deadband[0], "deadband_deg": deadband[1]}
    for seed in range(FIRST_SEED, FIRST_SEED + HELD):
        flight = drawn_flight(place, [maneuver], STARTS[place], seed, off)
        hold = flight.given("hold")
        begin, end = (hold.start + round(time * NS_PER_S) for time in (SETTLED, LASTING))
        rates.append(1e6 * flight.gas(begin, end) / (LASTING - SETTLED))
        asked += flight.opposed_wrenches(begin, end)
        given += flight.opposed(begin, end)
    return float(np.mean(rates)), asked, given


def climb_ladder(figure, where, place, off=()):
    """Gas without a deadband, mg/s, and with each of the ladder, shape (5,); none may come with opposed pulses."""
    none, _, _ = rates_and_opposed(place, None, off)
    rates, asked, given = zip(*(rates_and_opposed(place, band, off) for band in LADDER), strict=True)
    told = ", ".join(f"{1e3 * band[0]:g} mm: {rate:.2f}" for band, rate in zip(LADDER, rates, strict=True))
    figure(f"gas of a hold by its deadband, {where}, mean of {HELD} vehicles, mg/s", f"none: {none:.2f}, {told}")
    figure(
        f"opposed pulses within 1 s in these holds, {where}",
        f"{sum(asked)} asked for, {sum(given)} of the valves, in {HELD * len(LADDER)} holds of {LASTING - SETTLED:g} s",
    )
    assert sum(asked) == sum(given) == 0
    return none, np.array(rates)


@pytest.mark.parametrize(("where", "place", "off"), [("level table", "table", LEVEL), ("cabin", "cabin", ())])
def test_gas_falls_as_the_deadband_grows_without_opposed_pulses(where, place, off, figure):
    none, rates = climb_ladder(figure, where, place, off)
    assert np.all(np.diff(rates) < 0.0)
    assert rates[-1] < none


def test_on_a_slope_any_deadband_costs_what_the_slope_pulls(figure):
    """No deadband can save there: what the slope gives has to be given back. Nor may it cost much."""
    none, rates = climb_ladder(figure, "sloping table", "table")
    assert np.all(rates < 1.05 * none)


@pytest.mark.parametrize("place", ["table", "cabin"])
def test_moves_arrive_in_time_and_within_their_gas(place, figure):
    seeds, late, off, over, settled = 20, [], [], [], []
    for seed in range(FIRST_SEED, FIRST_SEED + seeds):
        by_time = drawn_flight(
            place, [{"kind": "translate", "x": 0.3, "y": 0.2, "duration": 35.0}], STARTS[place], seed
        )
        given = by_time.given("translate")
        end = by_time.phase_begins(given, Phase.SETTLING)
        late.append((end - given.start) / NS_PER_S - 35.0)
        at = by_time.truth[np.searchsorted(by_time.truth["stamp"], given.start + 35 * NS_PER_S)]
        off.append(float(np.linalg.norm(at["position"] - given.position)))
        gas = 4.0 if place == "table" else 2.0
        frugal = drawn_flight(place, [{"kind": "translate", "x": 0.3, "y": 0.2, "gas_g": gas}], STARTS[place], seed)
        given = frugal.given("translate")
        over.append(1e3 * frugal.gas(given.start, frugal.phase_begins(given, Phase.SETTLING)) / gas)
        settled.append(1e3 * frugal.gas(given.start, frugal.phase_begins(given, Phase.HOLDING)) / gas)
        assert settled[-1] > 0.0, f"seed {seed} never settles"
    figure(f"move of 35 s, {place}, {seeds} vehicles: profile over at, s", f"{min(late):+.2f} to {max(late):+.2f}")
    figure(f"move of 35 s, {place}: from the goal at that time", f"{1e3 * max(off):.0f} mm at worst")
    figure(
        f"move by gas, {place}: spent on the way, share of what was given",
        f"{min(over):.2f} to {max(over):.2f}; until settled, slopes and all, up to {max(settled):.2f}, more than was"
        f" given in {sum(one > 1.0 for one in settled)} of {seeds}",
    )
    assert max(np.abs(late)) < 0.07
    assert max(off) < 0.03
    assert max(over) <= 1.0


def test_large_turns_about_drawn_axes(figure):
    seeds, worst, end = 20, 0.0, 0.0
    for seed in range(FIRST_SEED, FIRST_SEED + seeds):
        goal = Rotation.random(random_state=np.random.default_rng([seed, 1]))
        roll, pitch, yaw = (float(angle) for angle in goal.as_euler("xyz", degrees=True))
        steps = [
            {"kind": "rotate", "attitude_deg": [roll, pitch, yaw], "rate_limit_deg": 10.0},
            {"kind": "hold", "duration": 5.0},
        ]
        flight = drawn_flight("cabin", steps, STARTS["cabin"], seed)
        given = flight.given("rotate")
        rows = flight.status[flight.status["number"] == given.number]
        worst = max(worst, float(rows["attitude_error"].max()))
        last = Rotation.from_quat(flight.truth[-1]["orientation"])
        end = max(end, float((last.inv() * Rotation.from_quat(given.orientation)).magnitude()))
    figure(f"large turns about drawn axes, {seeds} vehicles: off the reference at most", f"{np.degrees(worst):.1f}°")
    figure("the same, true attitude from the goal at the end", f"{np.degrees(end):.1f}°")
    assert worst < np.radians(4.0)
    assert end < np.radians(2.0)


@pytest.mark.parametrize("place", ["table", "cabin"])
def test_a_moving_reference_is_tracked_while_it_accelerates(place, figure):
    seeds, worst = 20, 0.0
    angles = np.linspace(0.0, 2.0 * np.pi, 9)
    points = [
        {"time": 9.0 * k, "x": -0.3 + 0.3 * float(np.sin(a)), "y": 0.4 - 0.3 * float(np.cos(a))}
        for k, a in enumerate(angles)
    ]
    for seed in range(FIRST_SEED, FIRST_SEED + seeds):
        flight = drawn_flight(place, [{"kind": "track", "waypoints": points}], STARTS[place], seed)
        given = flight.given("track")
        rows = flight.status[(flight.status["number"] == given.number) & (flight.status["phase"] == Phase.MOVING)]
        worst = max(worst, float(rows["position_error"].max()))
    figure(f"circle of 0.3 m in 72 s, {place}, {seeds} vehicles: off the reference at most", f"{1e3 * worst:.0f} mm")
    assert worst < 0.05
