"""Bodies that move exactly as the theorem of the safety filter allows, at its worst.

Each is a double integrator. What a filter lets through acts `wait` later, for a period; thrust differs from what is
believed, and errors of the estimate lie, as far as stated and in the worst directions known. Guidance is an adversary
that knows the truth; bodies that do not cooperate, or cease to, stray by what is stated.
"""

import math
from enum import IntEnum

import numpy as np
from numba import njit

from testbed.description import rotation
from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S, TICK_NS
from testbed.flight.guard import outlook
from testbed.flight.separation import Action, Worry
from testbed.flight.separation.memory import ASIDE
from testbed.flight.separation.safety_filter import judge

FULL = 0.999
"""Share of a stated bound that errors reach."""
RING = 32
"""Odometries of each body that are kept, one a tick."""
FAR, SLOW = 3.0, 0.1
"""Farther than this from everybody, m, and nobody faster than this, m/s, whatever is asked has to pass."""


class Asks(IntEnum):
    """What an adversary asks for."""

    CHASE = 0
    """All that the valves give and more, at the nearest."""
    DASH = 1
    """At a drawn speed at one partner after another."""
    BETWEEN = 2
    """Into the middle of the nearest two."""
    FIRST = 3
    """All at the first body: a pincer."""
    ROUND = 4
    """Round the nearest and towards it."""
    RANDOM = 5
    NOTHING = 6


class Moves(IntEnum):
    """How a body moves."""

    FILTERED = 0
    COASTS = 1
    """Without thrust."""
    VALVE = 2
    """A valve is stuck open: constant thrust along its axes, and it spins."""
    HUNTS = 3
    """The same thrust, always at the nearest."""
    BURSTS = 4
    """All that its valves give, at the nearest, for the time that a filter has to allow for; then without thrust."""


class Lies(IntEnum):
    """How the errors of an estimate behave."""

    STEADY = 0
    SWITCHING = 1
    FARTHER = 2
    """It believes to be farther from the nearest, and to recede."""
    IN_TURNS = 3
    """FARTHER and its opposite for half a second each."""


BODY = np.dtype(
    [
        ("moves", "i8"), ("fails_at", "i8"), ("fails_as", "i8"), ("asks", "i8"), ("lies", "i8"),
        ("phase", "i8"), ("latency", "i8"), ("wait", "i8"), ("share", "f8"),
        ("position_error", "f8"), ("velocity_error", "f8"),
        ("stray", "f8"), ("thrust_most", "f8"), ("burst", "i8"), ("pull", "f8"), ("gain", "i8"), ("speed", "f8"),
        ("position", "f8", (3,)), ("velocity", "f8", (3,)), ("orientation", "f8", (4,)), ("rate", "f8", (3,)),
        ("lie", "f8", (3,)), ("lie_speed", "f8", (3,)), ("aside", "f8", (3,)),
        ("thrust", "f8", (2, 6)), ("changes", "i8"), ("target", "i8"),
    ],
    align=True,
)  # fmt: skip
"""stray, thrust_most, pull m/s²; burst ns; wait ns: from a decision until it acts; share: of the believed thrust that
the worst gives; thrust: of the wrench that acts, and of that which acts from `changes` ns on, base_link."""

TOLD = np.dtype(
    [
        ("least", "f8"), ("least_unsaid", "f8"), ("least_friends", "f8"), ("decisions", "i8"),
        ("acted", "i8"), ("evaded", "i8"),
        ("leaned", "i8"), ("said", "i8"), ("far", "i8"), ("far_passed", "i8"), ("impulse", "f8"),
    ],
    align=True,
)  # fmt: skip
"""least: separation less the minimum, m, of pairs with a filter; unsaid: while a filter of the pair calls it sure;
friends: of pairs with two. Decisions, and on how many of them filters acted, evaded, leaned, said that they cannot
guarantee, were far from all and slow, and then passed; impulse that was sent, N·s."""


@njit(cache=True)
def fly(bodies, parameters, states, layouts, programs, heard, ring, wrench, minimum, active, ticks, generator, told):
    """Fly for `ticks`, and keep count of what came of it."""
    n = len(bodies)
    for tick in range(ticks):
        now = LOCKSTEP_START_NS + tick * TICK_NS
        for i in range(n):
            measure(bodies, i, tick, now, active, generator, ring[i, tick % RING])
            if now >= bodies[i].fails_at:
                bodies[i].moves = bodies[i].fails_as
        for i in range(n):
            if bodies[i].moves == Moves.FILTERED and tick >= bodies[i].phase and (tick - bodies[i].phase) % 10 == 0:
                decide(
                    bodies,
                    parameters,
                    states,
                    layouts,
                    programs,
                    heard,
                    ring,
                    wrench,
                    active,
                    i,
                    tick,
                    now,
                    generator,
                    told,
                )
        for i in range(n):
            move(bodies, parameters, states, i, now, active)
        look(bodies, states, minimum, n, tick, told)


