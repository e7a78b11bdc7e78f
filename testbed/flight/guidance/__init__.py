"""Guidance: maneuvers to wrenches."""

from testbed.flight.guidance.guidance import Guidance

__all__ = ["Guidance"]
