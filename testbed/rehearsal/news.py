"""What the thruster drivers have to tell, kept on the tape."""

from __future__ import annotations

from typing import Any

from numba import njit

from testbed.rehearsal.wiring import CONCERN, FINDING, VERDICT


@njit(cache=True, forceinline=True, _nrt=False)
def keep_news(driver: Any, tape: Any, v: int) -> None:
    """Put what safety filter, guard and the watch on the valves have to tell on the tape."""
    for k in range(driver.separation.news_count):
        row = tape.counts[v, CONCERN]
        tape.concern[v, row] = driver.separation.news[k]
        tape.counts[v, CONCERN] = row + 1
    for k in range(driver.guard.news_count):
        row = tape.counts[v, VERDICT]
        tape.verdict[v, row] = driver.guard.news[k]
        tape.counts[v, VERDICT] = row + 1
    for k in range(driver.watch.news_count):
        row = tape.counts[v, FINDING]
        tape.finding[v, row] = driver.watch.news[k]
        tape.counts[v, FINDING] = row + 1
