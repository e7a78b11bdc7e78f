"""Measurements of speed, each beside its peer in the same run: `testbed bench`."""

from testbed.bench.figure import Figure

__all__ = ["Figure"]
