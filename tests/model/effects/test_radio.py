"""Latency and loss of the radio, each alone, against their closed forms."""

import math

import numpy as np
import pytest
from scipy.stats import binomtest, kstest

from testbed.description.effects import Effect
from testbed.description.messages import NS_PER_S, ODOMETRY
from testbed.description.noise import Noise, RadioNoise
from testbed.model.draws import Draws
from testbed.model.radio import Radio
from tests.model.effects.alone import world_with

LATENCY, JITTER, LOSS = 0.02, 0.01, 0.1
PACKETS = 4000
FINEST = 200_000
"""Step in which delays are looked at, ns."""


def radio_with(*effects):
    noise = Noise(name="radio", radio=RadioNoise(rate=1, latency=LATENCY, jitter=JITTER, loss=LOSS))
    return Radio(world_with(*effects, noise=noise).noise.radio, 2)


def delays(radio, packets):
    """Delay of each packet from the second to the first, s; infinite where it is lost."""
    draws, found = Draws(11, 0, 2), np.full(packets, math.inf)
    odometry = np.zeros(2, ODOMETRY)
    for number in range(packets):
        stamp = (1 + number) * NS_PER_S
        odometry["stamp"] = stamp
        radio.send(stamp, odometry, draws.radio(1)[0])
        low, high = 0, 500_000_000 // FINEST  # half a second: more than any packet takes
        if int(radio.links[0, 1]["arrival"][number % 32]) > stamp + high * FINEST:
            continue
        while low < high:  # bisection, for what was once heard stays heard: on a copy
            middle = (low + high) // 2
            if arrived(radio, stamp + middle * FINEST, stamp):
                high = middle
            else:
                low = middle + 1
        found[number] = low * FINEST / NS_PER_S
    return found


def arrived(radio, at, stamp):
    """Whether the packet of this stamp has been heard at a time; the radio stays as it is."""
    kept = radio.links.copy()
    heard = int(radio.hear(at)["stamp"][0, 1])
    radio.links[:] = kept
    return heard == stamp


def latency_is_a_shortest_time_and_an_exponential():
    found = delays(radio_with(Effect.RADIO_LATENCY), 1000)
    assert np.isfinite(found).all(), "no loss"
    assert found.min() >= LATENCY
    assert kstest(found - LATENCY, "expon", args=(0.0, JITTER)).pvalue > 1e-3
    assert found.mean() == pytest.approx(LATENCY + JITTER, abs=4.0 * JITTER / math.sqrt(len(found)))


def loss_takes_its_share_of_packets_each_by_itself():
    radio, draws = radio_with(Effect.RADIO_LOSS), Draws(12, 0, 2)
    odometry, got = np.zeros(2, ODOMETRY), np.zeros(PACKETS, bool)
    for number in range(PACKETS):
        stamp = (1 + number) * NS_PER_S
        odometry["stamp"] = stamp
        radio.send(stamp, odometry, draws.radio(1)[0])
        got[number] = radio.hear(stamp)["stamp"][0, 1] == stamp  # at once: there is no latency
    lost = int((~got).sum())
    assert binomtest(lost, PACKETS, LOSS).pvalue > 1e-3
    both = int((~got[1:] & ~got[:-1]).sum())  # of independent losses, the square of the share
    assert binomtest(both, PACKETS - 1, LOSS**2).pvalue > 1e-3


CASES = {
    Effect.RADIO_LATENCY: latency_is_a_shortest_time_and_an_exponential,
    Effect.RADIO_LOSS: loss_takes_its_share_of_packets_each_by_itself,
}


@pytest.mark.parametrize("effect", CASES)
def test_alone_it_has_the_size_of_its_closed_form(effect):
    CASES[effect]()


def test_in_the_ideal_world_everything_is_heard_at_once():
    radio, odometry = radio_with(), np.zeros(2, ODOMETRY)
    for number in range(50):
        stamp = (1 + number) * NS_PER_S
        odometry["stamp"] = stamp
        radio.send(stamp, odometry, Draws(1, 0, 2).radio(1)[0])
        assert radio.hear(stamp)["stamp"][0, 1] == stamp
