"""The one way kernels are compiled.

``cache=True`` keeps the machine code on disk. Where no folder can be written numba refuses to
cache with a RuntimeError: then the kernel is compiled without a cache, once per process.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar, cast

import numba

__all__ = ["kernel"]

F = TypeVar("F", bound=Callable[..., object])


def kernel(function: F) -> F:
    """Compile a function that works on plain arrays; it releases the interpreter lock."""
    try:
        return cast("F", numba.njit(cache=True, nogil=True, error_model="numpy")(function))
    except RuntimeError:
        return cast("F", numba.njit(nogil=True, error_model="numpy")(function))
