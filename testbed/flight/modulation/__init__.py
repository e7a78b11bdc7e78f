"""Pulse modulation: valve duties in, a schedule of pulses out."""

from testbed.flight.modulation.modulation import Modulation

__all__ = ["Modulation"]
