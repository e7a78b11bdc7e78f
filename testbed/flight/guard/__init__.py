"""The guard: the last look at a command before the valves."""

from testbed.flight.guard.guard import Guard, Refusal

__all__ = ["Guard", "Refusal"]
