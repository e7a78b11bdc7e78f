"""What quiet windows cost is said by `testbed check`, and windows that leave no time are refused."""

from dataclasses import replace

from testbed.description.locate import locate
from testbed.plan.checks.quiet import check, sentences
from testbed.plan.configuration import load_configuration


def quiet(slot=None):
    """The first float's session with quiet windows, and with other slots between chirps."""
    configuration = load_configuration(locate("plans/first-float.yaml"))
    vehicles = {
        name: one.model_copy(update={"thrusters": one.thrusters.model_copy(update={"quiet_windows": True})})
        for name, one in configuration.vehicles.items()
    }
    beacons = configuration.beacons
    if slot is not None:
        beacons = beacons.model_copy(update={"slot": slot, "cycle": slot * len(beacons.beacons)})
    return replace(configuration, vehicles=vehicles, beacons=beacons)


def test_their_cost_is_told_for_each_vehicle_that_asks_for_them():
    (sentence,) = sentences(quiet())
    assert sentence.startswith("wren: quiet windows around chirps take ")
    assert list(sentences(load_configuration(locate("plans/first-float.yaml")))) == []


def test_windows_that_leave_no_time_are_refused():
    (problem,) = check(quiet(slot=0.02))
    assert problem.field.endswith("quiet_windows")
    assert list(check(quiet())) == []
