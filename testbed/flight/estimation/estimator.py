"""Where the vehicle is, from its gyro, its valves and the beacons: the estimator as the rest sees it.

Health: searching until a pose is found from ranges alone, confirming until further cycles agree with it, acquired from
then on. Cycles that mostly fail the gate, or an estimate grown too unsure, send it back to searching.
"""

from __future__ import annotations

import math
from typing import Any, Final, Literal

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.air import speed_of_sound
from testbed.description.beacons import Beacons
from testbed.description.cabin import Cabin
from testbed.description.messages import INNOVATION_POINT, NS_PER_S, ODOMETRY, WRENCH
from testbed.description.noise import Noise
from testbed.description.table import Table
from testbed.description.vehicle import Vehicle
from testbed.flight.estimation import inertial, output, valve_forces
from testbed.flight.estimation.acquisition import begin_acquisition, go_on
from testbed.flight.estimation.chi_square import length_bound
from testbed.flight.estimation.cycle import collect_cycle, deviations, filter_cycle
from testbed.flight.estimation.heard import Heard
from testbed.flight.estimation.inertial import lose
from testbed.flight.estimation.layout import ACQUIRED, ATTITUDE, CONFIRMING, FOUND, IDLE, POSITION, SEARCHING
from testbed.flight.estimation.parameters import believed_parameters, initial_state

BAD_CYCLES: Final = 2
"""So many cycles in a row that mostly fail the gate mean that the vehicle is elsewhere: moved by hand, or hit."""
GOOD_CYCLES: Final = 2
"""So many cycles after the one that gave the pose must agree with it."""
DOUBT_FROM, DOUBT_SHARE = 1.0, 0.1
"""A cycle agrees if it loses at most one range and a tenth to the gate; a wrong pose of 20 degrees loses a quarter.

One cycle may hold several echoes: a pose is given up at the second in a row that does not agree."""
LOST_POSITION: Final = 0.3
"""Standard deviation of position at which coasting ends, m: beyond it the ranges are no longer linear enough."""
LOST_ATTITUDE: Final = math.radians(15.0)
FIX_POSITION: Final = 0.02
"""A pose is first published when its position is this near to the truth, m, as far as is certain."""
FIX_HEADING: Final = math.radians(3.0)
"""The same for the attitude where the floor holds roll and pitch, rad."""
FIX_ATTITUDE: Final = math.radians(5.0)
"""The same where no axis is held."""
CERTAINTY: Final = 3.89
"""Standard normal quantile: position and attitude are each held to be worse than that once in 20,000.

Of the poses published right at the bound just this share is wrong, however good the filter: 2.576, once in 200, let
4 wrong ones of 2,000 pass in a cabin with six beacons."""
PATIENCE_NS: Final = 27 * NS_PER_S // 10
"""So long after its first chirp a vehicle can afford to wait for the next cycle; what comes later does not make 3 s."""
LATE_CERTAINTY: Final = 3.29
"""Standard normal quantile asked after that: once in 2,000. In the demo's cabin one pose in 100 is not so sure."""


@njit(cache=True)
def accept_imu(p: Any, s: Any, imu: Any) -> None:
    """Carry the estimate to the stamp of `imu` (IMU), as inertial.accept_imu, and do this tick's share of a search."""
    inertial.accept_imu(p, s, imu)
    if s.search_stage != IDLE:
        _search_on(p, s)


@njit(cache=True)
def accept_ranges(p: Any, s: Any, ranges: Any) -> None:
    """Use one beacon cycle (RANGES), empty or not. A cycle that is not newer than the last is passed over."""
    if not s.started or ranges.stamp <= s.cycle_stamp:
        return
    s.cycle_stamp = ranges.stamp
    collect_cycle(p, s, ranges)
    if s.first_chirp == 0 and s.cycle_count > 0:
        s.first_chirp = s.cycle_stamp
    if s.phase != SEARCHING:
        _follow(p, s)
    if s.phase == SEARCHING:
        if s.search_stage == IDLE:
            _search_anew(p, s)
        else:
            s.cycle_waits = 1


@njit(cache=True)
def _search_anew(p: Any, s: Any) -> None:
    """Search with the collected cycle and those before it, or keep it until there are enough ranges."""
    s.cycle_waits = 0
    begin_acquisition(p, s)
    if s.search_stage == IDLE:
        _forget_unused(s)


