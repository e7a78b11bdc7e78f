"""One beacon cycle through the filter: each range at its own time of arrival."""

from __future__ import annotations

import math
from typing import Any, Final

from numba import njit

from testbed.flight.estimation.layout import ATTITUDE, HISTORY, POSITION
from testbed.flight.estimation.propagation import copy_track, propagate_covariance, replay
from testbed.flight.estimation.thrust_errors import correction_rate
from testbed.flight.estimation.update import range_variance, update_held_axes, update_range
from testbed.flight.estimation.valve_forces import loudness_at

COVARIANCE_STEP: Final = 2e-3
"""The covariance may lag the mean this long, s: it moves on once per chirp, which all receivers hear within 1 ms."""
LONGEST_FLIGHT: Final = 0.1
"""Times of flight above this are no ranges, s (34 m)."""
FEWEST_TO_JUDGE: Final = 4
"""With fewer ranges a cycle is not called bad."""


@njit(cache=True)
def collect_cycle(p: Any, s: Any, ranges: Any) -> None:
    """Turn times of flight into distances, sorted by time of arrival; leave out and count what cannot be a range."""
    count = 0
    for k in range(ranges.count):
        beacon, receiver, flight = ranges.beacon[k], ranges.receiver[k], ranges.time_of_flight[k]
        offset = ranges.time_offset[k]
        known = 0 <= beacon < p.beacon_count and 0 <= receiver < p.receiver_count
        if not (known and 0.0 < flight < LONGEST_FLIGHT and -1.0 < offset < 10.0):
            s.malformed += 1
            continue
        arrival = ranges.stamp + round((offset + flight) * 1e9)
        place = count
        while place > 0 and s.cycle_arrival[place - 1] > arrival:
            s.cycle_arrival[place] = s.cycle_arrival[place - 1]
            s.cycle_beacon[place] = s.cycle_beacon[place - 1]
            s.cycle_receiver[place] = s.cycle_receiver[place - 1]
            s.cycle_distance[place] = s.cycle_distance[place - 1]
            place -= 1
        s.cycle_arrival[place] = arrival
        s.cycle_beacon[place] = beacon
        s.cycle_receiver[place] = receiver
        s.cycle_distance[place] = s.speed_of_sound * flight
        count += 1
    s.cycle_count = count


@njit(cache=True)
def noise_of(p: Any, s: Any, number: int, receiver: int, arrival: int, distance: float) -> float:
    """Variance of the noise of a distance, m², whose chirp came at `arrival` (ns), in the interval `number`."""
    return range_variance(p, distance, loudness_at(p, s, number, receiver, arrival))


@njit(cache=True)
def filter_cycle(p: Any, s: Any) -> bool:
    """Run the collected cycle through the filter and bring the present estimate up to date.

    The anchor moves to the last arrival, at least to the start of the cycle. Where most ranges are rejected the whole
    cycle is taken back, so that the few that passed by chance do no harm. Returns whether it was so.
    """
    track = s.anchor
    copy_track(p, track, s.saved)
    number, judged, used = s.history_first, 0, 0
    for k in range(s.cycle_count):
        arrival = s.cycle_arrival[k]
        if arrival < track.stamp:
            s.late += 1
            continue
        number = replay(p, s, track, number, arrival)
        if track.elapsed > COVARIANCE_STEP:
            propagate_covariance(p, track)
        beacon, receiver, measured = s.cycle_beacon[k], s.cycle_receiver[k], s.cycle_distance[k]
        noise = noise_of(p, s, number, receiver, arrival, measured)
        innovation, variance, accepted = update_range(p, track, beacon, receiver, measured, noise)
        s.innovation_beacon[judged] = beacon
        s.innovation_receiver[judged] = receiver
        s.innovation[judged] = innovation
        s.innovation_variance[judged] = variance
        s.innovation_accepted[judged] = accepted
        judged += 1
        used += accepted
    s.innovation_count = judged
    s.innovations_stamp = s.cycle_stamp
    s.cycle_accepted = used
    s.accepted += used
    s.rejected += judged - used
    bad = judged >= FEWEST_TO_JUDGE and 2 * used < judged
    if bad:
        copy_track(p, s.saved, track)
        s.innovation_accepted[:judged] = 0
        number = s.history_first
    elif used > 0:
        s.last_fix = track.stamp
    number = replay(p, s, track, number, max(s.cycle_stamp, track.stamp))
    settle(p, s, number)
    return bad


@njit(cache=True)
def settle(p: Any, s: Any, number: int) -> None:
    """Finish the anchor, forget the history before it (`number` holds its time), and rebuild the present estimate."""
    propagate_covariance(p, s.anchor)
    update_held_axes(p, s.anchor)
    s.history_first = number
    copy_track(p, s.anchor, s.now)
    replay(p, s, s.now, number, s.history_stop[(s.history_end - 1) & (HISTORY - 1)])
    propagate_covariance(p, s.now)
    s.correction_rate = correction_rate(p, s.now)


@njit(cache=True)
def deviations(track: Any) -> tuple[float, float]:
    """Standard deviation of position m and of attitude rad, all axes together (root of the sum of their variances)."""
    position, attitude = 0.0, 0.0
    for i in range(3):
        position += track.covariance[POSITION + i, POSITION + i]
        attitude += track.covariance[ATTITUDE + i, ATTITUDE + i]
    return math.sqrt(position), math.sqrt(attitude)
