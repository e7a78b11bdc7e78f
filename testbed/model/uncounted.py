"""Arrays whose users numba does not count.

Handing an array to a compiled function that is not inlined costs two atomic operations, 12 ns, and a tick of the plant
hands on dozens. Whoever holds the array for as long as the loop runs may pass on such a view of it instead.
"""

from __future__ import annotations

from typing import Any

from numba.core import types
from numba.extending import intrinsic


@intrinsic
def uncounted(typing_context: Any, array: Any) -> Any:
    """Return the same array without its counter, for compiled code; the array must outlive it."""
    if not isinstance(array, types.Array):
        return None

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        view = context.make_array(array)(context, builder, arguments[0])
        view.meminfo = view.meminfo.type(None)  # a null pointer
        return view._getvalue()

    return array(array), generate
