"""The benchmarks use the closed-form eyes of the tests, and each other."""

import sys
from pathlib import Path

import pytest

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).resolve().parents[1])]


def pytest_collection_modifyitems(items):
    for item in items:
        # Warnings of the libraries that are only timed here are theirs.
        item.add_marker(pytest.mark.filterwarnings("ignore"))
