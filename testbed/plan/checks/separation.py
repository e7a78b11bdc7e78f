"""A safety filter that cannot keep what the plan asks of it."""

from __future__ import annotations

import math
from collections.abc import Iterator

from testbed.description.errors import Problem
from testbed.description.messages import NS_PER_S
from testbed.flight.separation.memory import OLDEST
from testbed.plan.checks.subject import Subject
from testbed.plan.separation import kept_standing, minimum

OFF = "or in limits: separation: {guaranteed: false}, and nobody keeps vehicles apart"


def check(subject: Subject) -> Iterator[Problem]:
    """Look at what the plan states of vehicles and of how near they may come, and at the radio."""
    configuration = subject.configuration
    if len(configuration.vehicles) < 2 or not configuration.plan.limits.separation.guaranteed:
        return
    here = ("limits", "separation")
    if (least := minimum(configuration)) < subject.separation:
        allowed = f"at least {subject.separation:g} m, the separation that the {subject.place} requires"
        yield subject.source.problem((*here, "minimum"), least, allowed)
    for name in configuration.vehicles:
        try:
            kept_standing(configuration, name)
        except ValueError as error:
            stray = configuration.plan.limits.separation.stray
            yield subject.source.problem((*here, "stray"), stray, f"what {name} can outrun: {error}; {OFF}")
    yield from _too_rarely(subject)


def _too_rarely(subject: Subject) -> Iterator[Problem]:
    """A radio by which what is heard of a partner is too old even where no message is lost."""
    configuration, radio = subject.configuration, subject.configuration.noise.radio
    period = radio.period_ns
    waits = max(math.ceil(radio.latency * NS_PER_S / period), 1)
    modulations = {round(one.thrusters.modulation_period * NS_PER_S) for one in configuration.vehicles.values()}
    age = (waits * period + max(period - math.gcd(period, one) for one in modulations)) / NS_PER_S
    if age > OLDEST:
        allowed = f"a radio by which the newest of a partner is at most {OLDEST:g} s old, not {age:g} s; {OFF}"
        yield configuration.sources["noise"].problem(("radio", "rate"), radio.rate, allowed)
