"""Where partners are and where they may get to, from the newest that is known of each."""

from __future__ import annotations

import math
from typing import Any, Final

from numba import njit

from testbed.description import rotation
from testbed.description.messages import NS_PER_S
from testbed.flight.guard.credible import Known, known
from testbed.flight.guard.outlook import SIGMAS, length
from testbed.flight.separation.worry import Worry

COMPARED_NS: Final = NS_PER_S
"""Motion of a partner is compared with what it was up to this long ago."""


@njit(cache=True)
def look(p: Any, s: Any, partners: Any, stamp: int) -> None:
    """Fill `others` from the newest odometry known of each partner (messages.ODOMETRY; stamp 0: none), and worry."""
    for k in range(p.count):
        heard = partners[k]
        s.others[k].present = 0
        if heard.stamp == 0:
            worry(s, Worry.UNHEARD, k)
        elif known(p.vehicle, heard, heard.stamp) != Known.ALL:
            worry(s, Worry.UNSURE, k)
        else:
            see(p, s, k, heard, stamp)


@njit(cache=True)
def see(p: Any, s: Any, k: int, heard: Any, stamp: int) -> None:
    """Fill what partner k may do after an odometry that is credible.

    Up to the end of the wrench that it may decide on now it may accelerate anyhow, by all it has; then it brakes, or
    strays. An odometry from the future counts as one just as old.
    """
    partner, other = p.partners[k], s.others[k]
    age = abs(stamp - heard.stamp) / NS_PER_S
    if abs(stamp - heard.stamp) > p.oldest:
        worry(s, Worry.UNHEARD, k)
    position_error, velocity_error = partner.position_error, partner.velocity_error
    claimed_position, claimed_velocity = claimed(p, heard)
    if claimed_position > position_error or claimed_velocity > velocity_error:
        worry(s, Worry.UNSURE, k)
        position_error = max(position_error, claimed_position)
        velocity_error = max(velocity_error, claimed_velocity)
    other.orientation[:] = heard.orientation
    velocity = rotation.rotate(rotation.normalise(heard.orientation), heard.linear_velocity)
    for i in range(3):
        other.velocity[i] = p.vehicle.active[i] * velocity[i]
    if not followed(p, other, partner, heard):
        worry(s, Worry.BEYOND, k)
    other.present = 1
    own = (p.vehicle.lead + p.vehicle.delay) / NS_PER_S + p.vehicle.period
    until = age + max(own, partner.reaction)
    speed, most = length(other.velocity), max(partner.thrust, partner.stray)
    for i in range(3):
        position = p.vehicle.active[i] * heard.position[i]
        other.now[i] = position + other.velocity[i] * age
        other.ahead[i] = position + other.velocity[i] * until
        other.stop[i] = other.ahead[i] + other.velocity[i] * speed / (2.0 * partner.braking)
    other.doubt_now = position_error + (velocity_error + 0.5 * most * age) * age
    other.doubt = position_error + (velocity_error + 0.5 * most * until) * until
    other.doubt_speed = velocity_error + most * until
    stopping = stop_doubt(speed, other.doubt_speed, velocity_error, partner.aside, partner.braking)
    after = max(position_error + partner.hold, 2.0 * partner.hold)
    other.reach = other.doubt + stopping + after


@njit(cache=True)
def stop_doubt(speed: float, doubt_speed: float, steering: float, aside: float, braking: float) -> float:
    """How wrong the place of a stop may be, m, if the speed is wrong by up to doubt_speed.

    The way v·|v|/(2b) changes by at most w·(2·|v| + w)/(2b) where v does by w. A brake that points aside moves its end
    by half of that share of the way; it does so by `aside`, and for a velocity measured wrong by `steering`.
    """
    most = speed + doubt_speed
    return (doubt_speed * (speed + most) + (steering + 0.5 * aside * most) * most) / (2.0 * braking)


@njit(cache=True)
def claimed(p: Any, odometry: Any) -> tuple[float, float]:
    """Errors of position m and velocity m/s that an odometry's covariance calls possible."""
    position, velocity = 0.0, 0.0
    for i in range(3):
        position = max(position, p.vehicle.active[i] * odometry.pose_covariance[i, i])
        velocity = max(velocity, p.vehicle.active[i] * odometry.twist_covariance[i, i])
    return SIGMAS * math.sqrt(position), SIGMAS * math.sqrt(velocity)


@njit(cache=True)
def followed(p: Any, other: Any, partner: Any, heard: Any) -> bool:
    """Whether an odometry can follow from that which it is compared with, by what is stated of the partner."""
    since = (heard.stamp - other.first_stamp) / NS_PER_S
    anew = other.first_stamp == 0 or not 0.0 <= since <= 2.0 * COMPARED_NS / NS_PER_S
    found = True
    if not anew:
        most, turned, moved = max(partner.thrust, partner.stray), 0.0, 0.0
        for i in range(3):
            active = p.vehicle.active[i]
            turned += active * (other.velocity[i] - other.first_velocity[i]) ** 2
            way = heard.position[i] - other.first_position[i] - other.first_velocity[i] * since
            moved += active * way * way
        found = (
            math.sqrt(turned) <= most * since + 2.0 * partner.velocity_error
            and math.sqrt(moved) <= (0.5 * most * since + partner.velocity_error) * since + 2.0 * partner.position_error
        )
    if anew or heard.stamp - other.first_stamp >= COMPARED_NS:
        other.first_stamp = heard.stamp
        other.first_position[:] = heard.position
        other.first_velocity[:] = other.velocity
    return found


@njit(cache=True)
def worry(s: Any, which: int, partner: int) -> None:
    """Note a worry about a partner (-1: about oneself); what is done about it follows."""
    s.now[which] = 1
    s.about[which] = partner
