"""Speed of the live graph in lockstep, and whether a tick is lost."""

from testbed.bench.lockstep.measure import lockstep_speed

__all__ = ["lockstep_speed"]
