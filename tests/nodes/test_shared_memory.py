"""What a killed process leaves in shared memory is removed, and nothing that somebody else uses."""

import mmap
import os
import subprocess
import sys

import pytest

from testbed.nodes import shared_memory

DIE = "import os, rclpy; rclpy.init(); rclpy.create_node('x'); from testbed.nodes import shared_memory; "
DIE += "shared_memory.note_own(); os.kill(os.getpid(), 9)"


@pytest.fixture
def logs(tmp_path, monkeypatch):
    monkeypatch.setenv("ROS_LOG_DIR", str(tmp_path))
    return tmp_path


@pytest.fixture
def file():
    """A file such as the middleware makes, with its lock and its semaphore."""
    name = f"fastdds_test{os.getpid()}"
    paths = [shared_memory.SHARED_MEMORY / one for one in (name, f"{name}_el", f"sem.{name}_mutex")]
    for one in paths:
        one.write_bytes(b"0" * mmap.PAGESIZE)
    yield paths
    for one in paths:
        one.unlink(missing_ok=True)


def test_files_of_a_process_that_was_killed_are_removed(logs):
    subprocess.run([sys.executable, "-c", DIE], check=False)
    names = (logs / shared_memory.NOTES).read_text().split()
    left = [name for name in names if (shared_memory.SHARED_MEMORY / name).exists()]
    shared_memory.remove_left_behind()
    still = [name for name in left if (shared_memory.SHARED_MEMORY / name).exists()]
    assert not [name for name in still if not name.startswith("fastdds_port")], (
        "a port may be in use by another session"
    )


def test_a_noted_file_goes_with_its_lock_and_semaphore(logs, file):
    (logs / shared_memory.NOTES).write_text(f"{file[0].name}\n")
    shared_memory.remove_left_behind()
    assert not any(one.exists() for one in file)


def test_a_file_that_was_not_noted_is_left_alone(logs, file):
    (logs / shared_memory.NOTES).write_text("fastdds_something_else\n")
    shared_memory.remove_left_behind()
    assert all(one.exists() for one in file)


def test_a_file_that_another_session_uses_is_left_alone(logs, file):
    program = (
        "import mmap, sys; file = open(sys.argv[1], 'r+b'); kept = mmap.mmap(file.fileno(), 0);"
        "print('ready', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, str(file[0])],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env=os.environ | {"ROS_LOG_DIR": "/somewhere/else"},
    ) as other:
        assert other.stdout.readline() == b"ready\n"
        (logs / shared_memory.NOTES).write_text(f"{file[0].name}\n")
        shared_memory.remove_left_behind()
        assert all(one.exists() for one in file)
        other.stdin.close()


def test_a_session_without_notes_has_nothing_to_remove(logs):
    shared_memory.remove_left_behind()
