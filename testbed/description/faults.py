"""What can break: faults of the plant, as a plan lists them under `faults:` and as the plant takes them live.

A fault changes what is *actual*, never what flight code believes. In words, as the live parameter and the recording
have it, a fault is its kind followed by its values in the order of the fields here, of which those at the end that
have a default may be left out: `valve_leak wren front_left_along 0.2`.
"""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal, Self, get_args

from pydantic import Field, TypeAdapter, ValidationError, model_validator

from testbed.description.allowed import allowed_by
from testbed.description.messages import NS_PER_S, PERIOD_NS
from testbed.description.model import Description, Inconsistent

SHORTEST: Final = PERIOD_NS["/plan/state"] / NS_PER_S
"""A fault lasts at least from one step of the session to the next, s."""


class Fault(Description):
    """Something that breaks and is whole again at `until`, or when the next try begins.

    Both take effect at the next step of the session, of which there are ten a second.
    """

    at: float = Field(default=0.0, ge=0.0, description="When it begins, s after the try began")
    until: float | None = Field(default=None, gt=0.0, description="When it is over, s after the try began")

    @model_validator(mode="after")
    def _ends_after_it_began(self) -> Self:
        if self.until is not None and self.until < self.at + SHORTEST - 1e-9:
            raise Inconsistent(f"at least {self.at + SHORTEST:g} s, {SHORTEST:g} s after at", "until")
        return self


class VehicleFault(Fault):
    """Something breaks on one vehicle."""

    vehicle: str = Field(min_length=1, description="Name of the vehicle in the plan")


class ValveFault(VehicleFault):
    """Something is wrong with one valve."""

    valve: str = Field(min_length=1, description="Name of the valve")


class ValveStuckOpen(ValveFault):
    """The valve opens and stays open, whatever is commanded."""

    kind: Literal["valve_stuck_open"]


class ValveStuckClosed(ValveFault):
    """The valve closes and stays closed, whatever is commanded."""

    kind: Literal["valve_stuck_closed"]


class ValveLeak(ValveFault):
    """The valve lets gas past its seat all the time."""

    kind: Literal["valve_leak"]
    share: float = Field(default=0.1, gt=0.0, le=1.0, description="Leaking flow as a share of the full flow")


class ValveWeak(ValveFault):
    """The valve gives another thrust than it should, at the same flow: a damaged or blocked nozzle."""

    kind: Literal["valve_weak"]
    factor: float = Field(default=0.5, ge=0.0, le=2.0, description="Thrust as a share of what it was")


class ValveSlow(ValveFault):
    """The valve answers later than it should, both ways."""

    kind: Literal["valve_slow"]
    delay: float = Field(default=0.01, gt=0.0, le=0.1, description="Additional delay, s")


class RegulatorDroop(VehicleFault):
    """The regulator passes less gas than it should, so the plenum sags more the more valves are open."""

    kind: Literal["regulator_droop"]
    factor: float = Field(default=0.3, gt=0.0, le=1.0, description="Flow per pressure drop as a share of what it was")


class RegulatorStuck(VehicleFault):
    """The regulator stays closed: the valves get what the plenum holds, and then nothing."""

    kind: Literal["regulator_stuck"]


class TankLeak(VehicleFault):
    """The tank lets gas out, which pushes nowhere."""

    kind: Literal["tank_leak"]
    rate_g: float = Field(
        default=0.1, gt=0.0, le=100.0, description="What it lets out at its pressure of the start, g/s"
    )


class ReliefOpen(VehicleFault):
    """The relief valve of the tank opens and stays open."""

    kind: Literal["relief_open"]


class BatteryWeak(VehicleFault):
    """The battery's internal resistance grows: under load its voltage falls, perhaps below the cut-off."""

    kind: Literal["battery_weak"]
    factor: float = Field(default=5.0, ge=1.0, le=1000.0, description="Internal resistance over what it was")


class BearingLost(VehicleFault):
    """The carriage gets no more air from its tank, and touches down."""

    kind: Literal["bearing_lost"]


class GyroBias(VehicleFault):
    """The bias of the gyro jumps."""

    kind: Literal["gyro_bias"]
    axis: Literal["x", "y", "z"] = Field(default="z", description="Axis of base_link")
    jump_deg: float = Field(default=1.0, description="By how much, degrees/s")


class GyroDead(VehicleFault):
    """The gyro says again and again what it said last."""

    kind: Literal["gyro_dead"]


