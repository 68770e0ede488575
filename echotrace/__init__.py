"""echotrace: A-mode ultrasound echo traces, from samples to a length one can trust.

Not a medical device. Licensed practitioners and local protocols decide; a number that comes with
a warning is not to be used unchecked.
"""

from __future__ import annotations

import importlib
from typing import Any

from echotrace import _moved

__version__ = "0.1.0"

# Where each public name lives. Loaded on first use, so that ``import echotrace`` costs little
# more than importing numpy: scipy, numba, h5py and matplotlib wait until they are needed.
_PUBLIC = {
    "EchotraceError": "errors:EchotraceError",
    "EchotraceWarning": "errors:EchotraceWarning",
    "Measurement": "measurement:Measurement",
    "Probe": "recording:Probe",
    "Receiver": "recording:Receiver",
    "Recording": "recording:Recording",
    "Settings": "settings:Settings",
    "Study": "agreement.study:Study",
    "Target": "target:Target",
    "compare_methods": "agreement.compare:compare_methods",
    "decide_by_hand": "chain.measure:decide_by_hand",
    "estimate_alignment": "sittings.alignment:estimate_alignment",
    "eye_target": "target:eye_target",
    "import_recording": "files.importing:import_recording",
    "judge_sittings": "sittings.sitting_quality:judge_sittings",
    "load_settings": "settings:load_settings",
    "load_target": "target:load_target",
    "Biometry": "power.biometry:Biometry",
    "LensConstant": "power.constants:LensConstant",
    "lens_power_d": "power.lens_power:lens_power_d",
    "load_scenario": "synthesis.scenario:load_scenario",
    "measure": "chain.measure:measure",
    "measure_many": "many.many:measure_many",
    "measure_to_file": "many.many:measure_to_file",
    "plot_alignment": "figures.alignment:plot_alignment",
    "plot_trace": "figures.trace:plot_trace",
    "read": "files.native:read_recording",
    "read_measurement": "files.native:read_measurement",
    "refraction_d": "power.lens_power:refraction_d",
    "summarise": "sittings.sitting:summarise",
    "synthesise": "synthesis:synthesise",
    "write": "files.native:write_recording",
    "write_measurement": "files.native:write_measurement",
}

__all__ = ["__version__", *sorted(_PUBLIC)]


_moved.install()


def __getattr__(name: str) -> Any:
    try:
        module, _, attribute = _PUBLIC[name].partition(":")
    except KeyError:
        raise AttributeError(f"module 'echotrace' has no attribute {name!r}") from None
    value = getattr(importlib.import_module(f"echotrace.{module}"), attribute)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *_PUBLIC})
