"""echotrace: A-mode ultrasound echo traces, from samples to a length one can trust.

Not a medical device. Licensed practitioners and local protocols decide; a number that comes with
a warning is not to be used unchecked.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

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
    "Study": "study:Study",
    "Target": "target:Target",
    "compare_methods": "agreement:compare_methods",
    "decide_by_hand": "chain:decide_by_hand",
    "estimate_alignment": "alignment:estimate_alignment",
    "eye_target": "target:eye_target",
    "import_recording": "files.importing:import_recording",
    "judge_sittings": "sitting_quality:judge_sittings",
    "load_settings": "settings:load_settings",
    "load_target": "target:load_target",
    "Biometry": "lens_power:Biometry",
    "LensConstant": "lens_power:LensConstant",
    "lens_power_d": "lens_power:lens_power_d",
    "load_scenario": "synthesis.scenario:load_scenario",
    "measure": "chain:measure",
    "measure_many": "many:measure_many",
    "measure_to_file": "many:measure_to_file",
    "plot_alignment": "figures.alignment:plot_alignment",
    "plot_trace": "figures.trace:plot_trace",
    "read": "files.native:read_recording",
    "read_measurement": "files.native:read_measurement",
    "refraction_d": "lens_power:refraction_d",
    "summarise": "sitting:summarise",
    "synthesise": "synthesis:synthesise",
    "write": "files.native:write_recording",
    "write_measurement": "files.native:write_measurement",
}

# Written out, for type checkers read it without running it.
__all__ = [
    "__version__",
    "Biometry",
    "EchotraceError",
    "EchotraceWarning",
    "LensConstant",
    "Measurement",
    "Probe",
    "Receiver",
    "Recording",
    "Settings",
    "Study",
    "Target",
    "compare_methods",
    "decide_by_hand",
    "estimate_alignment",
    "eye_target",
    "import_recording",
    "judge_sittings",
    "lens_power_d",
    "load_scenario",
    "load_settings",
    "load_target",
    "measure",
    "measure_many",
    "measure_to_file",
    "plot_alignment",
    "plot_trace",
    "read",
    "read_measurement",
    "refraction_d",
    "summarise",
    "synthesise",
    "write",
    "write_measurement",
]


if TYPE_CHECKING:  # what type checkers see in place of __getattr__; a test compares the two
    from echotrace.agreement import compare_methods
    from echotrace.alignment import estimate_alignment
    from echotrace.chain import decide_by_hand, measure
    from echotrace.errors import EchotraceError, EchotraceWarning
    from echotrace.figures.alignment import plot_alignment
    from echotrace.figures.trace import plot_trace
    from echotrace.files.importing import import_recording
    from echotrace.files.native import read_measurement, write_measurement
    from echotrace.files.native import read_recording as read
    from echotrace.files.native import write_recording as write
    from echotrace.lens_power import Biometry, LensConstant, lens_power_d, refraction_d
    from echotrace.many import measure_many, measure_to_file
    from echotrace.measurement import Measurement
    from echotrace.recording import Probe, Receiver, Recording
    from echotrace.settings import Settings, load_settings
    from echotrace.sitting import summarise
    from echotrace.sitting_quality import judge_sittings
    from echotrace.study import Study
    from echotrace.synthesis import synthesise
    from echotrace.synthesis.scenario import load_scenario
    from echotrace.target import Target, eye_target, load_target

else:

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
