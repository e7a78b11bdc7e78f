"""All formations of a session: asked at every planning tick who is where and flies what, it tells each its trajectory.

Vehicles that begin a formation, leave it or come back are planned for together with those that fly it already; everyone
else is a body to keep away from. A plan begins `lead` after it is decided. Nothing is planned while a vehicle does not
know where it is: then everyone stays with what it was told.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from testbed.description.messages import NS_PER_S, TRAJECTORY
from testbed.flight.formation.course import Replanning
from testbed.flight.formation.frame import Slot
from testbed.flight.formation.given import Tasks
from testbed.flight.formation.known import Known, fixed
from testbed.flight.formation.order import Order, Planned
from testbed.flight.formation.trajectories import Motion
from testbed.flight.formation.underway import Scene, UnderWay


class Formations:
    """The formations of a plan, by run and name. `news`: the plans made by the last `step`."""

    def __init__(self, tasks: Tasks, rule: Replanning | None = None) -> None:
        self._tasks = tasks
        self._rule = rule or Replanning()
        self._zero: int | None = None
        self._under_way: dict[tuple[str, int, str], UnderWay] = {}
        self.news: list[Planned] = []

    def step(
        self, stamp: int, odometry: Mapping[str, np.void], orders: Mapping[str, Order]
    ) -> dict[str, NDArray[np.void]]:
        """One messages.TRAJECTORY, shape (1,), sent at `stamp` ns for each of `orders`: the newest that there is.

        odometry: messages.ODOMETRY of every vehicle of the session at this stamp; orders: of the vehicles that fly a
        formation. What has not changed is sent again; without knots where nothing is planned yet.
        """
        self.news = []
        orders = {name: orders[name] for name in odometry if name in orders}  # in whatever order they came
        if self._zero is None and not orders:
            return {}
        self._zero = stamp if self._zero is None else self._zero
        self._begin_and_forget(orders)
        time = (stamp - self._zero) / NS_PER_S
        known = {name: Known.of(one, time) for name, one in odometry.items() if fixed(one)}
        told: dict[str, NDArray[np.void]] = {}
        for key, one in self._under_way.items():
            members = {name: order for name, order in orders.items() if key_of(order) == key}
            scene = Scene(time, known, self._others(one, members, known)) if len(known) == len(odometry) else None
            told |= one.step(scene, time, members)
            self.news += one.news
        return {name: sent(told.get(name), order.number, stamp) for name, order in orders.items()}

    def _begin_and_forget(self, orders: Mapping[str, Order]) -> None:
        """Begin what is flown for the first time, and forget what belongs to a try before."""
        assert self._zero is not None, "the first step sets it"
        tries = {(order.run, order.attempt) for order in orders.values()}
        if tries:
            self._under_way = {key: one for key, one in self._under_way.items() if key[:2] in tries}
        for order in orders.values():
            key, task = key_of(order), self._tasks.get((order.run, order.formation))
            if task is not None and key not in self._under_way:
                self._under_way[key] = UnderWay(task, order.attempt, self._zero, self._rule)

    def _others(self, one: UnderWay, members: Mapping[str, Order], known: Mapping[str, Known]) -> tuple[Motion, ...]:
        """How everyone moves that a formation does not plan for: its leader as its frame does, others as planned."""
        motions: list[Motion] = []
        for name, seen in known.items():
            if name in members and name in one.task.places:
                continue
            if name == one.task.leader:
                motions.append(Slot(seen.frame(one.task.axes), (0.0, 0.0, 0.0)))
                continue
            planned = (other.motion(name) for other in self._under_way.values() if other is not one)
            motions.append(next((motion for motion in planned if motion is not None), seen.coasting()))
        return tuple(motions)


def key_of(order: Order) -> tuple[str, int, str]:
    """Run, attempt and formation that an order belongs to."""
    return order.run, order.attempt, order.formation


def sent(told: NDArray[np.void] | None, number: int, stamp: int) -> NDArray[np.void]:
    """A messages.TRAJECTORY as it is sent at `stamp` ns; without knots where there is none."""
    record = np.zeros(1, TRAJECTORY) if told is None else told.copy()
    one = record[0]
    one["offset"][: one["count"]] += one["stamp"] - stamp
    one["stamp"], one["number"] = stamp, number
    return record
