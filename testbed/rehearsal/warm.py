"""Compiles every kernel once, by flying a short session in the engine and taking each node's calls once."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from testbed.description.locate import locate
from testbed.plan.configuration import load_configuration
from testbed.rehearsal.lockstep import LockstepRehearsal
from testbed.rehearsal.single_calls import call_each_kernel

PLAN: Final = "plans/first-float.yaml"
STEPS: Final = 60
"""Conductor steps: long enough for the estimator to find its pose and guidance to start a maneuver."""


def warm(progress: Callable[[str], None]) -> None:
    """Compile everything that a rehearsal calls, in the engine and node by node."""
    configuration = load_configuration(locate(PLAN))
    progress("the engine")
    rehearsal = LockstepRehearsal(configuration)
    for _ in range(STEPS):
        rehearsal.step()
    progress("the nodes")
    call_each_kernel(configuration)
