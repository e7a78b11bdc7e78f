"""Plans whose every value is sound, but that cannot be flown."""

import pytest

from tests.broken.broken import DEMO, FIRST_FLOAT, TABLE, VEHICLE, Broken, assert_told, broken

CASES = [
    broken(
        "start outside the working area",
        DEMO,
        {"dunlin: {x: 1.0, y: -0.6,": "dunlin: {x: 1.7, y: -0.6,"},
        ("plans/demo.yaml:56: runs[0].start.dunlin.x is 1.7, allowed: -1.6 to 1.6 m, the working area"),
    ),
    broken(
        "starts overlap",
        DEMO,
        {"siskin: {x: 0.0, y: 0.7,": "siskin: {x: -0.9, y: -0.5,"},
        (
            "plans/demo.yaml:55: runs[0].start.siskin is [-0.9, -0.5], allowed: at least 0.52 m from "
            "wren; it overlaps with it at 0.141 m"
        ),
    ),
    broken(
        "starts too close",
        DEMO,
        {"siskin: {x: 0.0, y: 0.7,": "siskin: {x: -1.0, y: -0.1,"},
        (
            "plans/demo.yaml:55: runs[0].start.siskin is [-1.0, -0.1], allowed: at least 0.52 m from "
            "wren; it is too close to it at 0.500 m"
        ),
    ),
    broken(
        "goal outside the working area",
        FIRST_FLOAT,
        {"x: 0.25, y: 0.0": "x: 0.25, y: 1.35"},
        ("plans/first-float.yaml:41: runs[0].maneuvers.wren[1].y is 1.35, allowed: -1.3 to 1.3 m, the working area"),
    ),
    broken(
        "hold far from where the vehicle is",
        FIRST_FLOAT,
        {"{kind: hold, duration: 5.0}": "{kind: hold, duration: 5.0, pose: {x: 0.0, y: 0.0}}"},
        (
            "plans/first-float.yaml:40: runs[0].maneuvers.wren[0].pose is [0.0, 0.0], allowed: "
            "within 0.1 m of the pose before; hold plans no path, use translate"
        ),
    ),
    broken(
        "start tilted",
        FIRST_FLOAT,
        {"y: 0.0, heading_deg: 0.0}": "y: 0.0, attitude_deg: [5.0, 0.0, 0.0]}"},
        (
            "plans/first-float.yaml:37: runs[0].start.wren.attitude_deg is [5.0, 0.0, 0.0], allowed: "
            "no roll and no pitch on the table, which holds both at 0"
        ),
    ),
    broken(
        "track begins elsewhere",
        DEMO,
        {"{time: 0.0, x: 0.0, y: 0.0}": "{time: 0.0, x: 0.0, y: -0.2}"},
        (
            "plans/demo.yaml:101: runs[2].maneuvers.siskin[0].waypoints[0] is [0.0, -0.2], allowed: "
            "within 0.1 m of (0, 0), where the vehicle is at that time"
        ),
    ),
    broken(
        "goal too far for the time",
        FIRST_FLOAT,
        {"time_limit: 55.0": "time_limit: 30.0"},
        (
            "plans/first-float.yaml:34: runs[0].time_limit is 30.0, allowed: at least 32.4 s, which "
            "wren needs with its thrust and speed limits"
        ),
    ),
    broken(
        "faster than the vehicle may",
        FIRST_FLOAT,
        {"speed_limit: 0.06": "speed_limit: 0.09"},
        (
            "plans/first-float.yaml:41: runs[0].maneuvers.wren[1].speed_limit is 0.09, allowed: at "
            "most 0.07 m/s, the floor_speed of wren"
        ),
    ),
    broken(
        "turns faster than the vehicle may",
        FIRST_FLOAT,
        {"rate_limit_deg: 6.0": "rate_limit_deg: 20.0"},
        (
            "plans/first-float.yaml:42: runs[0].maneuvers.wren[2].rate_limit_deg is 20.0, allowed: "
            "at most 13.5 degrees/s, nine tenths of 15, the rate_deg of wren: turns overshoot a little"
        ),
    ),
    broken(
        "turns as fast as what a try is aborted at",
        FIRST_FLOAT,
        {"limit_deg: 15.0": "limit_deg: 6.0"},
        (
            "plans/first-float.yaml:42: runs[0].maneuvers.wren[2].rate_limit_deg is 6.0, allowed: "
            "at most 5.4 degrees/s, nine tenths of 6, at which a try is aborted: turns overshoot a little"
        ),
    ),
    broken(
        "waypoints too far apart in time",
        DEMO,
        {"{time: 25.0, x: 0.0, y: 0.6}": "{time: 15.0, x: 0.0, y: 0.6}"},
        (
            "plans/demo.yaml:101: runs[2].maneuvers.siskin[0].waypoints[2].time is 15.0, allowed: at "
            "least 15.7 s, as siskin moves at most 0.07 m/s"
        ),
    ),
    broken(
        "too little time for a move",
        FIRST_FLOAT,
        {"speed_limit: 0.06": "duration: 5.0"},
        (
            "plans/first-float.yaml:41: runs[0].maneuvers.wren[1].duration is 5.0, allowed: at least 13.03 s, "
            "which wren takes with its thrust and nine tenths of its speed limit"
        ),
    ),
    broken(
        "too little time for a turn",
        FIRST_FLOAT,
        {"rate_limit_deg: 6.0": "duration: 3.0"},
        (
            "plans/first-float.yaml:42: runs[0].maneuvers.wren[2].duration is 3.0, allowed: at least 5.06 s, "
            "which wren takes with its thrust and nine tenths of its speed limit"
        ),
    ),
    broken(
        "too little gas for a move",
        FIRST_FLOAT,
        {"speed_limit: 0.06": "gas_g: 0.2"},
        (
            "plans/first-float.yaml:41: runs[0].maneuvers.wren[1].gas_g is 0.2, allowed: at least 1.86 g, which wren "
            "takes at its most economical speed"
        ),
    ),
    broken(
        "two ways to fly a move",
        FIRST_FLOAT,
        {"speed_limit: 0.06": "speed_limit: 0.06, duration: 30.0"},
        (
            "plans/first-float.yaml:41: runs[0].maneuvers.wren[1].duration is 30.0, allowed: only one of speed_limit, "
            "duration and gas_g"
        ),
    ),
    broken(
        "a deadband of zero",
        FIRST_FLOAT,
        {"duration: 5.0}": "duration: 5.0, deadband: 0.0, deadband_deg: 2.0}"},
        (
            "plans/first-float.yaml:40: runs[0].maneuvers.wren[0].deadband is 0.0, allowed: a number above 0.0 (Drift "
            "within ± so much along each axis of the vehicle to save gas, m; goes with deadband_deg)"
        ),
    ),
    broken(
        "a deadband for the position alone",
        FIRST_FLOAT,
        {"duration: 5.0}": "duration: 5.0, deadband: 0.02}"},
        (
            "plans/first-float.yaml:40: runs[0].maneuvers.wren[0].deadband is 0.02, allowed: only together with "
            "deadband_deg, which is missing"
        ),
    ),
    broken(
        "a track too sharp for the thrust",
        DEMO,
        {"{time: 10.0, x: 0.0, y: 0.2}": "{time: 10.0, x: 0.0, y: 0.2}, {time: 10.5, x: 0.01, y: 0.2}"},
        (
            "plans/demo.yaml:101: runs[2].maneuvers.siskin[0].waypoints[2].time is 10.5, allowed: 4.5 times as "
            "much time around it: siskin can give 5 % of the acceleration there"
        ),
    ),
    broken(
        "gas limit below what moving takes",
        FIRST_FLOAT,
        {"limit_g: 10.0": "limit_g: 1.0"},
        ("plans/first-float.yaml:49: runs[0].criteria[4].limit_g is 1.0, allowed: at least 4.0 g, which wren needs"),
    ),
    broken(
        "low gas from the start",
        FIRST_FLOAT,
        {"minimum_g: 15.0": "minimum_g: 150.0"},
        ("plans/first-float.yaml:28: abort[5].minimum_g is 150.0, allowed: less than 109.3 g, the full tank of wren"),
    ),
    broken(
        "window longer than the run",
        FIRST_FLOAT,
        {"limit: 0.03, window: {last: 5.0}": "limit: 0.03, window: {last: 60.0}"},
        ("plans/first-float.yaml:45: runs[0].criteria[0].window.last is 60.0, allowed: at most the time_limit of 55 s"),
    ),
    broken(
        "window after the run",
        FIRST_FLOAT,
        {"limit: 0.03, window: {last: 5.0}": "limit: 0.03, window: {begin: 45.0, end: 50.0}"},
        (
            "plans/first-float.yaml:45: runs[0].criteria[0].window.end is 50.0, allowed: at most "
            "32.4 s; the run may be over then"
        ),
    ),
    broken(
        "window opens before the goal is reached",
        FIRST_FLOAT,
        {"limit: 0.03, window: {last: 5.0}": "limit: 0.03, window: {begin: 5.0, end: 20.0}"},
        (
            "plans/first-float.yaml:45: runs[0].criteria[0].window is {'begin': 5.0, 'end': 20.0}, "
            "allowed: a window that opens when wren is at its goal; after 5.0 s the plan has it 0.50 "
            "m away, and 0.03 m is the limit"
        ),
    ),
    broken(
        "separation looser than the table's",
        DEMO,
        {"name: apart, minimum: 0.52": "name: apart, minimum: 0.5"},
        (
            "plans/demo.yaml:64: runs[0].criteria[2].minimum is 0.5, allowed: at least 0.52 m, the "
            "separation that the table requires"
        ),
    ),
    broken(
        "abort only when already touching",
        DEMO,
        {"kind: separation, minimum: 0.48": "kind: separation, minimum: 0.4"},
        ("plans/demo.yaml:39: abort[0].minimum is 0.4, allowed: more than 0.4 m, at which two vehicles touch"),
    ),
    broken(
        "abort before the criterion is missed",
        FIRST_FLOAT,
        {"kind: position_error, limit: 0.30": "kind: position_error, limit: 0.05"},
        (
            "plans/first-float.yaml:47: runs[0].criteria[2].limit is 0.08, allowed: at most 0.05 m, "
            "at which a try is aborted"
        ),
    ),
    broken(
        "contact harder than vehicles allow",
        FIRST_FLOAT,
        {"contact_force, limit: 20.0": "contact_force, limit: 50.0"},
        ("plans/first-float.yaml:24: abort[1].limit is 50.0, allowed: at most 35 N, the contact_force of wren"),
    ),
    broken(
        "spin faster than vehicles allow",
        FIRST_FLOAT,
        {"spin, limit_deg: 15.0": "spin, limit_deg: 40.0"},
        ("plans/first-float.yaml:26: abort[3].limit_deg is 40.0, allowed: at most 15 degrees/s, the rate_deg of wren"),
    ),
    broken(
        "battery that is never so full",
        FIRST_FLOAT,
        {"low_gas, minimum_g: 15.0": "low_battery, minimum_voltage: 99.0"},
        (
            "plans/first-float.yaml:28: abort[5].minimum_voltage is 99.0, allowed: 12 V, at which wren closes "
            "its valves, to less than its 14.8 V when full"
        ),
    ),
    broken(
        "low battery without a limit",
        FIRST_FLOAT,
        {"low_gas, minimum_g: 15.0": "low_battery"},
        (
            "plans/first-float.yaml:28: abort[5] is {'kind': 'low_battery'}, allowed: with minimum_charge, "
            "minimum_voltage or both"
        ),
    ),
    broken(
        "separation of one vehicle",
        FIRST_FLOAT,
        {
            "      - {kind: contact_force, name: no contact, limit: 0.0}": (
                "      - {kind: separation, name: apart, minimum: 0.6}\n      - {kind: contact_force, "
                "name: no contact, limit: 0.0}"
            )
        },
        (
            "plans/first-float.yaml:48: runs[0].criteria[3] is 'apart', allowed: a separation only "
            "where there are two vehicles"
        ),
    ),
    broken(
        "gas that cannot suffice",
        VEHICLE,
        {"pressure: 20.0e6": "pressure: 2.65e6"},
        (
            "vehicles/wren.yaml:60: gas.pressure is 2650000.0, allowed: gas for the whole plan, "
            "which takes wren at least 4.0 g; usable are 3.8 g"
        ),
    ),
    broken(
        "more gas in the tanks than the room can take",
        FIRST_FLOAT,
        {"seed: 1": "seed: 1\ngas_limit_ppm: 500"},
        (
            "plans/first-float.yaml:12: gas_limit_ppm is 500.0, allowed: at least 626, what all gas of all tanks at "
            "once is in the 150 m³ of air, where it displaces oxygen; or a larger room, or less gas"
        ),
    ),
    broken(
        "a battery that cannot last",
        VEHICLE,
        {"energy: 4.0e5": "energy: 400.0"},
        (
            "vehicles/wren.yaml:82: battery.energy is 400.0, allowed: energy for the whole plan, "
            "which takes at least 517 J with all valves closed"
        ),
    ),
    broken(
        "carriages that run out of air",
        TABLE,
        {"bearing_supply_time: 1500.0": "bearing_supply_time: 20.0"},
        (
            "tables/floor.yaml:25: bearing_supply_time is 20.0, allowed: air for the whole plan, "
            "which takes at least 34 s"
        ),
    ),
    broken(
        "paths that cross",
        DEMO,
        {
            "x: -1.0, y: -0.6, speed_limit": "x: 1.0, y: -0.6, speed_limit",
            (
                " {kind: translate, x: 1.0, y: -0.6, speed_limit: 0.06}\n        - {kind: hold, duration: "
                "25.0}\n    criteria"
            ): (
                " {kind: translate, x: -1.0, y: -0.6, speed_limit: 0.06}\n        - {kind: hold, "
                "duration: 25.0}\n    criteria"
            ),
        },
        (
            "plans/demo.yaml:131: runs[3].maneuvers.dunlin[1] is 'translate', allowed: a way that "
            "keeps 0.52 m from wren; this one comes as near as 0.01 m after 30 s"
        ),
    ),
    broken(
        "track turned away at its beginning",
        DEMO,
        {"{time: 0.0, x: 0.0, y: 0.0}": "{time: 0.0, x: 0.0, y: 0.0, heading_deg: 90.0}"},
        (
            "plans/demo.yaml:101: runs[2].maneuvers.siskin[0].waypoints[0].heading_deg is 90.0, "
            "allowed: within 10° of 0°, where the vehicle points at that time"
        ),
    ),
    broken(
        "contact harder than what aborts",
        FIRST_FLOAT,
        {"name: no contact, limit: 0.0": "name: no contact, limit: 25.0"},
        (
            "plans/first-float.yaml:48: runs[0].criteria[3].limit is 25.0, allowed: at most 20 N, at "
            "which a try is aborted"
        ),
    ),
]


@pytest.mark.parametrize("case", CASES)
def test_is_told_in_one_clear_line(case: Broken, tmp_path, monkeypatch):
    assert_told(case, tmp_path, monkeypatch)
