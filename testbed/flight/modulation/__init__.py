"""Pulse modulation: valve duties in, a schedule of pulses out."""

from testbed.flight.modulation.modulation import Modulation
from testbed.flight.modulation.quiet import Windows, share_lost, windows_of

__all__ = ["Modulation", "Windows", "share_lost", "windows_of"]
