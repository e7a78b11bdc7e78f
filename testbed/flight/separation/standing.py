"""How near to each other the filter lets two vehicles stand."""

from __future__ import annotations

from typing import Any

from testbed.description.messages import NS_PER_S
from testbed.flight.separation.sight import stop_doubt


def standing(p: Any, k: int) -> float:
    """Least distance m from partner k at which nothing need be done where both are measured to stand still.

    p: memory.PARAMETERS. It is what trial.py reckons for an odometry of the age `oldest`, with all terms of motion
    gone; how wrong the measured distance is comes on top.
    """
    own, partner, oldest = p["vehicle"], p["partners"][k], float(p["oldest"]) / NS_PER_S
    wait, period = float(own["lead"] + own["delay"]) / NS_PER_S, float(own["period"])
    speed = float(p["velocity_error"] + own["drift"] * wait + own["still_speed"])
    pace = speed + float(own["drift"]) * period
    here = float(p["position_error"]) + speed * wait + pace * period
    stopping = stop_doubt(0.0, pace, pace, float(p["aside"]), float(p["braking"]))
    reach = here + stopping + float(p["position_error"] + p["hold"])

    until = oldest + max(wait + period, float(partner["reaction"]))
    position_error, velocity_error = float(partner["position_error"]), float(partner["velocity_error"])
    most, hold = max(float(partner["thrust"]), float(partner["stray"])), float(partner["hold"])
    there, its_speed = position_error + (velocity_error + 0.5 * most * until) * until, velocity_error + most * until
    stopping = stop_doubt(0.0, its_speed, velocity_error, float(partner["aside"]), float(partner["braking"]))
    its_reach = there + stopping + max(position_error + hold, 2.0 * hold)

    falls = (pace + its_speed) ** 2 / (2.0 * float(partner["outrun"]))
    bend = (float(p["thrust"]) + float(partner["thrust"])) * period**2 / 8.0
    return float(partner["keep"]) + max(reach + its_reach, here + there + falls + bend)
