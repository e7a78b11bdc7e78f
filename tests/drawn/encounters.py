"""Encounters: a few vehicles with safety filters, and perhaps one that does not cooperate, drawn in the safe set."""

import math
from dataclasses import dataclass
from functools import cache

import numpy as np

from testbed.description import messages, rotation
from testbed.description.axes import CABIN_AXES, TABLE_AXES
from testbed.description.locate import locate
from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S, TICK_NS
from testbed.flight.allocation import Allocation
from testbed.flight.separation import MAX_PARTNERS, Action, Partner, SafetyFilter
from testbed.plan.configuration import load_configuration
from tests.drawn.bodies import BODY, FULL, RING, TOLD, Asks, Lies, Moves, fly
from tests.drawn.vehicles import scaled

AXES = {"table": TABLE_AXES, "cabin": CABIN_AXES}
SPIN = math.radians(15.0)
"""Limit of the vehicles' spin, rad/s."""
NEVER = 1 << 60
DEMO = 3
"""So many vehicles come first in `pool`, which are those of the demo."""


@dataclass
class Encounter:
    """Bodies and their filters, ready to fly."""

    bodies: np.ndarray
    parameters: np.ndarray
    states: np.ndarray
    layouts: np.ndarray
    programs: np.ndarray
    minimum: float
    active: np.ndarray

    @property
    def keep(self) -> float:
        """The largest separation that a filter keeps, less the minimum, m."""
        return max(float(one["keep"] - one["minimum"]) for p in self.parameters for one in p["partners"][: p["count"]])

    def fly(self, seconds: float, seed: int) -> np.void:
        """TOLD of a flight."""
        n, told = len(self.bodies), np.zeros(1, TOLD)
        told["least"] = told["least_unsaid"] = told["least_friends"] = np.inf
        heard, ring = np.zeros((n, MAX_PARTNERS), messages.ODOMETRY), np.zeros((n, RING), messages.ODOMETRY)
        fly(
            self.bodies, self.parameters, self.states, self.layouts, self.programs, heard, ring,
            np.zeros(1, messages.WRENCH), self.minimum, self.active, round(seconds * NS_PER_S / TICK_NS),
            np.random.default_rng(seed), told,
        )  # fmt: skip
        return told[0]


@cache
def pool():
    """Vehicles of the demo and some that are lighter, heavier or with a valve out of service less."""
    own = list(load_configuration(locate("plans/demo.yaml")).vehicles.values())
    more = [
        one.model_copy(update={"flight": scaled(one.flight, 0.8, 0.8), "floor": scaled(one.floor, 0.8, 0.8)})
        for one in own
    ]
    return own + more


def drawn_encounter(place, generator, count, intruder=None, errors=None, whole_valve=False):
    """`count` bodies on the table or in the cabin, at rest or moving, in the safe set.

    intruder: (how the last body moves, see `Moves`, and when it begins to, s) or None; whole_valve: it strays by all
    that one of its valves gives, else by what is drawn. errors: stated, (m, m/s), else drawn.
    """
    vehicles = pool()[:DEMO] if whole_valve else pool()
    chosen = [vehicles[k] for k in generator.integers(len(vehicles), size=count)]
    active = np.array([1.0, 1.0, 0.0] if place == "table" else [1.0, 1.0, 1.0])
    errors = errors or (10 ** generator.uniform(-3.3, -2.0), 10 ** generator.uniform(-3.7, -2.2))
    minimum = generator.uniform(0.3, 0.6)
    stray = np.zeros(count)
    if intruder and intruder[0] not in (Moves.COASTS, Moves.FILTERED):
        stray[-1] = valve_stray(place, chosen[-1]) if whole_valve else drawn_stray(place, generator, chosen)
    filters = [
        SafetyFilter(
            one, place, AXES[place],
            [Partner(other, minimum, *errors, stray[j]) for j, other in enumerate(chosen) if j != i], *errors, stray[i],
        )
        for i, one in enumerate(chosen)
    ]  # fmt: skip
    bodies = np.zeros(count, BODY)
    for i, body in enumerate(bodies):
        own = filters[i].parameters[0]["vehicle"]
        body["fails_at"], body["stray"], body["pull"] = NEVER, stray[i], own["drift"]
        body["position_error"], body["velocity_error"] = errors
        body["wait"], body["share"] = own["lead"] + own["delay"], own["share"]
        body["thrust_most"] = own["most_force"] / own["mass"]
        body["burst"] = body["wait"] + round(own["period"] * NS_PER_S) - TICK_NS
        draw_character(generator, body, place)
    if intruder:
        moves, begin = intruder
        bodies[-1]["fails_as"], bodies[-1]["fails_at"] = moves, round(begin * NS_PER_S) + LOCKSTEP_START_NS
    layouts = [Allocation(one, place, AXES[place]) for one in chosen]
    found = Encounter(
        bodies,
        np.concatenate([one.parameters for one in filters]),
        np.concatenate([one.state for one in filters]),
        np.concatenate([one.parameters for one in layouts]),
        np.concatenate([one.state for one in layouts]),
        minimum,
        active,
    )
    draw_safe_start(generator, found, filters, place)
    return found


