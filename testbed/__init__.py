"""A testbed for small free-flying vehicles: the same guidance, estimator and thruster code on every plant.

Importing this package fixes, before numba and numpy are loaded, where compiled kernels are kept and that each process
computes in one thread, so that results do not depend on the machine's number of cores.
"""

from testbed.kernels import prepare_environment

__version__ = "0.1.0"

prepare_environment()
