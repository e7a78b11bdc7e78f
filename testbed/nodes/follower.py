"""How a node keeps step: work once per tick, when everything that is due has arrived, whatever the order of arrival.

The same code serves lockstep and wall time. In lockstep a follower waits for every input due at the tick, works,
publishes, and reports the tick on `/clock/done`; a tick that is asked for again is answered with the same messages.
On wall time it works with what has arrived.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, Final

from rclpy.node import Node
from rclpy.publisher import Publisher

from testbed.nodes.contract import Contract
from testbed.nodes.wire import Encoder

ASIDE_SECONDS: Final = 0.005
"""Half a tick: until then the answer to a tick has gone its way to the valves."""

Inbox = dict[int, Any]
"""What has arrived on one topic, by stamp (ns)."""

Needed = Iterable[tuple[Inbox, int]]
"""Inbox and stamp of each input that must be in."""


class Slots:
    """Tells which inputs start work: the first one in each period, and that same one again."""

    def __init__(self, period: int) -> None:
        self._period = period
        self._slot = -1
        self._first = -1

    def starts(self, stamp: int) -> bool:
        """Whether an input of this stamp (ns) starts work."""
        slot = stamp // self._period
        if slot > self._slot:
            self._slot, self._first = slot, stamp
        return stamp == self._first


class Follower:
    """One node's place in the order of a tick.

    needed: for a tick, the inputs to wait for in lockstep. work: does the tick; publishes through `publish`, and
    through `aside` what no other follower works with.
    """

    def __init__(
        self, node: Node, contract: Contract, needed: Callable[[int], Needed], work: Callable[[int], None]
    ) -> None:
        self._contract = contract
        self._lockstep = contract.lockstep
        self._needed = needed
        self._work = work
        self._pending: int | None = None
        self._finished = 0
        self._sent: list[tuple[Publisher, Any]] = []
        self._done = contract.publisher("/clock/done") if contract.lockstep else None
        self._done_form = Encoder("/clock/done", node.get_fully_qualified_name())
        self._waiting: list[Callable[[], None]] = []
        self._aside = node.create_timer(ASIDE_SECONDS, self._send_waiting)
        self._aside.cancel()

    def begin(self, stamp: int) -> None:
        """The input that starts this tick has arrived (again)."""
        if stamp == self._finished and self._lockstep:
            for publisher, message in self._sent:
                publisher.publish(message)
            self._report()
        elif stamp > self._finished:
            self._pending = stamp
            self.poll()

    def poll(self) -> None:
        """Work if a tick is waiting and all its inputs are in; called after every arrival."""
        stamp = self._pending
        if stamp is None or (self._lockstep and not self._ready(stamp)):
            return
        self._pending = None
        self._sent.clear()
        self._work(stamp)
        self._finished = stamp
        self._report()

    def publish(self, publisher: Publisher, message: Any) -> None:
        """Publish, and in lockstep remember the message in case the tick is asked for again."""
        publisher.publish(message)
        if self._lockstep:
            self._sent.append((publisher, message))

    def aside(self, send: Callable[[], None]) -> None:
        """Send something now in lockstep; on wall time a moment later, so that it does not hold up the loop."""
        if self._lockstep:
            send()
            return
        self._waiting.append(send)
        self._aside.reset()

    def _send_waiting(self) -> None:
        self._aside.cancel()
        waiting, self._waiting = self._waiting, []
        for send in waiting:
            send()

    def _ready(self, stamp: int) -> bool:
        """Whether everything due is in, and at the first tick also whether everybody hears."""
        if any(due not in inbox for inbox, due in self._needed(stamp)):
            return False
        return self._finished > 0 or self._contract.connected()

    def _report(self) -> None:
        if self._done is not None:
            self._done.publish(self._done_form.encode(self._finished))


def forget_before(inbox: Inbox, stamp: int) -> None:
    """Drop what is older than a stamp."""
    for old in [key for key in inbox if key < stamp]:
        del inbox[old]
