"""Released gas in the air of a room."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbed.plan.room_air import RoomAir, room_volume_of
from tests.model.scene import CABIN, FLAT


def test_half_a_kilogram_of_carbon_dioxide_in_sixty_cubic_metres():
    """By hand: 0.5 kg / 44.01 g/mol · 8.314 · 293.15 K / 101325 Pa = 0.273 m³, 4,555 ppm."""
    assert room_volume_of("carbon_dioxide", 0.5) == pytest.approx(0.2733, rel=1e-3)
    air = RoomAir(60.0, 0.0)
    air.advance(1.0, room_volume_of("carbon_dioxide", 0.5))
    assert air.ppm == pytest.approx(4555.0, rel=1e-3)


def test_a_steady_flow_approaches_flow_over_exchange_exponentially():
    air = RoomAir(50.0, 2.0 / 3600.0)
    for minute in range(1, 61):
        air.advance(60.0, 0.012)
        expected = 1e6 * 0.0002 / (50.0 * 2.0 / 3600.0) * -math.expm1(-2.0 * minute / 60.0)
        assert air.ppm == pytest.approx(expected, rel=1e-12)


def test_without_a_source_the_room_clears_exponentially():
    air = RoomAir(50.0, 1.0 / 600.0)
    air.advance(0.0, 0.05)
    assert air.ppm == pytest.approx(1000.0)
    air.advance(1200.0, 0.0)
    assert air.ppm == pytest.approx(1000.0 * math.exp(-2.0), rel=1e-12)


@given(st.floats(0.0, 0.1), st.floats(1.0, 1e4), st.integers(1, 50), st.floats(0.0, 1.0))
def test_how_finely_time_is_cut_makes_no_difference(renewal, seconds, pieces, released):
    whole, cut = RoomAir(60.0, renewal), RoomAir(60.0, renewal)
    whole.advance(seconds, released)
    for _ in range(pieces):
        cut.advance(seconds / pieces, released / pieces)
    assert cut.ppm == pytest.approx(whole.ppm, rel=1e-9, abs=1e-9)


def test_rooms_state_their_air():
    table = RoomAir.of(FLAT.model_copy(update={"room_volume": 90.0, "air_changes_per_hour": 4.0}))
    assert (table.volume, table.renewal) == (90.0, pytest.approx(4.0 / 3600.0))
    cabin = RoomAir.of(CABIN)
    assert cabin.volume == pytest.approx(30.0)
    assert cabin.renewal == pytest.approx(CABIN.ventilation.exchange / 30.0)
