"""Vehicle files with one wrong thing in them."""

import pytest

from tests.broken.broken import VEHICLE, Broken, assert_told, broken

FIVE_MORE_VALVES = "".join(
    f"    - {{name: more_{number}, position: [0, 0, 0], exhaust: [1, 0, 0], thrust: 0.1}}\n" for number in range(5)
)

CASES = [
    broken(
        "a text for a number",
        VEHICLE,
        {"mass: 5.6": "mass: heavy"},
        "vehicles/wren.yaml:12: flight.mass is 'heavy', allowed: a number (Mass, kg)",
    ),
    broken(
        "a number in quotes",
        VEHICLE,
        {"mass: 5.6": "mass: '5.6'"},
        "vehicles/wren.yaml:12: flight.mass is '5.6', allowed: a number (Mass, kg)",
    ),
    broken(
        "a truth value for a number",
        VEHICLE,
        {"mass: 5.6": "mass: true"},
        "vehicles/wren.yaml:12: flight.mass is True, allowed: a number (Mass, kg)",
    ),
    broken(
        "nothing for a number",
        VEHICLE,
        {"mass: 5.6": "mass:"},
        "vehicles/wren.yaml:12: flight.mass is None, allowed: a number (Mass, kg)",
    ),
    broken(
        "negative mass",
        VEHICLE,
        {"mass: 5.6": "mass: -5.6"},
        "vehicles/wren.yaml:12: flight.mass is -5.6, allowed: a number above 0.0 (Mass, kg)",
    ),
    broken(
        "a unit behind a number",
        VEHICLE,
        {"volume: 0.5e-3": "volume: 0.5 L"},
        "vehicles/wren.yaml:59: gas.volume is '0.5 L', allowed: a number (Tank volume, m³)",
    ),
    broken(
        "a key misspelt",
        VEHICLE,
        {"restitution:": "restitutoin:"},
        (
            "vehicles/wren.yaml:26: shape.restitutoin is 0.5, allowed: no such key; known are "
            "bumper_stiffness, carriage_radius, flight_hull, flight_radius, floor_height, friction, hull, restitution, "
            "rounding, sides, width"
        ),
    ),
    broken(
        "a key misspelt that is needed",
        VEHICLE,
        {"mass: 5.6": "mas: 5.6"},
        "vehicles/wren.yaml:11: flight.mass is missing, allowed: a value (Mass, kg)",
        (
            "vehicles/wren.yaml:12: flight.mas is 5.6, allowed: no such key; known are "
            "centre_of_mass, inertia, mass, products"
        ),
    ),
    broken(
        "a vector too short",
        VEHICLE,
        {"position: [0.02, 0.01, 0.0]": "position: [0.02, 0.01]"},
        "vehicles/wren.yaml:77: inertial_sensor.position[2] is missing, allowed: a value",
    ),
    broken(
        "a vector too long",
        VEHICLE,
        {"position: [0.02, 0.01, 0.0]": "position: [0.02, 0.01, 0.0, 0.0]"},
        (
            "vehicles/wren.yaml:77: inertial_sensor.position is [0.02, 0.01, 0.0, 0.0], allowed: at "
            "most 3 entries (Position in base_link, m)"
        ),
    ),
    broken(
        "inertia of no body",
        VEHICLE,
        {"inertia: [0.058, 0.061, 0.064]": "inertia: [0.01, 0.02, 0.064]"},
        (
            "vehicles/wren.yaml:13: flight.inertia is [0.01, 0.02, 0.064], allowed: positive "
            "moments, each at most the sum of the other two"
        ),
    ),
    broken(
        "two valves of one name",
        VEHICLE,
        {"name: front_left_side": "name: front_left_along"},
        (
            "vehicles/wren.yaml:45: thrusters.valves[1].name is 'front_left_along', allowed: a name "
            "that no other valve has"
        ),
    ),
    broken(
        "a jet without direction",
        VEHICLE,
        {"exhaust: [0.0, 1.0, 0.0]": "exhaust: [0.0, 0.0, 0.0]"},
        ("vehicles/wren.yaml:45: thrusters.valves[1].exhaust is [0.0, 0.0, 0.0], allowed: a vector that is not zero"),
    ),
    broken(
        "reserve above the filling",
        VEHICLE,
        {"reserve_pressure: 2.0e6": "reserve_pressure: 2.5e7"},
        ("vehicles/wren.yaml:62: gas.reserve_pressure is 25000000.0, allowed: less than pressure, 2e+07 Pa"),
    ),
    broken(
        "liquid without its mass",
        VEHICLE,
        {"kind: nitrogen": "kind: carbon_dioxide", "  pressure: 20.0e6 # Pa\n": ""},
        "vehicles/wren.yaml:57: gas.mass is missing, allowed: a number (kg of carbon dioxide in the tank)",
    ),
    broken(
        "liquid with a pressure",
        VEHICLE,
        {"kind: nitrogen": "kind: carbon_dioxide"},
        (
            "vehicles/wren.yaml:60: gas.pressure is 20000000.0, allowed: no such key for carbon_dioxide, which is "
            "filled by mass"
        ),
    ),
    broken(
        "a tank full of liquid",
        VEHICLE,
        {"kind: nitrogen": "kind: carbon_dioxide", "pressure: 20.0e6 # Pa": "mass: 0.4"},
        "vehicles/wren.yaml:60: gas.mass is 0.4, allowed: less than 0.375 kg, 750 kg per m³ of volume",
    ),
    broken(
        "a relief valve that opens at once",
        VEHICLE,
        {"specific_impulse: 65.0": "relief: {pressure: 15.0e6, reseat: 14.0e6}\n  specific_impulse: 65.0"},
        (
            "vehicles/wren.yaml:63: gas.relief.pressure is 15000000.0, allowed: more than the pressure at the start, "
            "2e+07 Pa"
        ),
    ),
    broken(
        "other gas",
        VEHICLE,
        {"kind: nitrogen": "kind: helium"},
        "vehicles/wren.yaml:58: gas.kind is 'helium', allowed: 'nitrogen', 'air' or 'carbon_dioxide' "
        "(nitrogen and air: compressed; carbon_dioxide: liquefied)",
    ),
    broken(
        "too many valves",
        VEHICLE,
        {"gas: # nitrogen": FIVE_MORE_VALVES + "gas: # nitrogen"},
        (
            "vehicles/wren.yaml:43: thrusters.valves is [{'name': 'front_left_along', 'position': "
            "[0.13, 0.13, 0.0 …, allowed: at most 16 entries"
        ),
    ),
    broken(
        "a vehicle that cannot push forward",
        VEHICLE,
        {
            "name: back_left_along,": "name: back_left_along, in_service: false,",
            "name: back_right_along,": "name: back_right_along, in_service: false,",
        },
        ("vehicles/wren.yaml:43: thrusters.valves is '12 valves', allowed: valves in service that can push forward"),
    ),
    broken(
        "shortest pulse longer than the period",
        VEHICLE,
        {"minimum_on: 0.010": "minimum_on: 0.1"},
        ("vehicles/wren.yaml:39: thrusters.minimum_on is 0.1, allowed: less than modulation_period, 0.1 s"),
    ),
    broken(
        "an estimator that goes by neither commands nor reports",
        VEHICLE,
        {"control:": "estimator: {valve_forces: guessed}\n\ncontrol:"},
        (
            "vehicles/wren.yaml:93: estimator.valve_forces is 'guessed', allowed: 'commanded' or 'reported' "
            "(commanded: from what the valves are told; reported: from which are open, as their holder says)"
        ),
    ),
    broken(
        "an own estimator that would have to hear reports",
        VEHICLE,
        {"control:": 'estimator: {valve_forces: reported}\nown: {estimator: "mine:Mine"}\n\ncontrol:'},
        (
            "vehicles/wren.yaml:93: estimator.valve_forces is 'reported', "
            "allowed: commanded, where the estimator is a user's own"
        ),
    ),
    broken(
        "two mistakes at once",
        VEHICLE,
        {"mass: 5.6": "mass: heavy", "volume: 0.5e-3": "volume: -1.0"},
        "vehicles/wren.yaml:12: flight.mass is 'heavy', allowed: a number (Mass, kg)",
        "vehicles/wren.yaml:59: gas.volume is -1.0, allowed: a number above 0.0 (Tank volume, m³)",
    ),
]


@pytest.mark.parametrize("case", CASES)
def test_is_told_in_one_clear_line(case: Broken, tmp_path, monkeypatch):
    assert_told(case, tmp_path, monkeypatch)
