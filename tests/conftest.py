"""What every test runs in: a ROS domain of its own, on this machine only, with its logs in a folder that is removed."""

import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from testbed.rehearsal.domain import free_domain

# Before any test module imports rclpy, and for every process that a test starts.
os.environ["ROS_AUTOMATIC_DISCOVERY_RANGE"] = "LOCALHOST"
os.environ.pop("ROS_STATIC_PEERS", None)
os.environ.pop("TESTBED_CONFIG_PATH", None)

# A busy machine is no reason for a property to fail.
settings.register_profile("patient", deadline=None)
settings.load_profile("patient")


@pytest.fixture(scope="session", autouse=True)
def ros_log_folder() -> Iterator[Path]:
    """A folder for the log files that every ROS process writes."""
    with tempfile.TemporaryDirectory(prefix="testbed-ros-log-") as folder:
        os.environ["ROS_LOG_DIR"] = folder
        yield Path(folder)


@pytest.fixture(scope="session", autouse=True)
def ros_domain() -> Iterator[int]:
    """The ROS domain of this test session, in ROS_DOMAIN_ID too; no other session on this machine has it meanwhile."""
    with free_domain() as domain:
        os.environ["ROS_DOMAIN_ID"] = str(domain)
        yield domain
