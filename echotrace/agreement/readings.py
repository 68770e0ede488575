"""Labelled readings, as the checks of a study see them: values, labels, and where each stands."""

# What each member is stands with the study that has it.
# ruff: noqa: D102

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from echotrace.recording import Column

__all__ = ["LABELS", "Readings"]

LABELS = ("subject", "eye", "method", "operator", "sitting")
"""What tells readings apart: those alike in all of them form a sitting."""


class Readings(Protocol):
    """Labelled readings, such as a study."""

    @property
    def subject(self) -> Column: ...
    @property
    def eye(self) -> Column: ...
    @property
    def method(self) -> Column: ...
    @property
    def operator(self) -> Column: ...
    @property
    def value(self) -> NDArray[np.float64]: ...
    @property
    def order(self) -> NDArray[np.int64] | None: ...
    @property
    def numbered(self) -> bool: ...
    @property
    def unit(self) -> str: ...
    @property
    def source(self) -> str: ...
    @property
    def notes(self) -> tuple[str, ...]: ...
    @property
    def n_missing(self) -> int: ...
    @property
    def n_readings(self) -> int: ...
    def group(self, *names: str) -> NDArray[np.intp]: ...
    def where(self, rows: NDArray[Any] | Sequence[int]) -> str: ...
