"""Every effect of the plant has one case that turns it on alone; flight's inputs do not depend on what is switched off.

A family's module holds CASES, a mapping from each Effect to how its size is compared with a closed form.
"""

import importlib
import math
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from testbed.description.effects import NEUTRAL, Actual, Effect, switch_off
from testbed.description.noise import Noise
from testbed.model.draws import Draws
from testbed.model.plant import Plant
from testbed.plan.configuration import load_configuration
from testbed.rehearsal.build import actual
from testbed.rehearsal.flight import flight_arrays
from tests.model.scene import BEACONS, CABIN, FLAT, a_vehicle

FAMILIES = (
    "thrusters",
    "supply",
    "table",
    "contact",
    "cabin",
    "inertial",
    "ranging",
    "tracking",
    "battery",
    "camera",
    "radio",
)
PLAN = Path(__file__).resolve().parents[3] / "config" / "plans" / "first-float.yaml"


def cases():
    """How many families claim each effect."""
    modules = [importlib.import_module(f"tests.model.effects.test_{family}") for family in FAMILIES]
    return Counter(effect for module in modules for effect in module.CASES)


def a_world(room=FLAT):
    return Actual((a_vehicle(), a_vehicle("siskin")), room, BEACONS, Noise(name="default"))


def switched(*effects):
    """The first float with these effects switched off."""
    configuration = load_configuration(PLAN)
    plan = configuration.plan.model_copy(update={"switched_off": effects})
    return type(configuration)(**{**vars(configuration), "plan": plan})


def test_no_effect_is_claimed_by_two_families():
    assert {effect: count for effect, count in cases().items() if count > 1} == {}


def test_every_effect_has_its_case():
    assert set(cases()) == set(Effect)


@pytest.mark.parametrize("effect", Effect)
def test_every_effect_has_its_neutral_values(effect):
    assert NEUTRAL[effect]


@pytest.mark.parametrize("room", [FLAT, CABIN], ids=["table", "cabin"])
@pytest.mark.parametrize("effect", Effect)
def test_switching_off_twice_is_switching_off_once(effect, room):
    once = switch_off([effect], a_world(room))
    assert switch_off([effect], once) == once


def test_the_order_of_switching_off_does_not_matter():
    world = a_world()
    for effect in Effect:
        world = switch_off([effect], world)
    assert world == switch_off(reversed(Effect), a_world())


def plain_fields(records):
    """Name and values of every field, those of records in records too."""
    for name in records.dtype.names:
        if records[name].dtype.names:
            yield from plain_fields(records[name])
        else:
            yield name, records[name]


@pytest.mark.parametrize("room", [FLAT, CABIN], ids=["table", "cabin"])
def test_in_the_ideal_world_seeds_make_no_difference_and_everything_is_finite(room):
    ideal = switch_off(set(Effect), a_world(room))
    one, other = (
        Plant(ideal.vehicles, ideal.room, ideal.beacons, ideal.noise, Draws(seed, 0, len(ideal.vehicles)))
        for seed in (1, 2)
    )
    for array in ("world", "vehicles"):
        fields = zip(plain_fields(getattr(one, array)), plain_fields(getattr(other, array)), strict=True)
        for (name, ours), (_, theirs) in fields:
            assert np.array_equal(ours, theirs), name
            assert np.isfinite(ours).all() or name in MAY_BE_INFINITE, name


MAY_BE_INFINITE: set[str] = set()
"""Fields in which a neutral value is infinite by design."""


def test_what_is_switched_off_reaches_the_plant():
    assert actual(switched()) == actual(load_configuration(PLAN))
    assert actual(switched(Effect.TILT)).room.tilt_mrad == (0.0, 0.0)
    assert math.isinf(actual(switched(Effect.FILM_DRAG)).room.film_drag_time)
    assert [one.thrusters.delay_jitter for one in actual(switched(Effect.VALVE_JITTER)).vehicles] == [0.0]


def test_flight_gets_the_same_whatever_is_switched_off():
    believed, ideal = flight_arrays(switched()), flight_arrays(switched(*Effect))
    for one, other in zip(believed, ideal, strict=True):
        assert one.tobytes() == other.tobytes()


def test_the_configuration_tells_what_is_switched_off():
    configuration = switched(Effect.TILT, Effect.DROPOUT)
    assert configuration.resolved()["plan"]["switched_off"] == ["tilt", "dropout"]
    assert type(configuration).from_json(configuration.to_json()).plan.switched_off == (Effect.TILT, Effect.DROPOUT)
