"""The driver's pulses over 10,000 drawn layouts, supplies and wrenches, 100 periods each."""

import numpy as np

from tests.flight.test_drawn_drivers import drive_layouts

FIRST_SEED = 10_000
LAYOUTS, PLANT_EVERY = 10_000, 20


def test_impulse_and_gas_of_constant_wrenches(figure):
    found = drive_layouts(FIRST_SEED, LAYOUTS, PLANT_EVERY)
    error, beyond = np.array(found.error), np.array(found.beyond)
    figure(
        f"driver, {len(error):,} layouts, 100 periods: error of the impulse, mean / worst of the largest valve's",
        f"{error.mean():.2f} / {error.max():.2f} bits",
    )
    figure(
        "driver, the same: gas beyond 1.01 times the least, worst, in bits per valve",
        f"{beyond.max():.2f} (allowed: 1)",
    )
    figure(
        f"driver, {len(found.booked)} of these in the plant: its impulse less the believed, worst valve in 100 periods",
        f"{1e3 * max(found.booked):.2f} ms of thrust",
    )
    figure(
        f"driver, {len(found.limited_error)} of these as far as the sagging supply goes: counted with all",
        f"error {max(found.limited_error):.2f} bits, gas {max(found.limited_beyond):.2f} bits per valve at worst",
    )
    figure(
        f"driver, {len(found.direction)} more, beyond what any pulses give under sag: error of the direction, worst",
        f"{max(found.direction):.2f} bits (allowed: 1)",
    )
    figure(
        "driver, the same: from the multiple that is the projection, instead of the nearest",
        f"{max(found.projected):.2f} bits (not bounded)",
    )
    figure(
        "driver, the same: share given over a bound on what any pulses give, least",
        f"{min(found.reached):.3f} (not bounded)",
    )
    assert len(error) + len(found.direction) == LAYOUTS
    assert error.max() <= 1.0
    assert beyond.max() <= 1.0
    assert max(found.direction) <= 1.0
