"""Start-up: compiling takes half a minute, loading machine code most of a second.

A few traces need neither: the same kernels read them in plain Python, faster than machine code is
loaded; the numbers are the same within the tolerance that is stated for other machines. More traces
are worth compiling for, which is said and happens once.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from echotrace.commands.process import complain, is_own_process

__all__ = ["FEW_TRACES", "machine_code_is_kept", "prepare_kernels"]

FEW_TRACES = 100
"""Up to here plain Python takes no longer than loading machine code: 9 ms a trace against 0.7 s."""

_COMPILING = (
    "note: machine code is being compiled, up to half a minute; this happens once and is kept on "
    "the disk"
)


def machine_code_is_kept() -> bool:
    """Whether an earlier run left machine code of the kernels as they are now.

    Returns
    -------
    bool
        False also where it is kept in a place of its own that is not looked at; then a sitting is
        read in plain Python, which takes no longer.

    Examples
    --------
    >>> isinstance(machine_code_is_kept(), bool)
    True
    """
    kernels = Path(__file__).parents[1] / "kernels"
    place = os.environ.get("NUMBA_CACHE_DIR")
    tag = f"py{sys.version_info.major}{sys.version_info.minor}"
    folder = Path(place) if place else kernels / "__pycache__"
    pattern = f"fused.*.{tag}.nbi"
    kept = list(folder.rglob(pattern) if place else folder.glob(pattern))
    newest = max(path.stat().st_mtime for path in kernels.glob("*.py"))
    return any(path.stat().st_mtime >= newest for path in kept)


def prepare_kernels(command: str, n_traces: int) -> None:
    """Choose plain Python for a few traces; else say what happens where nothing is compiled yet.

    A sitting is read in plain Python before machine code is even loaded. Only the process of a
    command line chooses: whoever imports the package has it compiled.

    Parameters
    ----------
    command : str
        Name of the command, for the line.
    n_traces : int
        Traces to be read.

    Examples
    --------
    >>> prepare_kernels("measure", 6)
    """
    chosen = "echotrace.kernels.jit" in sys.modules or "NUMBA_DISABLE_JIT" in os.environ
    if chosen or not is_own_process():
        return
    if n_traces <= FEW_TRACES:
        os.environ["NUMBA_DISABLE_JIT"] = "1"
    elif not machine_code_is_kept():
        complain(f"echotrace {command}", _COMPILING)
