"""The first run on a machine: compiling takes half a minute, and a sitting does not need it.

A few traces are read by the same kernels in plain Python, as fast as machine code is loaded; the
numbers are the same within the tolerance that is stated for other machines. More traces are worth
compiling for, which is said and happens once.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from echotrace.commands.process import complain, is_own_process

__all__ = ["FEW_TRACES", "machine_code_is_kept", "prepare_kernels"]

FEW_TRACES = 40
"""Up to here plain Python is faster than compiling: a trace takes about a tenth of a second."""

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
    """Choose plain Python for a few traces where nothing is compiled yet; else say what happens.

    Only the process of a command line chooses: whoever imports the package has it compiled.

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
    chosen = "numba" in sys.modules or "NUMBA_DISABLE_JIT" in os.environ
    if chosen or not is_own_process() or machine_code_is_kept():
        return
    if n_traces <= FEW_TRACES:
        os.environ["NUMBA_DISABLE_JIT"] = "1"
    else:
        complain(f"echotrace {command}", _COMPILING)
