"""Parts that are a user's own Python classes, named in the vehicle file under `own`.

protocols.py says what such a class must have; loading.py imports it; guidance.py and estimator.py stand between it and
the rest, so that nothing downstream can tell it from ours, and a mistake in it ends as one `OwnPartError`.
"""

from testbed.flight.own.errors import OwnPartError
from testbed.flight.own.estimator import OwnEstimator
from testbed.flight.own.guidance import OwnGuidance
from testbed.flight.own.loading import load_class
from testbed.flight.own.protocols import EstimatorLike, GuidanceLike

__all__ = ["EstimatorLike", "GuidanceLike", "OwnEstimator", "OwnGuidance", "OwnPartError", "load_class"]
