"""What parts complained of is found again."""

from testbed.record.complaints import Complaint
from testbed.record.load import load
from testbed.record.types import message, serialize
from testbed.record.writer import RecordingWriter

LOG = "rcl_interfaces/msg/Log"
DIAGNOSTICS = "diagnostic_msgs/msg/DiagnosticArray"


def log(level, text):
    return serialize(message(LOG, level=level, name="plant", msg=text), LOG)


def diagnostics(*statuses):
    return serialize(
        message(
            DIAGNOSTICS,
            status=[
                message("diagnostic_msgs/msg/DiagnosticStatus", level=level, name="wren driver", message=text)
                for level, text in statuses
            ],
        ),
        DIAGNOSTICS,
    )


def test_warnings_and_errors_are_found_once_each_and_counted(tmp_path):
    with RecordingWriter(tmp_path / "bag") as writer:
        writer.write("/rosout", LOG, log(20, "fine"), 1, 1)
        writer.write("/diagnostics", DIAGNOSTICS, diagnostics((0, "ok"), (2, "stopped")), 2, 2)
        for time in (3, 4, 5):
            writer.write("/rosout", LOG, log(30, "schedule refused"), time, time)
        writer.write("/diagnostics", DIAGNOSTICS, diagnostics((2, "stopped")), 6, 6)
    assert load(tmp_path / "bag").complaints == (
        Complaint(2, "wren driver", "stopped", True, 2),
        Complaint(3, "plant", "schedule refused", False, 3),
    )
