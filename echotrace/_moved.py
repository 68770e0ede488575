"""Modules that moved into folders are found under their old names for one version more."""

from __future__ import annotations

import importlib
import sys
import warnings
from importlib.machinery import ModuleSpec
from types import CodeType, ModuleType

MOVED = {
    "agreement_text": "agreement.text",
    "calibration": "fitting.calibration",
    "calibration_draws": "fitting.calibration_draws",
    "conditioning": "signal.conditioning",
    "envelope": "signal.envelope",
    "finding_cases": "fitting.finding_cases",
    "figures.findings": "fitting.findings_figure",
    "figures.gallery": "fitting.gallery",
    "figures.quality": "fitting.score_figures",
    "findings": "quality.findings",
    "gates": "signal.gates",
    "lengths": "signal.lengths",
    "lens_power": "power",
    "pattern": "quality.pattern",
    "picking": "signal.picking",
    "plausibility": "power",
    "power_cautions": "power",
    "power_study": "power",
    "propagation": "power",
    "pulse": "signal.pulse",
    "reading": "chain.fused",
    "receiver": "signal.receiver",
    "repeatability": "agreement.repeatability",
    "sample_size": "agreement.sample_size",
    "score": "quality.score",
    "score_reasons": "quality.score_reasons",
    "sitting": "sittings.sitting",
    "sitting_quality": "sittings.sitting_quality",
    "study": "agreement.study",
    "variance": "agreement.variance",
}
"""Old name in the package to new one. Names that are folders now (``chain``, ``many``, ``quality``,
``agreement``) cannot be both."""


class _Finder:
    """Answers imports, and ``python -m``, of a module's old name with the module itself."""

    def find_spec(self, name: str, *_: object) -> ModuleSpec | None:
        package, _dot, old = name.partition(".")
        if package != "echotrace" or old not in MOVED:
            return None
        return ModuleSpec(name, self)  # type: ignore[arg-type]

    def create_module(self, spec: ModuleSpec) -> None:
        """Leave the empty module to the import system."""

    def exec_module(self, module: ModuleType) -> None:
        old = module.__name__
        sys.modules[old] = importlib.import_module(_now(old))

    def get_code(self, name: str) -> CodeType:
        """Code for ``python -m``."""
        run = f"import runpy; runpy.run_module({_now(name)!r}, run_name='__main__', alter_sys=True)"
        return compile(run, f"<{name}>", "exec")


def _now(old: str) -> str:
    new = f"echotrace.{MOVED[old.partition('.')[2]]}"
    warnings.warn(
        f"{old} is now {new}; the old name goes with version 0.3", FutureWarning, stacklevel=3
    )
    return new


def install() -> None:
    """Let old names be found."""
    if not any(isinstance(finder, _Finder) for finder in sys.meta_path):
        sys.meta_path.append(_Finder())
