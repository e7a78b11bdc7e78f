"""What vehicles tell each other, through an emulated radio: rate, latency with jitter, loss.

Every sender tells its odometry to all others at each period. To each receiver a packet is lost, or arrives after the
shortest latency and an exponentially distributed delay (mean and standard deviation: jitter). A receiver has the newest
packet that has come through, whatever overtook what. A packet that would take longer than PACKETS periods is lost.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description import messages
from testbed.description.messages import NS_PER_S
from testbed.description.noise import RadioNoise

PACKETS: Final = 32
"""Packets of a sender that can be on their way at a time."""
NEVER: Final = np.iinfo(np.int64).max

PARAMETERS: Final = np.dtype(
    [("period", "i8"), ("latency", "f8"), ("jitter", "f8"), ("loss", "f8")],
    align=True,
)
"""period ns; latency and jitter ns; loss: share of packets."""

SENDER: Final = np.dtype([("count", "i8"), ("packet", messages.ODOMETRY, (PACKETS,))], align=True)
"""How many packets have been sent, and the last ones, packet n at n % PACKETS."""

LINK: Final = np.dtype([("arrival", "i8", (PACKETS,)), ("heard", messages.ODOMETRY)], align=True)
"""From one sender to one receiver: when each packet arrives, ns, and the newest heard, stamp 0 before any."""


class Radio:
    """The radio of a session's vehicles: `senders` (n,), `links` (receiver, sender); both are its whole state."""

    def __init__(self, noise: RadioNoise, vehicles: int) -> None:
        self.vehicles = vehicles
        self.parameters = np.zeros(1, PARAMETERS)
        p = self.parameters[0]
        p["period"], p["loss"] = noise.period_ns, noise.loss
        p["latency"], p["jitter"] = noise.latency * NS_PER_S, noise.jitter * NS_PER_S
        self.senders = np.zeros(vehicles, SENDER)
        self.links = np.zeros((vehicles, vehicles), LINK)

    @property
    def on(self) -> bool:
        """Whether there is anybody to talk to."""
        return self.vehicles > 1

    @property
    def period(self) -> int:
        """Time from one packet of a sender to the next, ns."""
        return int(self.parameters[0]["period"])

    def send(self, stamp: int, odometry: NDArray[np.void], uniforms: NDArray[np.float64]) -> None:
        """Let everybody tell its odometry, messages.ODOMETRY (n,); uniforms in [0, 1), (n, n, RADIO_UNIFORMS)."""
        send(self.parameters, self.senders, self.links, stamp, odometry, uniforms)

    def hear(self, stamp: int) -> NDArray[np.void]:
        """What each receiver has of each sender, messages.ODOMETRY (receiver, sender); stamp 0: nothing yet."""
        heard = np.zeros((self.vehicles, self.vehicles), messages.ODOMETRY)
        hear(self.senders, self.links, stamp, heard)
        return heard


@njit(cache=True)
def send(p: Any, senders: Any, links: Any, stamp: int, odometry: Any, uniforms: Any) -> None:
    """See Radio.send; p of shape (1,)."""
    for s in range(len(senders)):
        row = senders[s].count % PACKETS
        senders[s].packet[row] = odometry[s]
        for r in range(len(senders)):
            lost = uniforms[r, s, 0] < p[0].loss
            delay = p[0].latency - p[0].jitter * math.log1p(-uniforms[r, s, 1])
            links[r, s].arrival[row] = NEVER if lost else stamp + round(delay)
        senders[s].count += 1


@njit(cache=True)
def hear(senders: Any, links: Any, stamp: int, heard: Any) -> None:
    """See Radio.hear: looks from the newest packet back, until one has come through or is what was heard last."""
    for r in range(len(senders)):
        for s in range(len(senders)):
            if r == s:
                continue
            for back in range(min(senders[s].count, PACKETS)):
                row = (senders[s].count - 1 - back) % PACKETS
                if senders[s].packet[row].stamp <= links[r, s].heard.stamp:
                    break
                if links[r, s].arrival[row] <= stamp:
                    links[r, s].heard = senders[s].packet[row]
                    break
            heard[r, s] = links[r, s].heard
