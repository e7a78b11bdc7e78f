"""How many messages a second the recorder takes without loss."""

from testbed.bench.recorder.measure import recorder_rate

__all__ = ["recorder_rate"]
