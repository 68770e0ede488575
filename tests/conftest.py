"""Shared set-up: no windows, and what plain Python is too slow for is skipped, saying so."""

import os

import pytest

os.environ.setdefault("MPLBACKEND", "agg")


def pytest_collection_modifyitems(items):
    if os.environ.get("NUMBA_DISABLE_JIT", "0") in ("", "0"):
        return
    skip = pytest.mark.skip(reason="too many samples for kernels in plain Python")
    for item in items:
        if "compiled" in item.keywords:
            item.add_marker(skip)
