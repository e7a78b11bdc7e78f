"""Tests on the live graph compile nothing while something waits: the kernels are made ready first."""

import subprocess
import sys

import pytest


@pytest.fixture(scope="session", autouse=True)
def kernels():
    """Compiled once; done at once after `make warm`."""
    subprocess.run([sys.executable, "-m", "testbed", "warm"], check=True, capture_output=True)
