"""Bit masks of valves: going through those that are set, without looking at the others."""

from __future__ import annotations

from typing import Any

from numba.core import types
from numba.extending import intrinsic


@intrinsic
def lowest(typing_context: Any, mask: Any) -> Any:
    """Return the number of the lowest bit that is set, for compiled code; the mask must not be 0.

    `mask &= mask - 1` takes that bit out.
    """
    if not isinstance(mask, types.Integer):
        return None

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return builder.cttz(arguments[0], context.get_constant(types.boolean, True))

    return types.int64(types.int64), generate
