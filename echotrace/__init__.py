"""echotrace: A-mode ultrasound echo traces, from samples to a length one can trust.

Not a medical device. Licensed practitioners and local protocols decide; a number that comes with
a warning is not to be used unchecked.
"""

from __future__ import annotations

import importlib
from typing import Any

__version__ = "0.1.0"

# Where each public name lives. Loaded on first use, so that ``import echotrace`` costs little
# more than importing numpy: scipy, numba, h5py and matplotlib wait until they are needed.
_PUBLIC = {
    "EchotraceError": "errors",
    "EchotraceWarning": "errors",
    "Measurement": "measurement",
    "Probe": "recording",
    "Receiver": "recording",
    "Recording": "recording",
    "Settings": "settings",
    "Target": "target",
    "decide_by_hand": "measure",
    "eye_target": "target",
    "import_recording": "files.importing",
    "load_settings": "settings",
    "load_target": "target",
    "measure": "measure",
}

__all__ = ["__version__", *sorted(_PUBLIC)]


def __getattr__(name: str) -> Any:
    try:
        module = _PUBLIC[name]
    except KeyError:
        raise AttributeError(f"module 'echotrace' has no attribute {name!r}") from None
    value = getattr(importlib.import_module(f"echotrace.{module}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *_PUBLIC})