def valve_stray(place, one):
    """Acceleration by the strongest of its valves, m/s²."""
    return max(valve.thrust for valve in one.thrusters.valves) / one.mass_properties(place).mass


def drawn_burst(place, generator, errors=None):
    """A vehicle that chases at the worst of the errors one that coasts ahead, until this one gives a burst of thrust.

    It begins with some decision of the filter, so the filter has allowed for all of it.
    """
    found = drawn_encounter(place, generator, 2, (Moves.BURSTS, 0.0), errors)
    hunter, prey = found.bodies
    hunter["asks"], hunter["lies"], hunter["gain"], hunter["latency"] = Asks.CHASE, Lies.FARTHER, 0, 0
    hunter["position"], prey["position"] = 0.0, [generator.uniform(1.6, 2.2), 0.0, 0.0]
    hunter["velocity"] = [generator.uniform(0.0, 0.06), 0.0, 0.0]
    prey["velocity"] = [-generator.uniform(-0.02, 0.06), 0.0, 0.0]
    prey["moves"], prey["lies"], prey["latency"] = Moves.COASTS, Lies.FARTHER, 0
    decision = hunter["phase"] + 10 * generator.integers(200)
    prey["fails_at"] = LOCKSTEP_START_NS + decision * TICK_NS
    return found


def drawn_stray(place, generator, vehicles):
    """An acceleration that every one of the vehicles can outrun, m/s²."""
    slowest = min(SafetyFilter(one, place, AXES[place], [], 0.005, 0.002).parameters[0]["braking"] for one in vehicles)
    return generator.uniform(0.1, 0.6) * slowest


def draw_character(generator, body, place):
    body["asks"], body["lies"] = generator.integers(6), generator.integers(len(Lies))
    body["phase"], body["latency"] = generator.integers(10), generator.integers(8)
    body["gain"], body["speed"] = generator.integers(4), generator.uniform(0.02, 0.15)
    turn = generator.normal(size=4) * ((0, 0, 1, 1) if place == "table" else 1)
    body["orientation"] = turn / np.linalg.norm(turn)
    way = generator.normal(size=3) * ((0, 0, 1) if place == "table" else 1)
    body["rate"] = SPIN * generator.uniform() * way / np.linalg.norm(way)
    for name, size in (("lie", "position_error"), ("lie_speed", "velocity_error"), ("aside", "pull")):
        way = generator.normal(size=3) * ((1, 1, 0) if place == "table" else 1)
        body[name] = FULL * body[size] * way / np.linalg.norm(way)


def draw_safe_start(generator, encounter, filters, place):
    """Draw places and velocities until every filter lets no wrench at all pass."""
    bodies, n = encounter.bodies, len(encounter.bodies)
    room, speed = 0.7 + 0.25 * n, 0.06
    while True:
        for body in bodies:
            body["position"] = encounter.active * generator.uniform(-room, room, 3)
            way = encounter.active * generator.normal(size=3)
            body["velocity"] = way / np.linalg.norm(way) * speed * generator.uniform() * generator.integers(2)
        if all(safe(encounter, filters[i], i) for i in range(n)):
            return
        room *= 1.02


def safe(encounter, one, i):
    one.state[0]["others"]["first_stamp"] = 0
    seen = np.zeros((len(encounter.bodies), 1), messages.ODOMETRY)
    for j, body in enumerate(encounter.bodies):
        seen[j]["stamp"], seen[j]["position"] = LOCKSTEP_START_NS, body["position"]
        seen[j]["orientation"] = body["orientation"]
        seen[j]["linear_velocity"] = rotation.rotate_inverse(body["orientation"], body["velocity"])
    partners = np.zeros(MAX_PARTNERS, messages.ODOMETRY)
    partners[: len(seen) - 1] = np.delete(seen[:, 0], i)
    wrench = np.zeros(1, messages.WRENCH)
    wrench["stamp"] = LOCKSTEP_START_NS
    return one.judge(seen[i], partners, wrench)[1] == Action.PASSED
