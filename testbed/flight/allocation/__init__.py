"""Control allocation: wrench in, valve duties out."""

from testbed.flight.allocation.allocation import Allocation, Outcome

__all__ = ["Allocation", "Outcome"]
