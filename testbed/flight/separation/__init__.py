"""The safety filter."""

from testbed.flight.separation.memory import MAX_PARTNERS, PERMIT, Partner
from testbed.flight.separation.separation_filter import SafetyFilter
from testbed.flight.separation.worry import CANNOT_GUARANTEE, Action, Worry

__all__ = ["CANNOT_GUARANTEE", "MAX_PARTNERS", "PERMIT", "Action", "Partner", "SafetyFilter", "Worry"]
