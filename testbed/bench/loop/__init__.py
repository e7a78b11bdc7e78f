"""The live loop from a sensor message to the valve schedule, beside bare middleware."""

from testbed.bench.loop.measure import live_loop

__all__ = ["live_loop"]
