"""Which faults of a run are in force as a try goes on."""

from __future__ import annotations

from collections.abc import Sequence

from testbed.description.faults import Fault, in_words
from testbed.description.messages import NS_PER_S
from testbed.plan.progress import NEVER


class FaultTimes:
    """Faults begin while a try runs, end at their `until`, and are all over when the next try begins.

    `in_force` are indices into the faults of the run; `begun` are all that have begun in the try, in words.
    """

    def __init__(self) -> None:
        self.in_force: tuple[int, ...] = ()
        self.begun: tuple[str, ...] = ()
        self._faults: Sequence[Fault] = ()
        self._over: set[int] = set()
        self._start = 0

    def begin(self, faults: Sequence[Fault], start: int) -> None:
        """A try begins to run at this stamp (ns)."""
        self.in_force, self.begun = (), ()
        self._over.clear()
        self._faults, self._start = faults, start

    def step(self, stamp: int, running: bool, live: Sequence[str] = ()) -> list[tuple[str, Fault]]:
        """Bring `in_force` up to date; returns what changed: "fault_began" or "fault_over" and the fault.

        live: what else is broken, as someone wants it, in words; it is remembered as begun.
        """
        if running:
            self.begun += tuple(f"{text}, live" for text in live if f"{text}, live" not in self.begun)
        now = [index for index in range(len(self._faults)) if self._is_in_force(index, stamp, running)]
        return self._change(tuple(now))

    @property
    def next_change(self) -> int:
        """Stamp ns at which a fault of a try that goes on begins or is over next; NEVER if none does."""
        return min((self._change_of(index) for index in range(len(self._faults))), default=NEVER)

    def _change_of(self, index: int) -> int:
        fault = self._faults[index]
        at = fault.until if index in self.in_force else fault.at
        return NEVER if index in self._over or at is None else self._start + round(at * NS_PER_S)

    def end(self) -> list[tuple[str, Fault]]:
        """Everything is whole again, as the next try is about to begin."""
        changes = self._change(())
        self._faults = self.begun = ()
        return changes

    def _is_in_force(self, index: int, stamp: int, running: bool) -> bool:
        fault, elapsed = self._faults[index], stamp - self._start
        if index in self._over:
            return False
        if index in self.in_force:  # for one step at least
            return fault.until is None or elapsed < round(fault.until * NS_PER_S)
        return running and elapsed >= round(fault.at * NS_PER_S)

    def _change(self, now: tuple[int, ...]) -> list[tuple[str, Fault]]:
        over = [index for index in self.in_force if index not in now]
        self._over.update(over)
        ended = [("fault_over", self._faults[index]) for index in over]
        began = [("fault_began", self._faults[index]) for index in now if index not in self.in_force]
        self.begun += tuple(in_words(fault) for _, fault in began)
        self.in_force = now
        return ended + began
