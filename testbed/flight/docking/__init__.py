"""Docking: from anywhere around a partner, still or spinning, to its port and away again.

The partner is known through its odometry alone (partner.py). All that is flown near it is planned in its turning axes
(relative.py), so that centripetal and Coriolis shares come into the reference by themselves; guidance's own feedback
follows the reference. The vehicle waits outside (going.py) until a way in fits into its authority, its speed and the
corridor of its permit (entry.py, permit.py), stands off on the port's axis, turning with it, and closes in within a
corridor, the slower the nearer (approach.py). phases.py puts these in order; feasibility.py tells a plan check what
share of the authority it takes.
"""

from testbed.flight.docking.docking import Docking
from testbed.flight.docking.memory import Failure, Phase

__all__ = ["Docking", "Failure", "Phase"]
