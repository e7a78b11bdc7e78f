"""Shares of time in which valves were open."""

import numpy as np
import pytest

from testbed.record.load import ValveStates
from testbed.report.figures.valves import open_shares

SECOND = 1_000_000_000


def states(*rows):
    stamps = np.array([round(at * SECOND) for at, *_ in rows], np.int64)
    return ValveStates(("a", "b"), stamps, np.array([open_valves for _, *open_valves in rows], bool))


def test_a_valve_counts_from_its_opening_to_its_closing():
    valves = states((0.0, 0, 0), (1.25, 1, 0), (1.75, 0, 1), (3.0, 0, 0))
    shares = open_shares(valves, np.arange(5) * SECOND)
    assert shares == pytest.approx(np.array([[0.0, 0.5, 0.0, 0.0], [0.0, 0.25, 1.0, 0.0]]))


def test_a_repeated_state_changes_nothing():
    once = states((0.0, 0, 0), (1.2, 1, 0), (2.0, 0, 0))
    repeated = states((0.0, 0, 0), (0.5, 0, 0), (1.2, 1, 0), (1.5, 1, 0), (2.0, 0, 0))
    edges = np.linspace(0, 2 * SECOND, 9).astype(np.int64)
    assert open_shares(repeated, edges) == pytest.approx(open_shares(once, edges))


def test_open_time_is_kept_whatever_the_bins():
    generator = np.random.default_rng(1)
    moments = np.sort(generator.uniform(0.0, 10.0, 200))
    valves = states(*((at, *generator.integers(0, 2, 2)) for at in moments), (10.0, 0, 0))
    for bins in (7, 100, 993):
        edges = np.linspace(0, 10 * SECOND, bins + 1).astype(np.int64)
        total = (open_shares(valves, edges) * np.diff(edges)).sum(axis=1) / SECOND
        expected = (valves.open[:-1] * np.diff(valves.stamps)[:, None]).sum(axis=0) / SECOND
        assert total == pytest.approx(expected, abs=1e-6)


def test_nothing_recorded_is_nothing_open():
    nothing = ValveStates(("a",), np.zeros(0, np.int64), np.zeros((0, 1), bool))
    assert open_shares(nothing, np.array([0, SECOND])).tolist() == [[0.0]]
