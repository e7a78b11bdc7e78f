"""The demo plan on the live graph, as its user runs it: at real time, and at the speeds that are promised."""

import subprocess
import sys

import pytest


@pytest.mark.parametrize("speed", ["1", "4", "10"])
def test_the_demo_plan_passes_on_the_live_graph(tmp_path, speed, figure):
    command = [sys.executable, "-m", "testbed", "rehearse", "plans/demo.yaml", "--speed", speed]
    done = subprocess.run(
        [*command, "--results", str(tmp_path / "results")], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    figure(f"demo on the live graph at {speed} times real time", "passed")
