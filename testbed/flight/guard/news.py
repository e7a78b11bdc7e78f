"""From verdicts on single wrenches to news: an objection begins, grows, and is over once it has stayed away."""

from __future__ import annotations

from typing import Any, Final

from numba import njit

OVER_AFTER_NS: Final = 500_000_000
"""How long nothing must offend for an objection to be over, so that one that comes and goes is told once."""


@njit(cache=True)
def gather(s: Any, stamp: int) -> None:
    """Fill `news` from the objections to the wrench of this stamp: in `now` an action for each kind but the first."""
    s.news_count = 0
    for objection in range(1, len(s.now)):
        action = s.now[objection]
        if action > 0:
            if s.since[objection] == 0:
                s.since[objection] = stamp
            s.last[objection] = stamp
            if action > s.told[objection]:
                s.told[objection] = action
                tell(s, stamp, objection, action, False)
        elif s.since[objection] > 0 and not 0 <= stamp - s.last[objection] < OVER_AFTER_NS:
            tell(s, stamp, objection, s.told[objection], True)
            s.since[objection] = s.last[objection] = s.told[objection] = 0


@njit(cache=True)
def tell(s: Any, stamp: int, objection: int, action: int, over: bool) -> None:
    """Add one verdict to the news."""
    one = s.news[s.news_count]
    one.stamp, one.objection, one.action, one.over = stamp, objection, action, over
    one.lasted = s.last[objection] - s.since[objection] if over else 0
    for k in range(6):
        one.asked[k] = s.asked[k]
    s.news_count += 1
