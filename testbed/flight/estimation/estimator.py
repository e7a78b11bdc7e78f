"""Where the vehicle is, from its gyro, its commanded valves and the beacons: the estimator as the rest sees it.

Health: searching until a pose is found from ranges alone, confirming until further cycles agree with it, acquired from
then on. Cycles that mostly fail the gate, or an estimate grown too unsure, send it back to searching.
"""

from __future__ import annotations

import math
from typing import Any, Final, Literal

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.beacons import Beacons
from testbed.description.messages import INNOVATION_POINT, ODOMETRY
from testbed.description.noise import Noise
from testbed.description.vehicle import Vehicle
from testbed.flight.estimation import inertial, output, valve_forces
from testbed.flight.estimation.acquisition import acquire
from testbed.flight.estimation.cycle import collect_cycle, deviations, filter_cycle
from testbed.flight.estimation.inertial import lose
from testbed.flight.estimation.layout import ACQUIRED, CONFIRMING, SEARCHING
from testbed.flight.estimation.parameters import believed_parameters, initial_state

BAD_CYCLES: Final = 2
"""So many cycles in a row that mostly fail the gate mean that the vehicle is elsewhere: moved by hand, or hit."""
GOOD_CYCLES: Final = 2
"""So many cycles after the one that gave the pose must agree with it."""
DOUBT_FROM, DOUBT_SHARE = 1.0, 0.1
"""A cycle agrees if it loses at most one range and a tenth to the gate; a wrong pose of 20 degrees loses a quarter."""
LOST_POSITION: Final = 0.3
"""Standard deviation of position at which coasting ends, m: beyond it the ranges are no longer linear enough."""
LOST_ATTITUDE: Final = math.radians(15.0)
FIX_POSITION: Final = 0.0085
"""Deviation of position needed before a pose is first published, m: 99 of 100 then lie within 2 cm."""
FIX_HEADING: Final = math.radians(1.1)
"""The same for the attitude where the floor holds roll and pitch: 99 of 100 within 3 degrees."""
FIX_ATTITUDE: Final = math.radians(2.0)
"""The same where no axis is held: 99 of 100 within 5 degrees."""


@njit(cache=True)
def accept_ranges(p: Any, s: Any, ranges: Any) -> None:
    """Use one beacon cycle (RANGES), empty or not. A cycle that is not newer than the last is passed over."""
    if not s.started or ranges.stamp <= s.cycle_stamp:
        return
    s.cycle_stamp = ranges.stamp
    collect_cycle(p, s, ranges)
    if s.phase != SEARCHING:
        _follow(p, s)
    if s.phase == SEARCHING:
        if acquire(p, s):
            s.phase = CONFIRMING
        else:
            _forget_before(s, s.window_arrival[0] if s.window_count > 0 else ranges.stamp)


@njit(cache=True)
def _follow(p: Any, s: Any) -> None:
    """Filter the collected cycle and judge what the estimate is worth after it."""
    bad = filter_cycle(p, s)
    s.bad_cycles = s.bad_cycles + 1 if bad else 0
    position, attitude = deviations(s.now)
    if position > LOST_POSITION or attitude > LOST_ATTITUDE or s.bad_cycles >= BAD_CYCLES:
        lose(p, s)
    elif s.phase == CONFIRMING and s.innovation_count > 0:
        rejected = s.innovation_count - s.cycle_accepted
        if rejected > DOUBT_FROM + DOUBT_SHARE * s.innovation_count:
            lose(p, s)
            return
        s.good_cycles += 1
        needed = FIX_ATTITUDE if p.free[3] > 0.0 or p.free[4] > 0.0 else FIX_HEADING
        if s.good_cycles >= GOOD_CYCLES and position < FIX_POSITION and attitude < needed:
            s.phase = ACQUIRED


@njit(cache=True)
def _forget_before(s: Any, stamp: int) -> None:
    """Drop the history before `stamp` (ns), which no cycle to come reaches back to."""
    while s.history_first < s.history_end and s.history_stop[s.history_first & (s.history_stop.shape[0] - 1)] <= stamp:
        s.history_first += 1


