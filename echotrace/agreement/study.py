"""Studies: readings with the labels that say who, which eye, which method and in which sitting.

A :class:`Study` is the table every statistic starts from, whether it was measured by echotrace or
typed from a publication. :meth:`Study.design` says what the table allows to be concluded before
anything is concluded from it.
"""

from __future__ import annotations

import csv
import dataclasses
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import FileFormatError, MissingDetailError, ParameterError
from echotrace.recording import Column

if TYPE_CHECKING:
    from echotrace.measurement import Measurement

__all__ = ["Design", "Study"]

LABELS = ("subject", "eye", "method", "operator", "sitting")
_VALUE_COLUMNS = ("axial_length_mm", "length_mm", "value")
_TRUE, _FALSE = ("true", "1", "yes"), ("false", "0", "no")
_UNIT_FACTOR = 5.0
"""Readings of one eye that differ by more than this factor cannot share a unit."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Study:
    """Readings and their labels, one row each.

    Parameters
    ----------
    value : array_like of float, (n_readings,)
        The readings; NaN (or an empty cell of a CSV file) is a missing one and is left out, but
        counted in ``n_missing``.
    subject : str or sequence of str
        A code, never a name.
    method : str or sequence of str
    eye : str or sequence of str
        ``"right"`` and ``"left"`` of one subject are two eyes of one subject; any label will do.
    operator, sitting : str or sequence of str
        A sitting is the readings of one eye, one method, one operator, taken without a break.
    order : array_like of int, (n_readings,), optional
        Running number of the reading within its subject, as taken: tells a repeated reading from
        a row that was pasted twice, and whether the methods were always taken in one order.
    unit : str
    source : str
        Where the readings come from, for error messages.

    Raises
    ------
    ParameterError
        Labels that do not fit, duplicate rows, units that are mixed, values that are not finite.
    """

    value: NDArray[np.float64]
    subject: Column
    method: Column
    eye: Column = cast("Column", "none")  # noqa: RUF009
    operator: Column = cast("Column", "unnamed")  # noqa: RUF009
    sitting: Column = cast("Column", "1")  # noqa: RUF009
    order: NDArray[np.int64] | None = None
    unit: str = "mm"
    source: str = "study"
    n_missing: int = field(default=0)

    def __post_init__(self) -> None:
        put = object.__setattr__
        value = np.array(self.value, dtype=np.float64)
        if value.ndim != 1:
            raise ParameterError(f"{self.source}: value has shape {value.shape}; give one column")
        if np.isinf(value).any():
            raise ParameterError(
                f"{self.source}: row {int(np.flatnonzero(np.isinf(value))[0]) + 1} is infinite; "
                "leave it empty if the reading is missing"
            )
        columns = {}
        for name in LABELS:
            columns[name] = Column.of(getattr(self, name), value.size, f"{self.source}: {name}")
        order = None
        if self.order is not None:
            order = np.array(self.order, dtype=np.int64)
            if order.shape != value.shape:
                raise ParameterError(
                    f"{self.source}: order has {order.size} numbers for {value.size} readings"
                )
        for column in columns.values():
            if value.size and any(not label.strip() for label in column.present):
                name = next(key for key, item in columns.items() if item is column)
                blank = [i for i, label in enumerate(column.labels) if not label.strip()]
                row = int(np.flatnonzero(np.isin(column.codes, blank))[0])
                raise ParameterError(
                    f"{self.source}: row {row + 1}: {name} is empty; label every reading"
                )
        _refuse_duplicates(value, columns, order, self.source)
        keep = ~np.isnan(value)
        for name in LABELS:
            put(self, name, columns[name].take(keep))
        put(self, "n_missing", self.n_missing + int((~keep).sum()))
        value = value[keep]
        value.flags.writeable = False
        put(self, "value", value)
        if order is not None:
            order = order[keep]
            order.flags.writeable = False
        put(self, "order", order)
        _refuse_mixed_units(self, np.flatnonzero(keep))

    @property
    def n_readings(self) -> int:
        """Number of readings."""
        return int(self.value.size)

    def group(self, *names: str) -> NDArray[np.intp]:
        """Number the groups of readings that share the named labels, (n_readings,)."""
        codes = np.zeros(self.n_readings, dtype=np.int64)
        for name in names:
            column: Column = getattr(self, name)
            codes = codes * len(column.labels) + column.codes
            codes = np.unique(codes, return_inverse=True)[1].reshape(-1)
        return codes.astype(np.intp)

    def select(self, rows: NDArray[Any]) -> Study:
        """The study of some of the readings."""
        changes: dict[str, Any] = {name: getattr(self, name).take(rows) for name in LABELS}
        changes["value"] = self.value[rows]
        changes["order"] = None if self.order is None else self.order[rows]
        return self._with(**changes)

    def _with(self, **changes: Any) -> Study:
        """Copy without a second validation: rows that passed it may be subset and renamed."""
        copy = object.__new__(Study)
        for item in dataclasses.fields(self):
            object.__setattr__(copy, item.name, changes.get(item.name, getattr(self, item.name)))
        return copy

    @staticmethod
    def join(studies: Sequence[Study]) -> Study:
        """Put the readings of several studies into one.

        Raises
        ------
        ParameterError
            Studies in different units, or the same sitting in two of them.
        """
        units = list(dict.fromkeys(study.unit for study in studies))
        if len(units) > 1:
            raise ParameterError(
                f"the units are mixed: {studies[0].source} is in {units[0]!r}, another study in "
                f"{units[1]!r}; convert one of them"
            )
        seen: dict[tuple[str, ...], str] = {}
        for study in studies:
            for row in np.unique(study.group(*LABELS), return_index=True)[1]:
                key = tuple(getattr(study, name)[int(row)] for name in LABELS)
                if key in seen:
                    raise ParameterError(
                        f"the sitting {' / '.join(key)} occurs in {seen[key]} and in "
                        f"{study.source}; these are duplicate rows, or sittings to be labelled "
                        "apart"
                    )
                seen[key] = study.source
        value = np.concatenate([study.value for study in studies])
        columns: dict[str, Any] = {
            name: Column.of(
                [label for study in studies for label in getattr(study, name)], value.size, name
            )
            for name in LABELS
        }
        return Study(
            value=value,
            unit=units[0],
            source=" and ".join(dict.fromkeys(study.source for study in studies)),
            n_missing=sum(study.n_missing for study in studies),
            **columns,
        )

    def of_method(self, method: str) -> Study:
        """The readings of one method."""
        rows = self.method.where(method)
        if not rows.any():
            raise ParameterError(
                f"{self.source}: no readings by method {method!r}; there are "
                f"{', '.join(self.method.present) or 'none'}"
            )
        return self.select(rows)

    def relabelled(self, method: str) -> Study:
        """The same readings under another name of their method."""
        return self._with(method=Column.of(method, self.n_readings, "method"))

    def design(self) -> Design:
        """Say how the readings were taken and what that allows to be concluded."""
        return _design(self)

    @classmethod
    def from_measurements(
        cls,
        results: Measurement | Iterable[Measurement],
        *,
        all_scans: bool = False,
        source: str = "measured recordings",
    ) -> Study:
        """Gather measured recordings.

        Parameters
        ----------
        results : Measurement or iterable of Measurement
        all_scans : bool
            Keep rejected scans too. By default only the accepted ones count.
        source : str
            What error messages call the results.

        Raises
        ------
        ParameterError
            The same sitting in two of the results, or no scan left.
        """
        from echotrace.measurement import Measurement

        parts = [results] if isinstance(results, Measurement) else list(results)
        if not parts:
            raise ParameterError("study: no measured recording was given")
        labels: dict[str, list[str]] = {name: [] for name in LABELS}
        values, orders = [], []
        seen: dict[tuple[str, ...], int] = {}
        n_missing = 0
        for number, part in enumerate(parts, start=1):
            keep = np.ones(part.n_traces, dtype=np.bool_) if all_scans else part.accepted
            n_missing += int((~keep).sum())
            rows = np.flatnonzero(keep)
            codes = np.stack([getattr(part, name).codes for name in LABELS])
            for k in np.unique(codes, axis=1, return_index=True)[1]:
                key = tuple(getattr(part, name)[int(k)] for name in LABELS)
                if key in seen:
                    raise ParameterError(
                        f"study: the sitting {' / '.join(key)} occurs in result {seen[key]} and in "
                        f"result {number}; leave one out, or label the sittings apart"
                    )
                seen[key] = number
            for name in LABELS:
                column: Column = getattr(part, name)
                labels[name].extend(np.asarray(column.labels, dtype=object)[column.codes[rows]])
            values.append(part.axial_length_mm[rows])
            orders.append(rows + sum(item.n_traces for item in parts[: number - 1]))
        value = np.concatenate(values)
        if not np.isfinite(value).any():
            raise ParameterError(
                "study: no scan was accepted; look at the findings, or count rejected scans too"
            )
        columns: dict[str, Any] = {
            name: Column.of(items, value.size, name) for name, items in labels.items()
        }
        return cls(
            value=value,
            order=np.concatenate(orders) if len(parts) == 1 else None,
            source=source,
            n_missing=n_missing,
            **columns,
        )

    @classmethod
    def read_csv(cls, path: str | Path, *, all_scans: bool = False) -> Study:
        """Read a table of readings from a CSV file.

        Parameters
        ----------
        path : str or Path
            A header line, then one reading per row. Wanted: ``subject``, ``method``, and one of
            ``axial_length_mm``, ``length_mm``, or ``value`` with ``unit``. Used where there:
            ``eye``, ``operator``, ``sitting``, ``order``, ``accepted``. Commas, semicolons or
            tabs; a decimal comma only with semicolons or tabs.
        all_scans : bool
            Keep the rows whose ``accepted`` is false.

        Raises
        ------
        FileFormatError
            A file that is not such a table; the message names row and column.
        MissingDetailError
            A ``value`` column without a unit.
        """
        return _read_csv(Path(path), all_scans)


def _refuse_duplicates(
    value: NDArray[np.float64],
    columns: dict[str, Column],
    order: NDArray[np.int64] | None,
    source: str,
) -> None:
    rows = np.stack([column.codes.astype(np.float64) for column in columns.values()])
    if order is not None:
        rows = np.vstack([rows, order])
        _, first, inverse, count = np.unique(
            rows, axis=1, return_index=True, return_inverse=True, return_counts=True
        )
        if (count > 1).any():
            which = int(np.flatnonzero(count > 1)[0])
            second = int(np.flatnonzero(inverse.reshape(-1) == which)[1])
            raise ParameterError(
                f"{source}: rows {int(first[which]) + 1} and {second + 1} are duplicates (same "
                f"{', '.join(columns)} and order {int(order[second])}); remove one"
            )
        return
    if value.size < 2:
        return
    rows = np.vstack([rows, value])
    _, inverse, count = np.unique(rows, axis=1, return_inverse=True, return_counts=True)
    if count.size > 1 and (count > 1).all():
        first_row, second = np.flatnonzero(inverse.reshape(-1) == inverse.reshape(-1)[0])[:2]
        raise ParameterError(
            f"{source}: every row occurs more than once (rows {int(first_row) + 1} and "
            f"{int(second) + 1} for a start); the table seems to be pasted twice. Remove the "
            "duplicates, or add a column 'order' that tells repeated readings apart"
        )


def _refuse_mixed_units(study: Study, row_numbers: NDArray[np.intp]) -> None:
    if not study.n_readings or (study.value <= 0.0).any():
        return
    eye = study.group("subject", "eye")
    n = int(eye.max()) + 1
    low, high = np.full(n, np.inf), np.full(n, -np.inf)
    np.minimum.at(low, eye, study.value)
    np.maximum.at(high, eye, study.value)
    bad = np.flatnonzero(high > _UNIT_FACTOR * low)
    if bad.size:
        rows = np.flatnonzero(eye == bad[0])
        a, b = rows[np.argmin(study.value[rows])], rows[np.argmax(study.value[rows])]
        raise ParameterError(
            f"{study.source}: rows {row_numbers[a] + 1} and {row_numbers[b] + 1} are "
            f"{study.value[a]:g} and {study.value[b]:g} for one eye of subject "
            f"{study.subject[int(a)]}; the units seem to be mixed. Give all readings in "
            f"{study.unit}"
        )


# ---------------------------------------------------------------------------------------- CSV


def _read_csv(path: Path, all_scans: bool) -> Study:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise FileFormatError(f"{path}: {error.strerror or error}") from None
    except UnicodeDecodeError:
        raise FileFormatError(f"{path}: not a text file in UTF-8; save the table as CSV") from None
    lines = text.splitlines()
    if not lines:
        raise FileFormatError(f"{path}: the file is empty; a header line is needed")
    delimiter = max(",;\t", key=lines[0].count)
    rows = csv.reader(lines, delimiter=delimiter)
    header = [name.strip() for name in next(rows)]
    twice = sorted({name for name in header if header.count(name) > 1})
    if twice:
        raise FileFormatError(f"{path}: column {twice[0]!r} occurs twice; rename one")
    value_name = next((name for name in _VALUE_COLUMNS if name in header), None)
    missing = [name for name in ("subject", "method") if name not in header]
    if value_name is None:
        missing.append("axial_length_mm (or length_mm, or value with unit)")
    if missing:
        raise FileFormatError(
            f"{path}: no column {', '.join(missing)}; the header has {', '.join(header)}"
        )
    if value_name == "value" and "unit" not in header:
        raise MissingDetailError(
            f"{path}: the column 'value' needs a column 'unit'; name it length_mm if it is in mm"
        )
    table: list[list[str]] = []
    numbers: list[int] = []
    for number, cells in enumerate(rows, start=2):
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) != len(header):
            raise FileFormatError(
                f"{path}: row {number} has {len(cells)} cells, the header has {len(header)}"
            )
        table.append([cell.strip() for cell in cells])
        numbers.append(number)
    if not table:
        raise FileFormatError(f"{path}: a header, but no readings below it")
    column = {name: [row[k] for row in table] for k, name in enumerate(header)}

    if "accepted" in column and not all_scans:
        keep = [_truth(path, numbers[k], item) for k, item in enumerate(column["accepted"])]
        n_rejected = keep.count(False)
        column = {
            name: [item for item, kept in zip(items, keep, strict=True) if kept]
            for name, items in column.items()
        }
        numbers = [number for number, kept in zip(numbers, keep, strict=True) if kept]
        if not numbers:
            raise FileFormatError(f"{path}: no row is accepted; count rejected scans too?")
    else:
        n_rejected = 0

    assert value_name is not None
    value = _numbers(path, numbers, value_name, column[value_name], delimiter)
    order = None
    if "order" in column:
        numeric = _numbers(path, numbers, "order", column["order"], delimiter)
        whole = np.isfinite(numeric) & (numeric == np.round(numeric))
        if not whole.all():
            at = int(np.flatnonzero(~whole)[0])
            raise FileFormatError(
                f"{path}: row {numbers[at]}, column 'order': {column['order'][at]!r} is not a "
                "whole number"
            )
        order = numeric.astype(np.int64)
    unit = "mm"
    if "unit" in column:
        units = list(dict.fromkeys(column["unit"]))
        if len(units) > 1:
            at = column["unit"].index(units[1])
            raise FileFormatError(
                f"{path}: row {numbers[at]}, column 'unit': {units[1]!r} after {units[0]!r}; the "
                "units are mixed. Convert all readings to one unit"
            )
        if value_name == "value":
            unit = units[0]
        elif units[0] != "mm":
            raise FileFormatError(
                f"{path}: column {value_name!r} says mm, column 'unit' says {units[0]!r}"
            )
    for name in ("subject", "method"):
        if "" in column[name]:
            raise FileFormatError(
                f"{path}: row {numbers[column[name].index('')]}, column {name!r} is empty"
            )
    labels: dict[str, Any] = {
        name: [item or default for item in column[name]]
        for name, default in _DEFAULTS.items()
        if name in column
    }
    return Study(
        value=value,
        subject=cast("Column", column["subject"]),
        method=cast("Column", column["method"]),
        order=order,
        unit=unit,
        source=str(path),
        n_missing=n_rejected,
        **labels,
    )


_DEFAULTS = {"eye": "none", "operator": "unnamed", "sitting": "1"}


def _truth(path: Path, number: int, text: str) -> bool:
    if text.lower() in _TRUE:
        return True
    if text.lower() in _FALSE:
        return False
    raise FileFormatError(
        f"{path}: row {number}, column 'accepted': {text!r} is neither true nor false"
    )


def _numbers(
    path: Path, numbers: Sequence[int], name: str, cells: list[str], delimiter: str
) -> NDArray[np.float64]:
    if delimiter != ",":
        cells = [cell.replace(",", ".") for cell in cells]
    out = np.empty(len(cells))
    for k, cell in enumerate(cells):
        try:
            out[k] = float(cell) if cell else np.nan
        except ValueError:
            raise FileFormatError(
                f"{path}: row {numbers[k]}, column {name!r}: {cell!r} is not a number"
            ) from None
        if np.isinf(out[k]):
            raise FileFormatError(f"{path}: row {numbers[k]}, column {name!r} is infinite")
    return out


# ------------------------------------------------------------------------------------- design


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


def _design(study: Study) -> Design:
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
    allows, forbids, warnings = [], [], []
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
    if study.order is None and replicated:
        rows = np.vstack([sitting.astype(np.float64), study.value])
        extra = study.n_readings - np.unique(rows, axis=1).shape[1]
        if extra:
            warnings.append(
                f"{_count(extra, 'reading')} equal to another of the same sitting; without a "
                "column 'order' a repeated reading cannot be told from a row entered twice"
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
    study: Study, eye_method: NDArray[np.intp], eye: NDArray[np.intp], method: NDArray[np.intp]
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
    return bool(sign[0] != 0 and (sign == sign[0]).all())
