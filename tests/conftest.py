"""What every test runs in: a ROS domain of its own, on this machine only, with its logs in a folder that is removed."""

import fcntl
import os
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import IO

import pytest

# Above 100 the ports of a domain reach those that the system hands out; 0 is where people work.
DOMAINS = range(1, 101)

# Before any test module imports rclpy, and for every process that a test starts.
os.environ["ROS_AUTOMATIC_DISCOVERY_RANGE"] = "LOCALHOST"
os.environ.pop("ROS_STATIC_PEERS", None)
os.environ.pop("TESTBED_CONFIG_PATH", None)


@pytest.fixture(scope="session", autouse=True)
def ros_log_folder() -> Iterator[Path]:
    """A folder for the log files that every ROS process writes."""
    with tempfile.TemporaryDirectory(prefix="testbed-ros-log-") as folder:
        os.environ["ROS_LOG_DIR"] = folder
        yield Path(folder)


@pytest.fixture(scope="session", autouse=True)
def ros_domain() -> Iterator[int]:
    """The ROS domain of this test session, in ROS_DOMAIN_ID too; no other session on this machine has it meanwhile."""
    with ExitStack() as stack:
        for domain in DOMAINS:
            if (lock := _locked(Path(tempfile.gettempdir(), f"testbed-domain-{domain}.lock"))) is not None:
                stack.enter_context(lock)
                os.environ["ROS_DOMAIN_ID"] = str(domain)
                yield domain
                return
        pytest.fail(f"all ROS domains from {DOMAINS[0]} to {DOMAINS[-1]} are taken")


def _locked(path: Path) -> IO[str] | None:
    """Open and lock `path`; None where another process has it. The lock ends with the file, even if we are killed."""
    try:
        file = path.open("a")
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except PermissionError:  # another user's
        return None
    except BlockingIOError:
        file.close()
        return None
    return file
