"""What comes through the radio, and when."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbed.description.messages import NS_PER_S, ODOMETRY, TICK_NS
from testbed.description.noise import RadioNoise
from testbed.model.radio import PACKETS, Radio

START = NS_PER_S


def told(vehicles, stamp):
    odometry = np.zeros(vehicles, ODOMETRY)
    odometry["stamp"] = stamp
    odometry["position"][:, 0] = np.arange(vehicles)
    odometry["position"][:, 1] = stamp / NS_PER_S
    return odometry


def uniforms(vehicles, fate=0.5, delay=0.0):
    return np.broadcast_to(np.array([fate, delay]), (vehicles, vehicles, 2)).copy()


def test_everybody_hears_everybody_else_after_the_latency_and_never_before():
    radio = Radio(RadioNoise(latency=0.03, jitter=0.0, loss=0.0), 3)
    radio.send(START, told(3, START), uniforms(3))
    assert not radio.hear(START + 3 * TICK_NS - 1)["stamp"].any()
    heard = radio.hear(START + 3 * TICK_NS)
    others = ~np.eye(3, dtype=bool)
    assert (heard["stamp"][others] == START).all()
    assert not heard["stamp"][~others].any(), "nobody hears itself"
    for receiver, sender in np.argwhere(others):
        assert heard[receiver, sender]["position"][0] == sender


def test_a_packet_that_is_overtaken_is_not_heard_any_more():
    radio = Radio(RadioNoise(latency=0.0, jitter=0.05, loss=0.0), 2)
    late, soon = uniforms(2, delay=0.99), uniforms(2, delay=0.0)
    radio.send(START, told(2, START), late)
    radio.send(START + 10 * TICK_NS, told(2, START + 10 * TICK_NS), soon)
    for ticks in (10, 20, 40):
        assert radio.hear(START + ticks * TICK_NS)["stamp"][0, 1] == START + 10 * TICK_NS


def test_what_is_lost_for_one_is_heard_by_another():
    radio = Radio(RadioNoise(latency=0.0, jitter=0.0, loss=0.5), 3)
    fates = uniforms(3, fate=0.9)
    fates[0, 1, 0] = 0.1
    radio.send(START, told(3, START), fates)
    heard = radio.hear(START + TICK_NS)
    assert heard[0, 1]["stamp"] == 0
    assert heard[2, 1]["stamp"] == START


@given(
    seed=st.integers(0, 10_000),
    rate=st.sampled_from([50, 10, 2]),
    jitter=st.floats(0.0, 0.05),
    loss=st.floats(0.0, 0.9),
)
def test_what_is_heard_grows_newer_and_is_the_newest_that_has_arrived(seed, rate, jitter, loss):
    generator = np.random.default_rng(seed)
    noise = RadioNoise(rate=rate, latency=0.02, jitter=jitter, loss=loss)
    radio, arrivals, before = Radio(noise, 2), [], 0
    for tick in range(150):
        stamp = START + tick * TICK_NS
        heard = int(radio.hear(stamp)["stamp"][1, 0])
        arrived = [sent for sent, at in arrivals if at <= stamp]
        assert heard == max(arrived, default=0)
        assert heard >= before
        before = heard
        if stamp % radio.period == 0:
            drawn = generator.random((2, 2, 2))
            radio.send(stamp, told(2, stamp), drawn)
            if drawn[1, 0, 0] >= loss:
                arrivals.append((stamp, stamp + round(NS_PER_S * (0.02 - jitter * np.log1p(-drawn[1, 0, 1])))))


def test_a_packet_that_takes_longer_than_what_is_kept_is_lost():
    radio = Radio(RadioNoise(rate=50, latency=0.2, jitter=0.0, loss=0.0), 2)
    for number in range(PACKETS + 1):
        stamp = START + number * 2 * TICK_NS
        radio.send(stamp, told(2, stamp), uniforms(2))
    assert radio.hear(START + 2 * PACKETS * TICK_NS)["stamp"][0, 1] == START + (2 * PACKETS - 20) * TICK_NS


def test_a_vehicle_alone_has_no_radio():
    assert not Radio(RadioNoise(), 1).on
    assert Radio(RadioNoise(), 2).on


@pytest.mark.parametrize("figures", [{"rate": 7}, {"loss": 1.0}, {"latency": -0.1}, {"jitter": 1.0}])
def test_figures_that_make_no_sense_are_refused(figures):
    with pytest.raises(ValueError, match=next(iter(figures))):
        RadioNoise(**figures)
