"""Plans that pass once must pass for hundreds of draws of everything that is random."""

import numpy as np
import pytest
from scipy.stats import binomtest

from testbed.description.locate import locate
from testbed.plan.configuration import load_configuration
from testbed.rehearsal.lockstep import rehearse_in_engine

FIRST_SEED = 10_000
"""Proofs draw from seeds that nobody tunes on."""


def told(passed: int, of: int) -> str:
    low, high = binomtest(passed, of).proportion_ci(0.95, method="exact")
    return f"{passed} of {of} ({100 * low:.1f} to {100 * high:.1f} %, Clopper-Pearson 95 %)"


@pytest.mark.parametrize(("plan", "seeds", "least"), [("first-float", 300, 0.97), ("demo", 200, 0.95)])
def test_a_plan_passes_whatever_the_noise(plan, seeds, least, figure):
    configuration = load_configuration(locate(f"plans/{plan}.yaml"))
    passed, first, separation = 0, 0, np.inf
    for seed in range(FIRST_SEED, FIRST_SEED + seeds):
        sequence = rehearse_in_engine(configuration.with_seed(seed), None)
        passed += sequence.passed
        first += all(len(run.tries) == 1 and run.passed for run in sequence.results)
        for run in sequence.results:
            for one in run.tries:
                separation = min([separation, *(c.value for c in one.criteria if c.kind == "separation")])
    figure(f"{plan}: session passes", told(passed, seeds))
    figure(f"{plan}: every run at its first try", told(first, seeds))
    if np.isfinite(separation):
        figure(f"{plan}: smallest distance of all sessions", f"{separation:.3f} m")
    assert passed >= least * seeds
