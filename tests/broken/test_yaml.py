"""Files that are no YAML, or no YAML that a description could be made of."""

import pytest

from tests.broken.broken import BEACONS, DEMO, NOISE, TABLE, VEHICLE, Broken, assert_told, broken

CASES = [
    broken(
        "empty file",
        VEHICLE,
        "",
        "vehicles/wren.yaml:1: file is empty, allowed: a mapping of keys to values",
    ),
    broken(
        "only comments",
        TABLE,
        "# nothing\n",
        "tables/floor.yaml:1: file is empty, allowed: a mapping of keys to values",
    ),
    broken(
        "a list instead of a mapping",
        BEACONS,
        "- 1\n- 2\n",
        "beacons/floor.yaml:1: file is a list, allowed: a mapping of keys to values",
    ),
    broken(
        "a bare word",
        NOISE,
        "quiet\n",
        "noise/floor.yaml:1: file is a single value, allowed: a mapping of keys to values",
    ),
    broken(
        "two documents",
        NOISE,
        {"name: floor": "---\nname: floor\n---\nname: other"},
        (
            "noise/floor.yaml:5: file is not YAML (expected a single document in the stream but "
            "found another document), allowed: YAML 1.2"
        ),
    ),
    broken(
        "a key given twice",
        DEMO,
        {"seed: 1\n": "seed: 1\nseed: 2\n"},
        "plans/demo.yaml:13: seed is given twice, allowed: each key once",
    ),
    broken(
        "a tab",
        VEHICLE,
        {"  mass: 5.6": "\tmass: 5.6"},
        "vehicles/wren.yaml:12: file is indented by a tab, allowed: spaces for indentation",
    ),
    broken(
        "a bracket left open",
        TABLE,
        {"[1.8, 1.5], [-1.8, 1.5]]": "[1.8, 1.5], [-1.8, 1.5]"},
        (
            "tables/floor.yaml:8: file is not YAML (while parsing a flow sequence expected ',' or "
            "']', but got '<scalar>'), allowed: YAML 1.2"
        ),
    ),
    broken(
        "a colon forgotten",
        DEMO,
        {"note: Three": "note Three"},
        (
            "plans/demo.yaml:8: file is not YAML (while scanning a simple key could not find "
            "expected ':'), allowed: YAML 1.2"
        ),
    ),
    broken(
        "a tag",
        DEMO,
        {"seed: 1\n": "seed: !!python/name:os.system 1\n"},
        (
            "plans/demo.yaml:12: seed is tagged tag:yaml.org,2002:python/name:os.system, allowed: "
            "plain values without tags"
        ),
    ),
    broken(
        "an unknown anchor",
        DEMO,
        {"seed: 1\n": "seed: *other\n"},
        "plans/demo.yaml:12: file is not YAML (found undefined alias 'other'), allowed: YAML 1.2",
    ),
    broken(
        "a list as key",
        DEMO,
        {"seed: 1\n": "seed: 1\n[a, b]: 1\n"},
        "plans/demo.yaml:13: file is a mapping with a list as key, allowed: plain words as keys",
    ),
    broken(
        "infinite",
        VEHICLE,
        {"thrust: 0.15}": "thrust: .inf}"},
        ("vehicles/wren.yaml:44: thrusters.valves[0].thrust is .inf, allowed: a finite number of at most 1e+12"),
    ),
    broken(
        "not a number",
        TABLE,
        {"gravity: 9.80665": "gravity: .nan"},
        "tables/floor.yaml:9: gravity is .nan, allowed: a finite number of at most 1e+12",
    ),
    broken(
        "absurdly large",
        VEHICLE,
        {"mass: 5.6": "mass: 1e300"},
        "vehicles/wren.yaml:12: flight.mass is 1e300, allowed: a finite number of at most 1e+12",
    ),
    broken(
        "more digits than a number has",
        DEMO,
        {"seed: 1\n": f"seed: {'9' * 5000}\n"},
        (
            "plans/demo.yaml:12: seed is 9999999999999999999999999999999999999999, allowed: a finite "
            "number of at most 1e+12"
        ),
    ),
    broken(
        "nested too deeply",
        NOISE,
        ("a: [[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]\n"),
        "noise/floor.yaml:1: a is nested too deeply, allowed: at most 20 levels",
    ),
    broken(
        "another encoding",
        TABLE,
        b"name: floor\nnote: Pr\xfcfplatte\n",
        "tables/floor.yaml:2: file is not UTF-8 (byte 0xfc), allowed: a text in UTF-8",
    ),
    broken(
        "not a text at all",
        TABLE,
        b"\x89PNG\r\n\x1a\n\x00\x00",
        "tables/floor.yaml:1: file is not UTF-8 (byte 0x89), allowed: a text in UTF-8",
    ),
    broken(
        "a control character",
        NOISE,
        "name: floor\x07\n",
        (
            "noise/floor.yaml: file is not YAML (unacceptable character #x0007: special characters "
            "are not allowed), allowed: YAML 1.2, one document"
        ),
    ),
    broken(
        "a file like a bomb",
        NOISE,
        (
            "a: &a [1,1,1,1,1,1,1,1,1,1]\nb: &b [*a,*a,*a,*a,*a,*a,*a,*a,*a,*a]\nc: &c "
            "[*b,*b,*b,*b,*b,*b,*b,*b,*b,*b]\nd: &d [*c,*c,*c,*c,*c,*c,*c,*c,*c,*c]\ne: "
            "[*d,*d,*d,*d,*d,*d,*d,*d,*d,*d]\n"
        ),
        ("noise/floor.yaml:1: e[3][3][8][8][7] is too many values, allowed: at most 50000 values in a file"),
    ),
    broken(
        "an anchor within itself",
        NOISE,
        "a: &a [*a]\n",
        "noise/floor.yaml:1: a is nested too deeply, allowed: at most 20 levels",
    ),
    broken(
        "a file too large",
        NOISE,
        "# " + "x" * 1_000_000,
        "noise/floor.yaml: file is too large, allowed: at most 1000000 bytes",
    ),
]


@pytest.mark.parametrize("case", CASES)
def test_is_told_in_one_clear_line(case: Broken, tmp_path, monkeypatch):
    assert_told(case, tmp_path, monkeypatch)