@njit(cache=True)
def nearest(bodies, i):
    """Index of the body nearest to body i."""
    best, least = -1, math.inf
    for j in range(len(bodies)):
        apart = 0.0
        for k in range(3):
            apart += (bodies[j].position[k] - bodies[i].position[k]) ** 2
        if j != i and apart < least:
            best, least = j, apart
    return best


@njit(cache=True)
def towards(bodies, i, j, way):
    """Fill `way` (3,): the direction from body i to body j."""
    size = 1e-12
    for k in range(3):
        way[k] = bodies[j].position[k] - bodies[i].position[k]
        size += way[k] * way[k]
    for k in range(3):
        way[k] /= math.sqrt(size)


@njit(cache=True)
def measure(bodies, i, tick, now, active, generator, seen):
    """Fill `seen`, an odometry of body i that lies as it does."""
    body, way = bodies[i], np.zeros(3)
    if body.lies == Lies.SWITCHING:
        for k in range(3):
            body.lie[k], body.lie_speed[k] = active[k] * generator.normal(), active[k] * generator.normal()
        body.lie[:] *= FULL * body.position_error / np.sqrt((body.lie**2).sum())
        body.lie_speed[:] *= FULL * body.velocity_error / np.sqrt((body.lie_speed**2).sum())
    elif body.lies != Lies.STEADY:
        towards(bodies, i, nearest(bodies, i), way)
        sign = -1.0 if body.lies == Lies.FARTHER or (tick // 50) % 2 == 0 else 1.0
        for k in range(3):
            body.lie[k] = sign * FULL * body.position_error * way[k]
            body.lie_speed[k] = sign * FULL * body.velocity_error * way[k]
    for k in range(3):
        way[k] = body.velocity[k] + body.lie_speed[k]
        seen.position[k] = body.position[k] + body.lie[k]
    seen.stamp = now
    seen.orientation[:] = body.orientation
    seen.angular_velocity[:] = body.rate
    v = rotation.rotate_inverse(body.orientation, way)
    seen.linear_velocity[0], seen.linear_velocity[1], seen.linear_velocity[2] = v


@njit(cache=True)
def decide(bodies, parameters, states, layouts, programs, heard, ring, wrench, active, i, tick, now, generator, told):
    """Ask the adversary, then the filter, and let its answer act in time."""
    body, p, s, k = bodies[i], parameters[i], states[i], 0
    for j in range(len(bodies)):
        if j != i:
            old = max(tick - bodies[j].latency, 0)
            heard[i, k] = ring[j, old % RING]
            k += 1
    own = ring[i, tick % RING]
    for a in range(6):
        s.ahead.coming[a] = body.thrust[1, a] * body.wait / NS_PER_S
    fill_wrench(bodies, p, i, tick, active, generator, wrench[0])
    wrench[0].stamp = now
    judge(p, s, layouts[i], programs[i], own, heard[i], wrench[0], True)
    body.thrust[0, :] = body.thrust[1, :]
    share = outlook.attainable(layouts[i], programs[i], s.passed)
    for a in range(6):
        body.thrust[1, a] = share * s.passed[a]
    body.changes = now + body.wait
    told[0].decisions += 1
    told[0].acted += s.action >= Action.TRIMMED
    told[0].evaded += s.action == Action.EVADED
    told[0].leaned += s.now[Worry.LEANS] > 0
    told[0].said += says(s)
    told[0].impulse += np.sqrt((body.thrust[1, :3] ** 2).sum()) * p.vehicle.period
    if far_and_slow(bodies, i):
        told[0].far += 1
        told[0].far_passed += s.action == Action.PASSED


@njit(cache=True)
def far_and_slow(bodies, i):
    """Whether body i is far from all others and nobody is fast."""
    found = True
    for other in bodies:
        apart, speed = 0.0, 0.0
        for k in range(3):
            apart += (other.position[k] - bodies[i].position[k]) ** 2
            speed += other.velocity[k] ** 2
        found = found and (apart == 0.0 or apart > FAR**2) and speed < SLOW**2
    return found


@njit(cache=True)
def says(s):
    """Whether a filter says that it cannot guarantee."""
    return s.now[Worry.UNSURE] + s.now[Worry.UNHEARD] + s.now[Worry.BEYOND] + s.now[Worry.CLOSE] > 0


@njit(cache=True)
def fill_wrench(bodies, p, i, tick, active, generator, wrench):
    """What the adversary asks for."""
    body, way, other = bodies[i], np.zeros(3), np.zeros(3)
    n, most = len(bodies), 3.0 * p.vehicle.most_force
    wrench.force[:] = 0.0
    if tick % 100 == body.phase:
        body.target = (i + 1 + generator.integers(0, max(n - 1, 1))) % n
    near = nearest(bodies, i)
    towards(bodies, i, near, way)
    if body.asks == Asks.DASH:
        towards(bodies, i, body.target, way)
        for k in range(3):
            way[k] = (body.speed * way[k] - body.velocity[k]) * p.vehicle.mass / (0.5 * most)
    elif body.asks == Asks.BETWEEN and n > 2:
        towards(bodies, i, body.target, other)
        for k in range(3):
            way[k] += other[k]
    elif body.asks == Asks.FIRST and i > 0:
        towards(bodies, i, 0, way)
    elif body.asks == Asks.ROUND:
        x, y = way[0], way[1]
        way[0], way[1] = 0.3 * x - y, 0.3 * y + x
        for k in range(3):
            way[k] = (body.speed * way[k] - body.velocity[k]) * p.vehicle.mass / (0.5 * most)
    elif body.asks == Asks.RANDOM:
        if tick % 100 == body.phase or body.speed < 0.04:
            for k in range(3):
                body.aside[k] = active[k] * generator.normal()
        way[:] = body.aside
    elif body.asks == Asks.NOTHING:
        way[:] = 0.0
    force = rotation.rotate_inverse(body.orientation, (most * way[0], most * way[1], most * way[2]))
    wrench.force[0], wrench.force[1], wrench.force[2] = force
    for k in range(3):
        wrench.torque[k] = p.vehicle.active[3 + k] * generator.normal() * p.vehicle.most_torque


@njit(cache=True)
def push_of(bodies, parameters, i, now, thrust, active, push):
    """Fill `push` (3,): the acceleration of body i by a wrench (6,), thrust errors and what pulls included."""
    body, way = bodies[i], np.zeros(3)
    push[:] = 0.0
    j = nearest(bodies, i)
    towards(bodies, i, j, way)
    if body.moves == Moves.FILTERED:
        p = parameters[i]
        a = rotation.rotate(body.orientation, (thrust[0], thrust[1], thrust[2]))
        size = math.sqrt(a[0] ** 2 + a[1] ** 2 + a[2] ** 2) / p.vehicle.mass
        for k in range(3):
            push[k] = a[k] / p.vehicle.mass * (1.0 - FULL * (1.0 - body.share) if body.gain == 0 else 1.0)
            if body.gain == 1:
                push[k] += FULL * ASIDE * size * way[k]
        if body.gain == 2:
            push[0], push[1] = push[0] - FULL * ASIDE * push[1], push[1] + FULL * ASIDE * push[0]
    elif body.moves == Moves.VALVE:
        a = rotation.rotate(body.orientation, (0.6 * body.stray, 0.8 * body.stray, 0.0))
        push[0], push[1], push[2] = a
    elif body.moves == Moves.BURSTS and now < body.fails_at + body.burst:
        for k in range(3):
            push[k] = body.thrust_most * way[k]
    elif body.moves == Moves.HUNTS:
        for k in range(3):
            push[k] = body.stray * way[k]
    for k in range(3):
        push[k] = active[k] * (push[k] + FULL * body.pull * (way[k] if body.gain != 3 else -way[k]))


@njit(cache=True)
def move(bodies, parameters, states, i, now, active):
    """Move body i by a tick; what acts may change within it."""
    body, push = bodies[i], np.zeros(3)
    change = min(max(body.changes - now, 0), TICK_NS)
    for part in range(2):
        span = (change if part == 0 else TICK_NS - change) / NS_PER_S
        if span > 0.0:
            push_of(bodies, parameters, i, now, body.thrust[part], active, push)
            for k in range(3):
                body.position[k] += (body.velocity[k] + 0.5 * push[k] * span) * span
                body.velocity[k] += push[k] * span
    span = TICK_NS / NS_PER_S
    turn = body.rate[0] * span, body.rate[1] * span, body.rate[2] * span
    q = rotation.integrate(body.orientation, turn)
    body.orientation[0], body.orientation[1], body.orientation[2], body.orientation[3] = q


@njit(cache=True)
def look(bodies, states, minimum, n, tick, told):
    """Keep the least separation of all pairs with a filter."""
    for i in range(n):
        for j in range(i):
            if bodies[i].moves != Moves.FILTERED and bodies[j].moves != Moves.FILTERED:
                continue
            apart = 0.0
            for k in range(3):
                apart += (bodies[i].position[k] - bodies[j].position[k]) ** 2
            left = math.sqrt(apart) - minimum
            told[0].least = min(told[0].least, left)
            if bodies[i].moves == bodies[j].moves:
                told[0].least_friends = min(told[0].least_friends, left)
            for one in (i, j):
                if bodies[one].moves == Moves.FILTERED and tick > 10 and not says(states[one]):
                    told[0].least_unsaid = min(told[0].least_unsaid, left)