@njit(cache=True)
def _search_on(p: Any, s: Any) -> None:
    """Do this tick's share of the search; at its end use the cycle that has come meanwhile."""
    go_on(p, s)
    if s.search_stage == FOUND:
        s.search_stage = IDLE
        s.phase = CONFIRMING
        if s.cycle_waits:
            s.cycle_waits = 0
            _follow(p, s)
    elif s.search_stage == IDLE:
        _forget_unused(s)
        if s.cycle_waits:
            _search_anew(p, s)


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
            s.doubtful_cycles += 1
            s.good_cycles = 0
            if s.doubtful_cycles >= BAD_CYCLES:
                lose(p, s)
            return
        s.doubtful_cycles = 0
        s.good_cycles += 1
        needed = FIX_ATTITUDE if p.free[3] > 0.0 or p.free[4] > 0.0 else FIX_HEADING
        certainty = CERTAINTY if s.now.stamp < s.first_chirp + PATIENCE_NS else LATE_CERTAINTY
        near = length_bound(s.now.covariance, POSITION, certainty) < FIX_POSITION
        if s.good_cycles >= GOOD_CYCLES and near and length_bound(s.now.covariance, ATTITUDE, certainty) < needed:
            s.phase = ACQUIRED


@njit(cache=True)
def _forget_unused(s: Any) -> None:
    """Drop the history before the window, or before the collected cycle: none to come reaches back to it."""
    stamp = s.window_arrival[0] if s.window_count > 0 else s.cycle_stamp
    while s.history_first < s.history_end and s.history_stop[s.history_first & (s.history_stop.shape[0] - 1)] <= stamp:
        s.history_first += 1


@njit(cache=True)
def set_air_temperature(p: Any, s: Any, kelvin: float) -> None:
    """Use this measured air temperature from the next cycle on; a value outside 200 to 350 K is passed over."""
    if 200.0 < kelvin < 350.0:
        s.air_temperature = kelvin
        s.speed_of_sound = speed_of_sound(kelvin, p.air_humidity)


accept_schedule = valve_forces.accept_schedule
accept_report = valve_forces.accept_report
fill_odometry = output.output
fill_disturbance = output.disturbance


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
def _accept_report(p: Any, s: Any, report: Any) -> None:
    accept_report(p[0], s[0], report)


@njit(cache=True)
def _fill_odometry(p: Any, s: Any, stamp: int, odometry: Any) -> None:
    fill_odometry(p[0], s[0], stamp, odometry[0])


@njit(cache=True)
def _fill_disturbance(p: Any, s: Any, stamp: int, wrench: Any) -> None:
    fill_disturbance(p[0], s[0], stamp, wrench[0])


class Estimator:
    """Error-state filter (layout.py has its states); `parameters`, `state`: arrays, shape (1,), for compiled calls.

    vehicle, beacons, noise and room (its drag and orbit; without one there is neither) are believed. Fixed frame and
    units are those of the topics (description/messages.py).
    Raises ValueError for held axes other than z, roll and pitch: only for these is the held value known.
    """

    def __init__(
        self,
        vehicle: Vehicle,
        beacons: Beacons,
        noise: Noise,
        place: Literal["table", "cabin"],
        active_axes: tuple[str, ...],
        room: Table | Cabin | None = None,
    ) -> None:
        self.parameters = believed_parameters(vehicle, beacons, noise, place, active_axes, room)
        self.state = initial_state(self.parameters, beacons)
        self._cycle = beacons.cycle_ns

    def step(self, heard: Heard, odometry: NDArray[np.void]) -> None:
        """Take in all that was heard, in order of time, and fill `odometry` (messages.ODOMETRY, shape (1,))."""
        for schedule in heard.schedules:
            self.accept_schedule(schedule)
        self.set_air_temperature(heard.air_temperature)
        ranges = list(heard.ranges)
        for imu in heard.imu:
            self.accept_imu(imu)
            while ranges and ranges[0]["stamp"] + self._cycle <= imu["stamp"]:
                self.accept_ranges(ranges.pop(0))
        odometry[0] = self.output(int(heard.imu[-1]["stamp"]))

    def accept_imu(self, imu: Any) -> None:
        """See the kernel `accept_imu`."""
        _accept_imu(self.parameters, self.state, imu)

    def accept_ranges(self, ranges: Any) -> None:
        """See the kernel `accept_ranges`."""
        _accept_ranges(self.parameters, self.state, ranges)

    def accept_schedule(self, schedule: Any) -> None:
        """See the kernel `accept_schedule`."""
        _accept_schedule(self.parameters, self.state, schedule)

    def accept_report(self, report: Any) -> None:
        """See the kernel `accept_report`."""
        _accept_report(self.parameters, self.state, report)

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

    def disturbance(self, stamp: int) -> NDArray[np.void]:
        """Steady force that is not of the valves, N along the fixed axes, as one messages.WRENCH, shape (1,)."""
        wrench = np.zeros(1, WRENCH)
        _fill_disturbance(self.parameters, self.state, stamp, wrench)
        return wrench

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
