"""Shared set-up: no windows, and what plain Python is too slow for is skipped, saying so."""

import os

import pytest
from closed_form import COMPILED
from hypothesis import settings

os.environ.setdefault("MPLBACKEND", "agg")

# The same examples in each run: whether a test fails is for the code to say, not for luck.
settings.register_profile("fixed", derandomize=True)
settings.load_profile("fixed")

# Facet sums walk millions of facets: minutes with compiled kernels off. The kernels themselves
# are compared with plain sums in the same files when they are compiled.
_NEEDS_COMPILED = (
    "test_figures_synthesis",
    "test_findings",
    "test_notebook",
    "test_sitting_choice",
    "test_sitting_judgement",
    "test_synthesis",
    "test_teaching",
)

# What calls kernels: `.ci/run` runs these files once more with compilation off.
_KERNELS = (
    "test_chain",
    "test_chunks",
    "test_envelope",
    "test_fused",
    "test_gate",
    "test_ground",
    "test_kernels_small",
    "test_lengths",
    "test_many",
    "test_measured",
    "test_pattern",
    "test_picking",
    "test_plate",
    "test_quality",
    "test_real_recordings",
    "test_receiver",
    "test_score",
    "test_shipped_scenarios",
    "test_sitting",
    "test_synthesis",
)

# What other arithmetic or other versions of libraries could change: ``.ci/elsewhere.py`` runs
# these files again, and the single tests of others that are marked so.
_ELSEWHERE = (
    "test_agreement.py",
    "test_calibration",
    "test_chain",
    "test_distributions",
    "test_envelope",
    "test_findings",
    "test_fused",
    "test_gate_by_gate",
    "test_gates",
    "test_lengths",
    "test_lens_power",
    "test_measured",
    "test_operator_limits",
    "test_pattern",
    "test_picking",
    "test_plate",
    "test_plausibility",
    "test_power_derivatives",
    "test_propagation",
    "test_quality",
    "test_real_recordings",
    "test_receiver",
    "test_reml",
    "test_repeatability",
    "test_robust_limits",
    "test_score.py",
    "test_shipped_scenarios",
    "test_sitting",
    "test_study.py",
    "test_synthesis",
    "test_variance",
)


@pytest.hookimpl(tryfirst=True)  # before -m is heard
def pytest_collection_modifyitems(items):
    for item in items:
        if item.path.name.startswith(_ELSEWHERE):
            item.add_marker(pytest.mark.elsewhere)
        if item.path.name.startswith(_KERNELS):
            item.add_marker(pytest.mark.kernels)
    if COMPILED:
        return
    skip = pytest.mark.skip(reason="too many samples for kernels in plain Python")
    for item in items:
        given = item.callspec.params if hasattr(item, "callspec") else {}
        if (
            "compiled" in item.keywords
            or item.path.name.startswith(_NEEDS_COMPILED)
            # This picker's calibration alone walks thousands of echoes.
            or given.get("picker") == "akaike_onset"
        ):
            item.add_marker(skip)
