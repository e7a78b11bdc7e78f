"""Guidance's account of its maneuver as JSON, as it travels on `maneuver/status`."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
from numpy.typing import NDArray

from testbed.description import messages
from testbed.description.maneuver import Phase, Reason


def status_json(record: np.void, goal: str = "") -> str:
    """A messages.STATUS record as JSON: keys are the fields, phase and reason their names in lower case.

    goal: in a manual run, what became of the last one, a key of its own; status_record leaves it out.
    """
    values: dict[str, Any] = {name: record[name].item() for name in messages.STATUS.names or ()}
    values["phase"] = Phase(values["phase"]).name.lower()
    values["reason"] = Reason(values["reason"]).name.lower()
    return json.dumps(values | {"goal": goal} if goal else values)


def status_record(text: str) -> NDArray[np.void]:
    """The array of one messages.STATUS record in such JSON.

    Raises:
        KeyError, ValueError: not such JSON.

    """
    values = json.loads(text)
    values["phase"] = Phase[values["phase"].upper()]
    values["reason"] = Reason[values["reason"].upper()]
    record = np.zeros(1, messages.STATUS)
    for name in messages.STATUS.names or ():
        record[name] = values[name]
    return record
