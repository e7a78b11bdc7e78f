"""Allocation held against HiGHS and nnls over 10,000 drawn layouts and wrenches."""

import numpy as np

from tests.flight.allocation.test_drawn_layouts import compare_with_highs, count_unreachable

FIRST_SEED = 10_000


def test_least_gas_and_largest_scale_over_10000_layouts(figure):
    found = compare_with_highs(FIRST_SEED, 10_000)
    gas, scale = np.array(found.gas), np.array(found.scale)
    figure(
        "allocation, 10,000 layouts: gas over that of HiGHS, mean / worst",
        f"{100 * (gas.mean() - 1):.1e} / {100 * (gas.max() - 1):.1e} %",
    )
    figure(
        f"allocation, {found.saturated} wrenches of these out of reach: scale over that of HiGHS, worst",
        f"{100 * (scale.min() - 1):.1e} %",
    )
    figure(
        "allocation, most steps of one search; answered from memory", f"{found.iterations}; {found.recalled} of 10,000"
    )
    assert gas.mean() <= 1.01
    assert gas.max() <= 1.05
    assert scale.min() >= 0.99


def test_layouts_that_do_not_span_their_space_say_so(figure):
    unreachable = count_unreachable(FIRST_SEED + 1, 2000)
    figure("allocation, layouts that do not span: wrenches out of reach told as nnls does", f"{unreachable} of 2,000")
