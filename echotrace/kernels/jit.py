"""The one way kernels are compiled.

``cache=True`` keeps the machine code on disk. Where no folder can be written numba refuses to
cache with a RuntimeError: then the kernel is compiled without a cache, once per process.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, TypeVar, cast

import numba

__all__ = ["filter_kernel", "kernel"]

F = TypeVar("F", bound=Callable[..., object])

# What lets a sum of products be kept in several registers. No approximate functions, and NaN and
# infinity are still told apart everywhere else: filters only ever see finite samples.
_FILTER_MATH = {"reassoc", "contract", "nnan", "nsz"}


def _state_of_all_kernels() -> tuple[float, int]:
    """Newest change and total size of the files of this package."""
    states = [path.stat() for path in Path(__file__).parent.glob("*.py")]
    return max(state.st_mtime for state in states), sum(state.st_size for state in states)


def _compile(function: F, **options: Any) -> F:
    try:
        compiled: Any = numba.njit(cache=True, **options)(function)
    except RuntimeError:
        return cast("F", numba.njit(**options)(function))
    # numba keeps machine code as long as the function's own file stays, although other kernels
    # are compiled into it: a change of any of them must do away with it.
    with suppress(AttributeError, OSError):
        compiled._cache._cache_file._source_stamp = _state_of_all_kernels()
    return cast("F", compiled)


def kernel(function: F) -> F:
    """Compile a function that works on plain arrays; it releases the interpreter lock."""
    return _compile(function, nogil=True, error_model="numpy")


def filter_kernel(function: F) -> F:
    """Compile a kernel of finite sums and maxima whose order of adding is left to the compiler.

    The order is fixed when the kernel is compiled: the result does not depend on threads or on
    the number of traces handed over.
    """
    return _compile(function, nogil=True, error_model="numpy", fastmath=_FILTER_MATH)
