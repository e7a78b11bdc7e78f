"""Who must answer a tick in lockstep, who has, and when to ask again."""

from __future__ import annotations

from testbed.description import ticks
from testbed.description.messages import NS_PER_S, PERIOD_NS
from testbed.plan.configuration import Configuration

REPEAT_NS = 50_000_000
OVERDUE_NS = 2 * NS_PER_S
OVERDUE_FIRST_NS = 120 * NS_PER_S
"""The first tick waits for the operator's start."""

OVERDUE_PLANNING_NS = 30 * NS_PER_S
"""A plan for many vehicles takes a second or so on a quiet machine, and more where none is found at once."""

CONDUCTOR = "/conductor"
FORMATION = "/formation"


class RollCall:
    """The followers of a configuration and the last tick that each has finished."""

    def __init__(self, configuration: Configuration) -> None:
        self._vehicles = list(configuration.vehicles)
        self._modulations = [
            round(vehicle.thrusters.modulation_period * NS_PER_S) for vehicle in configuration.vehicles.values()
        ]
        self._formations = bool(configuration.plan.formations)
        self._finished: dict[str, int] = {}
        self._due: set[str] = set()
        self._stamp = 0
        self._called_at = 0
        self._asked_at = 0

    def call(self, stamp: int, now: int) -> None:
        """A new tick has been published (stamp of the tick, monotonic ns)."""
        self._stamp, self._called_at, self._asked_at = stamp, now, now
        self._due = {f"/{vehicle}/estimator" for vehicle in self._vehicles} if self._odometry_due(stamp) else set()
        if ticks.wrench_due(stamp):
            self._due |= {f"/{vehicle}/guidance" for vehicle in self._vehicles}
        self._due |= {
            f"/{vehicle}/thruster_driver"
            for index, vehicle in enumerate(self._vehicles)
            if self.schedule_due(index, stamp)
        }
        if ticks.due(stamp, PERIOD_NS["/plan/state"]):
            self._due.add(CONDUCTOR)
        if self._formations and ticks.due(stamp, PERIOD_NS["trajectory"]):
            self._due.add(FORMATION)
        self._due = {name for name in self._due if self._finished.get(name, 0) < stamp}

    def answer(self, name: str, stamp: int) -> None:
        """A follower has finished a tick."""
        self._finished[name] = max(self._finished.get(name, 0), stamp)
        if stamp == self._stamp:
            self._due.discard(name)

    def schedule_due(self, index: int, stamp: int) -> bool:
        """Whether the vehicle of that index owes a schedule at this tick."""
        return ticks.schedule_due(stamp, self._modulations[index])

    def complete(self) -> bool:
        """Whether everybody due has answered."""
        return not self._due

    def missing(self) -> set[str]:
        """Who has not answered yet."""
        return set(self._due)

    @property
    def planning(self) -> bool:
        """Whether the formations' planner has not answered yet."""
        return FORMATION in self._due

    def repeat_due(self, now: int) -> bool:
        """Whether to ask again; true at most once per repeat period."""
        if not self._due or now - self._asked_at < REPEAT_NS:
            return False
        self._asked_at = now
        return True

    def overdue(self, now: int, first: bool) -> bool:
        """Whether to give up on the tick."""
        patience = OVERDUE_FIRST_NS if first else OVERDUE_PLANNING_NS if self.planning else OVERDUE_NS
        return bool(self._due) and now - self._called_at > patience

    @staticmethod
    def _odometry_due(stamp: int) -> bool:
        return ticks.due(stamp, PERIOD_NS["odometry"])