@njit(cache=True)
def set_air_temperature(p: Any, s: Any, kelvin: float) -> None:
    """Use this measured air temperature from the next cycle on; a value outside 200 to 350 K is passed over."""
    if 200.0 < kelvin < 350.0:
        s.air_temperature = kelvin


accept_imu = inertial.accept_imu
accept_schedule = valve_forces.accept_schedule
fill_odometry = output.output


# numba looks at every field of a record that Python hands over, 20 µs for the state, but takes an array as it is.


@njit(cache=True)
def _accept_imu(p: Any, s: Any, imu: Any) -> None:
    accept_imu(p[0], s[0], imu)


@njit(cache=True)
def _accept_ranges(p: Any, s: Any, ranges: Any) -> None:
    accept_ranges(p[0], s[0], ranges)


@njit(cache=True)
def _accept_schedule(p: Any, s: Any, schedule: Any) -> None:
    accept_schedule(p[0], s[0], schedule)


@njit(cache=True)
def _fill_odometry(p: Any, s: Any, stamp: int, odometry: Any) -> None:
    fill_odometry(p[0], s[0], stamp, odometry[0])


class Estimator:
    """Error-state filter with 15 states; `parameters` and `state` are arrays of shape (1,) for the compiled calls.

    vehicle, beacons and noise are believed. Fixed frame and units are those of the topics (description/messages.py).
    Raises ValueError for held axes other than z, roll and pitch: only for these is the held value known.
    """

    def __init__(
        self,
        vehicle: Vehicle,
        beacons: Beacons,
        noise: Noise,
        place: Literal["table", "cabin"],
        active_axes: tuple[str, ...],
    ) -> None:
        self.parameters = believed_parameters(vehicle, beacons, noise, place, active_axes)
        self.state = initial_state(self.parameters, beacons)
        self.mass = vehicle.mass_properties(place).mass

    def accept_imu(self, imu: Any) -> None:
        """See the kernel `accept_imu`."""
        _accept_imu(self.parameters, self.state, imu)

    def accept_ranges(self, ranges: Any) -> None:
        """See the kernel `accept_ranges`."""
        _accept_ranges(self.parameters, self.state, ranges)

    def accept_schedule(self, schedule: Any) -> None:
        """See the kernel `accept_schedule`."""
        _accept_schedule(self.parameters, self.state, schedule)

    def set_air_temperature(self, kelvin: float) -> None:
        """See the kernel `set_air_temperature`."""
        set_air_temperature(self.parameters[0], self.state[0], kelvin)

    def output(self, stamp: int) -> Any:
        """Return the estimate at the last gyro sample, whose stamp `stamp` is, as a record of ODOMETRY."""
        odometry = np.zeros(1, ODOMETRY)
        _fill_odometry(self.parameters, self.state, stamp, odometry)
        return odometry[0]

    @property
    def acquired(self) -> bool:
        """Whether the published pose can be used."""
        return int(self.state[0]["phase"]) == ACQUIRED

    @property
    def gyro_bias(self) -> NDArray[np.float64]:
        """Gyro bias, body axes, rad/s."""
        return self.state[0]["now"]["gyro_bias"].copy()

    @property
    def disturbance_force(self) -> NDArray[np.float64]:
        """Steady force that is not of the valves, fixed frame, N."""
        return self.mass * self.state[0]["now"]["disturbance"]

    def innovations(self) -> NDArray[np.void]:
        """Innovations of the last cycle used, as `innovations_of`."""
        return innovations_of(self.state[0])


def innovations_of(state: Any) -> NDArray[np.void]:
    """Innovations of the last cycle that an estimator state has used: array of messages.INNOVATION_POINT."""
    count = int(state["innovation_count"])
    table = np.zeros(count, INNOVATION_POINT)
    table["beacon"] = state["innovation_beacon"][:count]
    table["receiver"] = state["innovation_receiver"][:count]
    table["innovation"] = state["innovation"][:count]
    table["variance"] = state["innovation_variance"][:count]
    table["accepted"] = state["innovation_accepted"][:count] != 0
    return table
