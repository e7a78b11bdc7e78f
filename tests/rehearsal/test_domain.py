"""Every session on this machine has a ROS domain of its own."""

import os
import signal
import subprocess
import sys
import tempfile

import pytest

from testbed.rehearsal import domain

HOLD = (
    "from testbed.rehearsal.domain import free_domain\n"
    "with free_domain() as number:\n    print(number, flush=True)\n    input()\n"
)


@pytest.fixture(autouse=True)
def locks_of_this_test(tmp_path, monkeypatch):
    """Keep the lock files away from those of other sessions, which would take a domain while a test looks at it."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    monkeypatch.setenv("TMPDIR", str(tmp_path))


def test_domains_that_are_held_at_the_same_time_differ():
    with domain.free_domain() as first, domain.free_domain() as second:
        assert first != second


def test_a_domain_is_free_again_afterwards():
    with domain.free_domain() as first:
        pass
    with domain.free_domain() as again:
        assert again == first


def test_when_all_are_taken_the_error_says_so(monkeypatch):
    monkeypatch.setattr(domain, "DOMAINS", (7,))
    with domain.free_domain(), pytest.raises(OSError, match="from 7 to 7 are taken"), domain.free_domain():
        pass


def test_another_process_s_domain_is_taken_until_that_process_is_killed():
    with subprocess.Popen(
        [sys.executable, "-c", HOLD], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=os.environ
    ) as other:
        taken = int(other.stdout.readline())
        with domain.free_domain() as meanwhile:
            assert meanwhile != taken
        other.send_signal(signal.SIGKILL)
        other.wait()
        with domain.free_domain() as again:
            assert again == taken
