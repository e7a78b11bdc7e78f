"""Valves that do what schedules say, late as drawn, or that are stuck, and report it: each edge, and at each tick."""

from __future__ import annotations

import numpy as np

from testbed.description.messages import TICK_NS, VALVES

NEVER = 1 << 62


class ReportedValves:
    """`late`: (opening, closing) ns after the command; `stuck`: by valve, since when (ns) it is `stuck_to` 1 or 0."""

    def __init__(self, count, late, start):
        self.count, self.late, self.now = count, late, start
        self.stuck_since, self.stuck_to = np.full(count, NEVER), np.zeros(count, int)
        self.told = [(start, np.zeros(count, int))]

    def accept(self, schedule):
        """From its stamp on a schedule replaces what is left of those before."""
        stamp, count = int(schedule["stamp"]), int(schedule["count"])
        self.told = [one for one in self.told if one[0] < stamp]
        for point in range(count):
            self.told.append(
                (stamp + int(schedule["offset"][point]), schedule["open"][point, : self.count].astype(int))
            )

    def edges(self):
        """When which valve opened or closed, oldest first: (stamp, valve, open)."""
        found = []
        for valve in range(self.count):
            since, own = int(self.stuck_since[valve]), []
            for stamp, is_open in self.commands(valve):
                at = stamp + self.late[0 if is_open else 1]
                while own and own[-1][0] >= at:  # a command that takes effect earlier makes up for one before it
                    own.pop()
                if (own[-1][2] if own else 0) != is_open:
                    own.append((at, valve, is_open))
            found += [one for one in own if one[0] < since]
            if since < NEVER:
                found.append((since, valve, int(self.stuck_to[valve])))
        return sorted(found)

    def commands(self, valve):
        """When the valve was told to open or close, (stamp, open)."""
        is_open = 0
        for stamp, states in self.told:
            if states[valve] != is_open:
                is_open = int(states[valve])
                yield stamp, is_open

    def reports(self, until):
        """Reports (messages.VALVES) of the time after the last call up to `until`."""
        stamps = {at for at, _, _ in self.edges() if self.now < at <= until}
        stamps |= set(range((self.now // TICK_NS + 1) * TICK_NS, until + 1, TICK_NS))
        edges, self.now = self.edges(), until
        for stamp in sorted(stamps):
            report = np.zeros(1, VALVES)
            report["stamp"] = stamp
            for at, valve, is_open in edges:
                if at <= stamp:
                    report[0]["open"][valve] = is_open
            yield report
