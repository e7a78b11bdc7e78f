"""A short plan of two vehicles for the tests of the report."""

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from testbed.plan.configuration import load_configuration

TEXT = """
name: short
note: Two vehicles hold, then change places a little.
place: table
table: tables/floor.yaml
beacons: beacons/floor.yaml
noise: noise/floor.yaml
seed: 3
vehicles:
  wren: {file: vehicles/wren.yaml}
  siskin: {file: vehicles/siskin.yaml}
objectives:
  - name: station keeping
    text: Both keep their stations.
    evidence: [{run: hold, criteria: [on station, apart]}]
  - name: moving
    text: Both arrive.
    evidence: [{run: move, criteria: [arrived, untouched]}]
runs:
  - name: hold
    purpose: Keep station.
    tries: 2
    time_limit: 20.0
    settle: 0.5
    start:
      wren: {x: -0.8, y: 0.0, heading_deg: 0.0}
      siskin: {x: 0.8, y: 0.0, heading_deg: 90.0}
    maneuvers:
      wren: [{kind: hold, duration: 5.0}]
    criteria:
      - {kind: position_error, name: on station, limit: 0.03, window: {last: 3.0}}
      - {kind: attitude_error, name: heading, limit_deg: 2.0}
      - {kind: separation, name: apart, minimum: 0.52}
      - {kind: gas_used, name: gas, limit_g: 5.0}
  - name: move
    purpose: Move a little.
    tries: 2
    time_limit: 40.0
    settle: 0.5
    maneuvers:
      wren: [{kind: translate, x: -0.6, y: 0.1, speed_limit: 0.06}, {kind: hold, duration: 2.0}]
      siskin: [{kind: translate, x: 0.7, y: -0.1, speed_limit: 0.06}, {kind: hold, duration: 2.0}]
    criteria:
      - {kind: position_error, name: arrived, limit: 0.03, window: {last: 1.0}}
      - {kind: position_error, name: on the way, limit: 0.08, against: reference}
      - {kind: contact_force, name: untouched, limit: 0.0}
"""


@cache
def short_plan():
    """The configuration of the short plan."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "short.yaml"
        path.write_text(TEXT)
        return load_configuration(path)
