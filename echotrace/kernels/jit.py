"""The one way kernels are compiled.

``cache=True`` keeps the machine code on disk. Where no folder can be written numba refuses to
cache with a RuntimeError: then the kernel is compiled without a cache, once per process.

Kernels are compiled into those that call them, but numba only looks whether the caller's own file
has changed. It keeps machine code under the qualified name of the function, so that name carries a
digest of all kernel files while numba looks: machine code of other kernels is never found.

The last digits of a sum depend on what a kernel was compiled into. So a kernel is made part of each
that calls it (``forceinline``): were it kept beside them in every library, the first loaded copy
would serve all, and the digits would hang on the order of loading. And one process compiles at a
time: the others then find what it has kept.

Where compiling is switched off (``NUMBA_DISABLE_JIT``) numba, which takes longer to load than a
sitting to read, is not even imported, and loops that would be slow are replaced by arrays.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from functools import cache
from pathlib import Path
from typing import Any, TypeVar, cast

try:
    import fcntl
except ImportError:  # A system without such locks.
    fcntl = None  # type: ignore[assignment]

__all__ = ["COMPILED", "filter_kernel", "filter_kernel_or", "kernel", "kernel_or"]

COMPILED = os.environ.get("NUMBA_DISABLE_JIT", "0") in ("", "0")
"""Whether kernels are machine code; else they are plain Python, the same to a few roundings."""

F = TypeVar("F", bound=Callable[..., object])

# What lets a sum of products be kept in several registers. No approximate functions, and NaN and
# infinity are still told apart everywhere else: filters only ever see finite samples.
_FILTER_MATH = {"reassoc", "contract", "nnan", "nsz"}


@cache
def _digest_of_all_kernels() -> str:
    """Of the files of this package: their names and what is in them."""
    digest = hashlib.sha256()
    for path in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(path.name.encode())
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()[:16]


def _compile(function: F, **options: Any) -> F:
    if not COMPILED:
        return function
    import numba

    name = function.__qualname__
    function.__qualname__ = f"{name}.{_digest_of_all_kernels()}"
    try:
        compiled: Any = numba.njit(cache=True, **options)(function)
    except RuntimeError:
        compiled = numba.njit(**options)(function)
    finally:
        function.__qualname__ = name
    compiled.__qualname__ = name
    _cache_if_there_is_room(compiled)
    return cast("F", compiled)


def _cache_if_there_is_room(compiled: Any) -> None:
    """Let a disk without room for machine code cost time, not the result."""
    store = compiled._cache
    save = store.save_overload

    def attempt(signature: Any, data: Any) -> None:
        with suppress(OSError):
            save(signature, data)

    store.save_overload = attempt
    if store.cache_path is None:
        return
    compile_it = compiled.compile

    def compile_in_turn(signature: Any) -> Any:
        with _turn(Path(store.cache_path)):
            return compile_it(signature)

    compiled.compile = compile_in_turn


_waited: list[Path] = []
"""Folders whose turn this process has; a kernel compiles those that it calls."""


@contextmanager
def _turn(folder: Path) -> Iterator[None]:
    """Of this process to look for machine code and to compile what is not there.

    Numba's own lock comes first, as it does where other functions compile these kernels.
    """
    from numba.core.compiler_lock import global_compiler_lock

    with global_compiler_lock, ExitStack() as stack:
        if fcntl is not None and not _waited:
            # Where no lock can be had nothing can be kept either.
            with suppress(OSError):
                folder.mkdir(parents=True, exist_ok=True)
                file = stack.enter_context((folder / "compiling.lock").open("ab"))
                fcntl.flock(file, fcntl.LOCK_EX)
                _waited.append(folder)
                stack.callback(_waited.clear)
        yield


def kernel(function: F) -> F:
    """Compile a function that works on plain arrays; it releases the interpreter lock."""
    return _compile(function, nogil=True, error_model="numpy", forceinline=True)


def filter_kernel(function: F) -> F:
    """Compile a kernel of finite sums and maxima whose order of adding is left to the compiler.

    The order is fixed when the kernel is compiled: the result does not depend on threads or on
    the number of traces handed over.
    """
    return _compile(
        function, nogil=True, error_model="numpy", fastmath=_FILTER_MATH, forceinline=True
    )


def kernel_or(by_arrays: F) -> Callable[[F], F]:
    """:func:`kernel`, or where nothing is compiled the same on whole arrays.

    For the few loops that take most of the time in plain Python; a test holds one against the
    other.
    """
    return lambda function: kernel(function) if COMPILED else by_arrays


def filter_kernel_or(by_arrays: F) -> Callable[[F], F]:
    """:func:`filter_kernel`, or where nothing is compiled the same on whole arrays."""
    return lambda function: filter_kernel(function) if COMPILED else by_arrays
