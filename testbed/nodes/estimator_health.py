"""`/diagnostics` of an estimator: whether it knows the pose, how well, and what it has had to leave out."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus, KeyValue
from std_msgs.msg import Header

from testbed.description.messages import NS_PER_S, UNKNOWN_VARIANCE
from testbed.description.ticks import due
from testbed.flight.estimation import ACQUIRED, CONFIRMING, SEARCHING
from testbed.nodes.contract import Contract
from testbed.nodes.topics import to_time

PERIOD: Final = NS_PER_S
PHASES: Final = {
    SEARCHING: "not acquired: searching",
    CONFIRMING: "not acquired: a pose is being confirmed",
    ACQUIRED: "acquired",
}
COUNTS: Final = ("accepted", "rejected", "late", "malformed", "bumps", "attempts", "losses")
"""Ranges used, gated, too late, impossible; bumps felt; searches begun, poses given up."""


class EstimatorHealth:
    """Publisher of one estimator's health, once a second; `name`: of its node.

    That a pose is lost is no warning here: a vehicle that is lifted loses it rightly. The plan's `lost_fix` judges.
    """

    def __init__(self, contract: Contract, name: str) -> None:
        self._name = name
        self._out = contract.publisher("/diagnostics")

    def send(self, odometry: np.void, state: np.void | None) -> None:
        """Publish it if it is due at a messages.ODOMETRY record; state: of estimation.layout, None of a user's own."""
        stamp = int(odometry["stamp"])
        if due(stamp, PERIOD):
            header = Header(stamp=to_time(stamp))
            self._out.publish(DiagnosticArray(header=header, status=[health(self._name, odometry, state)]))


def health(name: str, odometry: np.void, state: np.void | None) -> DiagnosticStatus:
    """How an estimator stands that has just said `odometry`."""
    variances = np.diag(odometry["pose_covariance"])
    known = variances[0] < 0.5 * UNKNOWN_VARIANCE
    text = PHASES[ACQUIRED if known else SEARCHING] if state is None else PHASES[int(state["phase"])]
    values = {}
    if known:
        values["position_sigma_mm"] = f"{1e3 * math.sqrt(variances[:3].sum()):.1f}"
        values["attitude_sigma_deg"] = f"{math.degrees(math.sqrt(variances[3:].sum())):.2f}"
    if state is not None and state["last_fix"]:
        values["since_last_range_s"] = f"{(int(odometry['stamp']) - int(state['last_fix'])) / NS_PER_S:.2f}"
    if state is not None:
        values.update({count: str(int(state[count])) for count in COUNTS})
    told = [KeyValue(key=key, value=value) for key, value in values.items()]
    return DiagnosticStatus(level=DiagnosticStatus.OK, name=name, message=text, values=told)
