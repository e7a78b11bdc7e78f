"""Kernels that keep their own options when code of other options calls them."""

from __future__ import annotations

from typing import Any


def counted(*kernels: Any) -> None:
    """Let numba compile these kernels as it usually does: counting who uses an array, and inlined where LLVM wants to.

    A kernel inherits both options from whoever has it compiled first, unless it states its own; then what it is
    compiled to would depend on the order of calls, and one that makes arrays could not be compiled at all.
    """
    for kernel in kernels:
        kernel.targetoptions.setdefault("_nrt", True)
        kernel.targetoptions.setdefault("forceinline", False)
