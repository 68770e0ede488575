"""echotrace: A-mode ultrasound echo traces, from samples to a length one can trust.

Not a medical device. Licensed practitioners and local protocols decide; a number that comes with
a warning is not to be used unchecked.

Public names are listed in ``__init__.pyi`` by the way of the data, and loaded on first use.
"""

from echotrace import _moved
from echotrace._public import public_names

__version__ = "0.1.0"

_moved.install()
__getattr__, __dir__, _names, PUBLIC_GROUPS = public_names(
    globals(),
    old={
        "Biometry": "power.Biometry",
        "LensConstant": "power.LensConstant",
        "lens_power_d": "power.lens_power_d",
        "load_scenario": "read_scenario",
        "load_settings": "read_settings",
        "load_target": "read_target",
        "refraction_d": "power.refraction_d",
    },
)
__all__ = ["__version__", *_names]
