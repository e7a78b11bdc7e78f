"""A thousand adversaries against the guard, on the table and in the cabin."""

import numpy as np
import pytest

from tests.drawn.adversaries import Kind, fly_adversary

FIRST_SEED = 10_000
SECONDS = 30.0


@pytest.mark.parametrize(("place", "estimated", "count"), [
    ("table", False, 400), ("cabin", False, 400), ("table", True, 100), ("cabin", True, 100),
])  # fmt: skip
def test_no_adversary_gets_a_vehicle_beyond_its_limits(place, estimated, count, figure):
    """Drawn vehicles, worlds, limits and wrenches at up to three times the authority, every kind in turn."""
    flown = [
        fly_adversary(place, FIRST_SEED + number, Kind(number % len(Kind)), SECONDS, estimated)
        for number in range(count)
    ]
    kept = sum(one.kept for one in flown)
    who = f"adversaries in the {place}" if place == "cabin" else f"adversaries on the {place}"
    knowing = "the estimate" if estimated else "the truth"
    speed, spin, area = (max(getattr(one, what) for one in flown) for what in ("speed", "spin", "area"))
    worst = (
        f"at worst {1e3 * speed:+.1f} mm/s, {np.degrees(spin):+.2f} degrees/s, {1e3 * area:+.0f} mm beyond a limit"
        f" (margins {1e3 * min(one.speed_margin for one in flown):.1f} mm/s,"
        f" {np.degrees(min(one.spin_margin for one in flown)):.2f} degrees/s,"
        f" {1e3 * min(one.area_margin for one in flown):.0f} mm and more)"
    )
    figure(f"guard, {who}, knowing {knowing}: limits kept", f"{kept} of {count}; {worst}")
    assert all(one.objections for one in flown)
    assert kept == count
