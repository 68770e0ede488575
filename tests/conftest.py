"""Shared set-up: no windows, and what plain Python is too slow for is skipped, saying so."""

import os

import pytest
from closed_form import COMPILED

os.environ.setdefault("MPLBACKEND", "agg")

# Facet sums walk millions of facets: minutes with compiled kernels off. The kernels themselves
# are compared with plain sums in the same files when they are compiled.
_NEEDS_COMPILED = (
    "test_alignment",
    "test_figures_synthesis",
    "test_findings",
    "test_notebook",
    "test_synthesis",
)


def pytest_collection_modifyitems(items):
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
