"""Stops: one vehicle is pushed anyhow for a while and then has its filter brake for good, its estimate lying all along.

The lemma of the safety filter: from then on it stays within `reach` of the way on which it was foreseen to stop, as it
foresaw it itself and as a partner did that only heard its odometry.
"""

import math
from enum import IntEnum

import numpy as np
from numba import njit

from testbed.description import messages, rotation
from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S, TICK_NS
from testbed.flight.allocation import Allocation
from testbed.flight.guard import outlook
from testbed.flight.separation import MAX_PARTNERS, Partner, SafetyFilter, sight
from testbed.flight.separation.memory import ASIDE
from testbed.flight.separation.safety_filter import judge
from testbed.flight.separation.segments import distance
from tests.drawn.bodies import FULL
from tests.drawn.encounters import AXES, SPIN, pool

AGES = 20
"""Oldest odometry that the partner hears, ticks."""


class Lies(IntEnum):
    """How the errors of the estimate behave."""

    STEADY = 0
    SWITCHING = 1
    OUTWARD = 2
    """Always so that it leaves the place that it is to hold."""
    SWINGING = 3
    """Always so that it goes on as it moves."""
    IN_TURNS = 4
    """One way and the other, for times that are drawn."""


def drawn_stop(place, generator, seconds=40.0, errors=None, change=None):
    """Excess m over the reach that the vehicle foresaw, and over that which its partner did; and both reaches, m.

    change: to the parameters of both filters, once the world is made.
    """
    own, other = (pool()[k] for k in generator.integers(len(pool()), size=2))
    errors = errors or (10 ** generator.uniform(-3.3, -2.0), 10 ** generator.uniform(-3.7, -2.2))
    mine = SafetyFilter(own, place, AXES[place], [Partner(other, 0.5, *errors)], *errors)
    its = SafetyFilter(other, place, AXES[place], [Partner(own, 0.5, *errors)], *errors)
    vehicle = mine.parameters[0]["vehicle"].copy()
    if change:
        change(mine.parameters), change(its.parameters)
    free = np.array([1.0, 1.0, 0.0] if place == "table" else [1.0, 1.0, 1.0])
    turn = generator.normal(size=4) * ((0, 0, 1, 1) if place == "table" else 1)
    velocity = free * generator.normal(size=3)
    velocity *= generator.uniform(0.0, 0.1) * generator.integers(2) / np.linalg.norm(velocity)
    wrenches = np.zeros((2, 6))
    wrenches[:, :3] = free * generator.normal(size=(2, 3)) * vehicle["most_force"]
    rate = generator.normal(size=3) * ((0, 0, 1) if place == "table" else 1)
    rate *= SPIN * generator.uniform() / np.linalg.norm(rate)
    layout = Allocation(own, place, AXES[place])
    found = np.array([-np.inf, -np.inf, 0.0, 0.0])
    fly_stop(
        mine.parameters, mine.state, its.parameters, its.state, layout.parameters, layout.state, vehicle, wrenches,
        velocity, turn / np.linalg.norm(turn), rate, free, np.array(errors), int(generator.integers(len(Lies))),
        int(generator.integers(AGES)), int(generator.integers(3)), round(seconds * NS_PER_S / TICK_NS),
        generator, np.zeros(1, messages.ODOMETRY), np.zeros(MAX_PARTNERS, messages.ODOMETRY),
        np.zeros(1, messages.WRENCH), found,
    )  # fmt: skip
    return found


