"""The guard: the last look at a wrench before the valves."""

from testbed.flight.guard.guard import Guard
from testbed.flight.guard.objection import REFUSALS, VERDICT, Action, Objection

__all__ = ["REFUSALS", "VERDICT", "Action", "Guard", "Objection"]
