"""The radio in the engine's loop: what has come through is given out before all fly, what they estimate is sent after.

nodes/radio.py does the same in the plant node.
"""

from __future__ import annotations

from typing import Any

from numba import njit

from testbed.description.ticks import due
from testbed.model.radio import hear, send
from testbed.rehearsal.counted import counted

counted(due, hear, send)


@njit(cache=True, forceinline=True, _nrt=False)
def sends(wires: Any, stamp: int) -> bool:
    """Whether the radio is due at a tick, ns; never where there is nobody to talk to."""
    return bool(len(wires.senders) > 1 and due(stamp, wires.radio[0].period))


@njit(cache=True, forceinline=True, _nrt=False)
def give_out(wires: Any, tape: Any, stamp: int) -> None:
    """Tell every vehicle, where the radio is due, the newest that has come through of each partner."""
    if not sends(wires, stamp):
        return
    hear(wires.senders, wires.links, stamp, wires.heard)
    for r in range(len(wires.heard)):
        k = 0
        for s in range(len(wires.heard)):
            if s != r:
                wires.partners[r, k] = wires.heard[r, s]
                k += 1
    if tape.told[0]:
        row = tape.heard_count[0]
        for r in range(len(wires.heard)):
            for k in range(len(wires.heard)):
                tape.heard[row, r, k] = wires.heard[r, k]
        tape.heard_at[row] = stamp
        tape.heard_count[0] = row + 1


@njit(cache=True, forceinline=True, _nrt=False)
def take_up(wires: Any, uniforms: Any, stamp: int) -> None:
    """Send what everybody has estimated at this tick, where the radio is due; who is silent sends its last again.

    uniforms: in [0, 1), shape (n, n, RADIO_UNIFORMS).
    """
    if not sends(wires, stamp):
        return
    for v in range(len(wires.sending)):
        if wires.odometry[v].stamp == stamp:
            wires.sending[v] = wires.odometry[v]
    send(wires.radio, wires.senders, wires.links, stamp, wires.sending, uniforms)
