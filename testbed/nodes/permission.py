"""Permission to fire: valves open only while the holder is active, not stopped, and the session's state is fresh.

Every holder of valves keeps one of these for itself. It starts stopped and inactive. Pure: times come in.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

FRESH_NS: Final = 250_000_000
"""Oldest `/plan/state` that still permits, ns."""


@dataclass
class Permission:
    """What one holder of valves knows about its permission.

    latched_at: system time ns of the newest stop (the start of the holder counts as one). `state_at` and `now` are on
    one clock of the caller's choice: monotonic on wall time, emulated time in lockstep.
    """

    latched_at: int
    active: bool = False
    stopped: bool = True
    permit: bool = False
    state_at: int | None = None

    def stop(self, system_time: int) -> None:
        """Latch a stop; only a release newer than it clears the latch, and opening then needs a new activation."""
        self.stopped, self.active = True, False
        self.latched_at = max(self.latched_at, system_time)

    def release(self, stamp: int) -> bool:
        """Clear the latch if the release is newer than it; true if it was cleared."""
        if self.stopped and stamp > self.latched_at:
            self.stopped = False
            return True
        return False

    def activate(self) -> bool:
        """Activate, unless stopped: after a stop the release comes first. Returns whether it is active now."""
        self.active = not self.stopped
        return self.active

    def deactivate(self) -> None:
        """Nothing opens until the next activation."""
        self.active = False

    def hear_state(self, permit: bool, at: int) -> None:
        """The session's state has arrived, with or without the permission to fire."""
        self.permit, self.state_at = permit, at

    def may_fire(self, now: int) -> bool:
        """Whether valves may be open now."""
        fresh = self.state_at is not None and now - self.state_at <= FRESH_NS
        return self.active and not self.stopped and self.permit and fresh