class AccelerometerDead(VehicleFault):
    """The accelerometer says again and again what it said last."""

    kind: Literal["accelerometer_dead"]


class ReceiverDead(VehicleFault):
    """An ultrasound receiver hears nothing."""

    kind: Literal["receiver_dead"]
    receiver: int = Field(ge=0, description="Its place in the vehicle file, from 0")


class BeaconDead(Fault):
    """A beacon no longer chirps."""

    kind: Literal["beacon_dead"]
    beacon: int = Field(ge=0, description="Its place in the beacons file, from 0")


class InfraredLost(VehicleFault):
    """The vehicle misses the infrared start pulses, so it times no chirp."""

    kind: Literal["infrared_lost"]


class TrackingLost(VehicleFault):
    """Overhead tracking no longer sees the vehicle, and carries its last motion on."""

    kind: Literal["tracking_lost"]


class LatchStuck(VehicleFault):
    """The latch of a port stays as it is, engaged or not; whole again, it does what it was told last."""

    kind: Literal["latch_stuck"]
    port: str = Field(min_length=1, description="Name of the port")


class AirTemperature(Fault):
    """The air becomes warmer or colder than the thermometer says, and sound faster or slower."""

    kind: Literal["air_temperature"]
    step: float = Field(default=3.0, ge=-40.0, le=40.0, description="By how much, K")


class CameraDark(VehicleFault):
    """No light reaches the camera."""

    kind: Literal["camera_dark"]


class TableTilt(Fault):
    """The table sinks to one side."""

    kind: Literal["table_tilt"]
    x_mrad: float = Field(default=0.2, ge=-50.0, le=50.0, description="Additional slope along x, mrad")
    y_mrad: float = Field(default=0.0, ge=-50.0, le=50.0, description="Additional slope along y, mrad")


AnyFault = Annotated[
    ValveStuckOpen
    | ValveStuckClosed
    | ValveLeak
    | ValveWeak
    | ValveSlow
    | RegulatorDroop
    | RegulatorStuck
    | TankLeak
    | ReliefOpen
    | BatteryWeak
    | BearingLost
    | GyroBias
    | GyroDead
    | AccelerometerDead
    | ReceiverDead
    | BeaconDead
    | InfraredLost
    | TrackingLost
    | LatchStuck
    | AirTemperature
    | CameraDark
    | TableTilt,
    Field(discriminator="kind"),
]

KINDS: Final[dict[str, type[Fault]]] = {
    get_args(member.model_fields["kind"].annotation)[0]: member for member in get_args(get_args(AnyFault)[0])
}
"""Every fault by the name of its kind."""

_ADAPTER: Final[TypeAdapter[Any]] = TypeAdapter(AnyFault)


def words_of(kind: type[Fault]) -> list[str]:
    """Names of the values that follow the kind in words."""
    return [name for name in kind.model_fields if name not in ("at", "until", "kind")]


def in_words(fault: Fault) -> str:
    """A fault in words, its sizes included."""
    kind = type(fault).model_fields["kind"].annotation
    values = (getattr(fault, name) for name in words_of(type(fault)))
    return " ".join([*get_args(kind), *(str(value) for value in values)])


def from_words(text: str) -> Fault:
    """Read a fault in words; it begins at once.

    Raises:
        ValueError: saying in one line what is wrong and what is allowed.

    """
    kind, *values = text.split() or [""]
    if kind not in KINDS:
        raise ValueError(f"{text!r} begins with {kind!r}, allowed: one of {', '.join(KINDS)}")
    names = words_of(KINDS[kind])
    if len(values) > len(names):
        raise ValueError(f"{text!r} has {len(values)} values, allowed: {usage(kind)}")
    try:
        return _ADAPTER.validate_python({"kind": kind, **dict(zip(names, values, strict=False))})
    except ValidationError as error:
        details: dict[str, Any] = dict(error.errors(include_url=False)[0])
        if details["type"] == "missing":
            raise ValueError(f"{text!r} is too short, allowed: {usage(kind)}") from None
        name = details["loc"][-1]
        details["loc"] = (name,)
        allowed = allowed_by(details, KINDS[kind].model_json_schema())
        raise ValueError(f"{text!r}: {name} is {details['input']!r}, allowed: {allowed}") from None


def usage(kind: str) -> str:
    """What a fault of this kind looks like in words."""
    fields = KINDS[kind].model_fields
    return " ".join(
        [kind, *(name.upper() if fields[name].is_required() else f"[{name.upper()}]" for name in words_of(KINDS[kind]))]
    )