@njit(cache=True)
def fly_stop(
    mine, state, its, its_state, layout, program, vehicle, wrenches, velocity, turn, rate, free, errors, lies, age,
    gain, ticks, generator, seen, heard, wrench, found,
):  # fmt: skip
    """Fill `found` (4,), see `drawn_stop`."""
    p, s = mine[0], state[0]
    x, v, q = np.zeros(3), velocity.copy(), turn.copy()
    lie, lie_speed, way, push, sent = np.zeros(3), np.zeros(3), np.zeros(3), np.zeros(3), wrenches.copy()
    ways = np.zeros((4, 3))
    wait, started = vehicle.lead + vehicle.delay, age
    for w in range(2):
        share = outlook.attainable(layout[0], program[0], sent[w])
        sent[w] *= share
    changes, until = 1 << 60, generator.integers(1, 100)
    fill_lie(way, free, lies, errors, lie, lie_speed, generator, True)
    for tick in range(ticks):
        now = LOCKSTEP_START_NS + tick * TICK_NS
        until -= 1
        if until <= 0 or lies == Lies.SWITCHING:
            until = generator.integers(1, 300)
            fill_lie(way, free, lies, errors, lie, lie_speed, generator, True)
        if lies == Lies.OUTWARD and s.holding:
            way[:] = s.anchor - x
            fill_lie(way, free, lies, errors, lie, lie_speed, generator, False)
        elif lies == Lies.SWINGING:
            way[:] = -v
            fill_lie(way, free, lies, errors, lie, lie_speed, generator, False)
        fill_odometry(seen[0], x + lie, v + lie_speed, q, rate, now)
        if tick == 0:
            heard[0] = seen[0]
            sight.look(its[0], its_state[0], heard, now + age * TICK_NS)
            ways[2], ways[3] = its_state[0].others[0].now, its_state[0].others[0].stop
            found[2], found[3] = 0.0, its_state[0].others[0].reach
            heard[0].stamp = 0
        if tick >= started and (tick - started) % 10 == 0:
            for a in range(6):
                s.ahead.coming[a] = sent[0, a] * wait / NS_PER_S
            wrench[0].stamp = now
            if tick == started:
                heard[0] = seen[0]
                heard[0].position[:] = 1e3
                wrench[0].force[:] = sent[1, :3]
            else:
                heard[0].stamp = 0
                wrench[0].force[:] = 0.0
            judge(p, s, layout[0], program[0], seen[0], heard, wrench[0], True)
            share = outlook.attainable(layout[0], program[0], s.passed)
            sent[1] = share * s.passed
            changes = now + wait
            if tick == started:
                ways[0], ways[1], found[2] = s.end, s.stop, s.reach
                begins = s.ahead.position.copy()
        change = min(max(changes - now, 0), TICK_NS)
        for part in range(2):
            span = (change if part == 0 else TICK_NS - change) / NS_PER_S
            if part == 1 and span > 0.0:
                sent[0] = sent[1]
            force = rotation.rotate(q, (sent[0, 0], sent[0, 1], sent[0, 2]))
            for k in range(3):
                push[k] = free[k] * force[k] / vehicle.mass
            bent = np.array([-push[1], push[0], 0.0])
            for k in range(3):
                weak = -(1.0 - vehicle.share) * push[k]
                push[k] += FULL * (ASIDE * bent[k] if gain == 1 else weak if gain == 2 else 0.0)
                push[k] += drift_of(vehicle, v, k)
                x[k] += (v[k] + 0.5 * push[k] * span) * span
                v[k] += push[k] * span
        turned = rotation.integrate(q, (rate[0] * 0.01, rate[1] * 0.01, rate[2] * 0.01))
        q[0], q[1], q[2], q[3] = turned
        later = now + TICK_NS - LOCKSTEP_START_NS
        if later >= age * TICK_NS:
            found[1] = max(found[1], distance(x, x, ways[2], ways[3]) - found[3])
        if later >= age * TICK_NS + wait:
            off = min(distance(x, x, begins, ways[0]), distance(x, x, ways[0], ways[1]))
            found[0] = max(found[0], off - found[2])


@njit(cache=True)
def drift_of(vehicle, v, k):
    """What pulls, along the way."""
    size = math.sqrt(v[0] ** 2 + v[1] ** 2 + v[2] ** 2)
    return FULL * vehicle.drift * v[k] / size if size > 0.0 else 0.0


@njit(cache=True)
def fill_lie(way, free, lies, errors, lie, lie_speed, generator, anew):
    """Make the errors as large as stated, along `way`, or anew along any."""
    same = lies == Lies.STEADY or generator.random() < 0.5
    for k in range(3):
        if anew:
            way[k] = free[k] * generator.normal()
    size = math.sqrt(way[0] ** 2 + way[1] ** 2 + way[2] ** 2)
    if size == 0.0:
        return
    for k in range(3):
        lie[k] = FULL * errors[0] * way[k] / size
        lie_speed[k] = FULL * errors[1] * way[k] / size
    if anew and not same:
        lie_speed *= -1.0


@njit(cache=True)
def fill_odometry(seen, x, v, q, rate, now):
    """One messages.ODOMETRY of position and velocity in the fixed frame."""
    seen.stamp = now
    seen.position[:] = x
    seen.orientation[:] = q
    seen.angular_velocity[:] = rate
    along = rotation.rotate_inverse(q, (v[0], v[1], v[2]))
    seen.linear_velocity[0], seen.linear_velocity[1], seen.linear_velocity[2] = along
