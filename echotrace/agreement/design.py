"""Designs: how the readings of a study were taken, and what that allows to be concluded."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrace.agreement.apart import repeated_block, repeated_readings
from echotrace.agreement.readings import LABELS, Readings
from echotrace.errors import ParameterError

__all__ = ["LABELS", "Design", "design_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """How the readings of a study were taken.

    Attributes
    ----------
    n_readings, n_missing, n_subjects, n_eyes, n_both_eyes, n_sittings : int
        ``n_both_eyes`` counts the subjects of whom two eyes (or more) were measured.
    methods, operators : tuple of str
    readings_per_sitting : tuple of int
        Fewest and most readings of a sitting.
    sittings_per_cell : tuple of int
        Fewest and most sittings of an eye by one method and operator.
    balanced : bool
        Every eye has the same number of readings in every sitting, method and operator.
    operators_crossed : bool
        Some eyes were measured by more than one operator.
    operator_confounded : bool
        Each method belongs to other operators than the rest: method and operator are one.
    missing_cells : tuple of str
        Eyes that lack a method.
    order_confounded : bool
        One method was always taken before the other (None: no order was recorded).
    allows, forbids, warnings : tuple of str
    """

    n_readings: int
    n_missing: int
    n_subjects: int
    n_eyes: int
    n_both_eyes: int
    n_sittings: int
    methods: tuple[str, ...]
    operators: tuple[str, ...]
    readings_per_sitting: tuple[int, int]
    sittings_per_cell: tuple[int, int]
    balanced: bool
    operators_crossed: bool
    operator_confounded: bool
    missing_cells: tuple[str, ...]
    order_confounded: bool | None
    allows: tuple[str, ...]
    forbids: tuple[str, ...]
    warnings: tuple[str, ...]

    @property
    def paragraph(self) -> str:
        """One paragraph: how the readings were taken and what that allows to be concluded."""
        low, high = self.readings_per_sitting
        reads = str(low) if low == high else f"{low} to {high}"
        eyes = f"{_count(self.n_eyes, 'eye')} of {_count(self.n_subjects, 'subject')}" + (
            f" (both eyes of {self.n_both_eyes})" if self.n_both_eyes else ""
        )
        operators = "one operator"
        if len(self.operators) > 1:
            how = "crossed with" if self.operators_crossed else "each with their own"
            operators = f"{len(self.operators)} operators, {how} eyes"
        parts = [
            f"{_count(self.n_readings, 'reading')} in {_count(self.n_sittings, 'sitting')} of "
            f"{eyes}, by {' and '.join(self.methods)} and {operators}; {reads} "
            f"{'reading' if reads == '1' else 'readings'} a sitting, "
            f"{'balanced' if self.balanced else 'unbalanced'}"
            + (f", {self.n_missing} left out as missing or rejected." if self.n_missing else ".")
        ]
        if self.missing_cells:
            parts.append(
                f"{_count(len(self.missing_cells), 'eye')} without one of the methods: "
                f"{_shorten(self.missing_cells)}."
            )
        if self.allows:
            parts.append(f"The design allows {_join(self.allows)}.")
        if self.forbids:
            parts.append(f"It does not allow {_join(self.forbids)}.")
        return " ".join(parts)


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}{'' if n == 1 else 's'}"


def _join(items: Sequence[str]) -> str:
    return items[0] if len(items) == 1 else f"{'; '.join(items[:-1])}; and {items[-1]}"


def _shorten(items: Sequence[str], most: int = 6) -> str:
    return ", ".join(items[:most]) + (f" and {len(items) - most} more" if len(items) > most else "")


def _n(groups: NDArray[np.intp]) -> int:
    return int(groups.max()) + 1 if groups.size else 0


def _per(outer: NDArray[np.intp], inner: NDArray[np.intp]) -> NDArray[np.intp]:
    """Count the different inner groups in each outer group."""
    pairs = np.unique(np.stack([outer, inner]), axis=1)
    return np.bincount(pairs[0], minlength=_n(outer))


def design_of(study: Readings) -> Design:
    """Say how the readings of a study were taken and what that allows to be concluded.

    Parameters
    ----------
    study : Study

    Returns
    -------
    Design

    Raises
    ------
    ParameterError
        No readings are left.

    Examples
    --------
    >>> from echotrace.agreement.study import Study
    >>> study = Study(value=[23.0, 23.1], subject="a", method="contact")
    >>> design_of(study).readings_per_sitting
    (2, 2)
    """
    if not study.n_readings:
        raise ParameterError(f"{study.source}: no readings are left; nothing can be concluded")
    subject = study.group("subject")
    eye = study.group("subject", "eye")
    method = study.group("method")
    operator = study.group("operator")
    cell = study.group("subject", "eye", "method", "operator")
    sitting = study.group(*LABELS)
    eye_method = study.group("subject", "eye", "method")
    n_methods = len(study.method.present)

    readings = np.bincount(sitting)
    sittings = _per(cell, sitting)
    operators_per_eye = _per(eye, operator)
    methods_per_eye = _per(eye, method)
    both = int((_per(subject, eye) > 1).sum())
    crossed = bool((operators_per_eye > 1).any())
    confounded = (
        n_methods > 1
        and len(study.operator.present) > 1
        and bool((_per(operator, method) == 1).all())
    )
    lacking = np.flatnonzero(methods_per_eye < n_methods)
    first_row = np.unique(eye, return_index=True)[1]
    missing = tuple(
        f"{study.subject[int(first_row[k])]}"
        + ("" if study.eye[int(first_row[k])] == "none" else f" {study.eye[int(first_row[k])]}")
        for k in lacking
    )
    balanced = (
        bool((readings == readings[0]).all())
        and bool((sittings == sittings[0]).all())
        and not missing
        and _n(cell) == int(np.unique(_per(eye, cell)).size == 1) * _n(eye) * _per(eye, cell)[0]
        and bool(np.unique(_per(subject, eye)).size == 1)
    )
    order_confounded = _order_confounded(study, eye_method, eye, method)

    n_subjects = _n(subject)
    allows, forbids, warnings = [], [], list(study.notes)
    replicated = bool((readings > 1).any())
    if replicated:
        allows.append("the repeatability within a sitting of each method")
    else:
        forbids.append("repeatability or equality of spreads, since no sitting has two readings")
    if (sittings > 1).any():
        allows.append("the spread between sittings")
    else:
        forbids.append("telling the spread between sittings from that between eyes")
    if crossed:
        n_operators = len(study.operator.present)
        allows.append(
            f"the spread between operators, resting on {n_operators} operators"
            + (", so that its interval is wide" if n_operators < 6 else "")
        )
    else:
        forbids.append(
            "a spread between operators"
            + (
                ", since no eye was measured by two of them"
                if len(study.operator.present) > 1
                else ""
            )
        )
    n_shared = int((methods_per_eye > 1).sum())
    if n_methods > 1 and n_shared and n_subjects > 1:
        allows.append(
            f"bias and limits of agreement of the methods, from {_count(n_shared, 'eye')} "
            "measured by both"
        )
    if n_subjects < 2:
        forbids.append("anything about other subjects, since there is only one")
    if confounded:
        warnings.append(
            "each method was used by operators of its own: a difference of methods cannot be "
            "told from a difference of operators"
        )
    if order_confounded:
        warnings.append(
            "one method was always taken before the other: an effect of order (drying or "
            "flattening of the cornea, tiring) cannot be told from the method"
        )
    if both:
        warnings.append(
            f"two eyes of {_count(both, 'subject')}: they are not independent, and intervals "
            "count subjects, not eyes"
        )
    if not study.numbered and replicated:
        first, again, length = repeated_block(study)
        if length:
            warnings.append(
                f"{study.where(range(again, again + length))} repeat "
                f"{study.where(range(first, first + length))} in the same order, as rows that were "
                "pasted again do; remove them, or add a column 'order' that tells repeated "
                "readings apart"
            )
        elif extra := repeated_readings(study):
            warnings.append(
                f"{_count(extra, 'reading')} equal to another of the same sitting, more than "
                "rounding makes; without a column 'order' a repeated reading cannot be told from a "
                "row entered twice"
            )
    return Design(
        n_readings=study.n_readings,
        n_missing=study.n_missing,
        n_subjects=n_subjects,
        n_eyes=_n(eye),
        n_both_eyes=both,
        n_sittings=_n(sitting),
        methods=study.method.present,
        operators=study.operator.present,
        readings_per_sitting=(int(readings.min()), int(readings.max())),
        sittings_per_cell=(int(sittings.min()), int(sittings.max())),
        balanced=balanced,
        operators_crossed=crossed,
        operator_confounded=confounded,
        missing_cells=missing,
        order_confounded=order_confounded,
        allows=tuple(allows),
        forbids=tuple(forbids),
        warnings=tuple(warnings),
    )


def _order_confounded(
    study: Readings, eye_method: NDArray[np.intp], eye: NDArray[np.intp], method: NDArray[np.intp]
) -> bool | None:
    """Whether, in every eye with both, the same one of two methods came first."""
    if study.order is None or len(study.method.present) != 2:
        return None
    first = np.full(_n(eye_method), np.iinfo(np.int64).max)
    np.minimum.at(first, eye_method, study.order)
    row = np.unique(eye_method, return_index=True)[1]
    table = np.full((_n(eye), _n(method)), -1, dtype=np.int64)
    table[eye[row], method[row]] = first
    table = table[(table >= 0).all(axis=1)]
    if table.shape[0] < 2:
        return None
    sign = np.sign(table[:, 0] - table[:, 1])
    if (sign == 0).any():
        # Numbers that begin anew with each method say nothing of their order.
        return None
    return bool((sign == sign[0]).all())
