"""Random streams: the same however they are cut, and independent of each other."""

import numpy as np
import pytest

from testbed.model.draws import Draws, Source

STREAMS = ["imu", "valves", "tracking", "range_normals", "range_uniforms", "radio"]


@pytest.mark.parametrize("stream", STREAMS)
def test_ticks_drawn_one_by_one_equal_ticks_drawn_at_once(stream):
    whole = getattr(Draws(7, 3, 2), stream)(10)
    draws = Draws(7, 3, 2)
    parts = np.concatenate([getattr(draws, stream)(ticks) for ticks in (1, 1, 3, 5)])
    assert np.array_equal(whole, parts)


@pytest.mark.parametrize("stream", STREAMS)
def test_what_one_stream_gives_does_not_depend_on_the_others(stream):
    draws = Draws(7, 3, 2)
    for other in STREAMS:
        if other != stream:
            getattr(draws, other)(17)
    assert np.array_equal(getattr(draws, stream)(5), getattr(Draws(7, 3, 2), stream)(5))


def test_seed_run_and_source_each_give_another_stream():
    first = [Draws(seed, run, 1).imu(1)[0, 0, 0] for seed in (0, 1) for run in (0, 1)]
    assert len(set(first)) == 4
    draws = Draws(1, 1, 1)
    assert len({draws.generator(source).random() for source in Source}) == len(Source)


def test_a_stream_is_the_documented_seed_sequence():
    expected = np.random.default_rng(np.random.SeedSequence(5, spawn_key=(2, int(Source.SURVEY)))).random(3)
    assert np.array_equal(Draws(5, 2, 1).generator(Source.SURVEY).random(3), expected)


def test_tracking_without_errors_takes_no_numbers():
    assert not Draws(1, 0, 2, tracked=False).tracking(3).any()
    assert Draws(1, 0, 2, tracked=True).tracking(3).shape == Draws(1, 0, 2, tracked=False).tracking(3).shape
