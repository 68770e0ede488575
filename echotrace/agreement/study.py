"""Studies: readings with the labels that say who, which eye, which method and in which sitting.

A :class:`Study` is the table every statistic starts from, whether it was measured by echotrace or
typed from a publication. :meth:`Study.design` says what the table allows to be concluded before
anything is concluded from it.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from numpy.typing import NDArray

from echotrace.agreement.design import LABELS, Design, design_of
from echotrace.agreement.places import Places, SourceFile, sha256_of
from echotrace.agreement.study_checks import (
    impossible_lengths,
    refuse_duplicates,
    refuse_mixed_units,
)
from echotrace.agreement.study_table import study_columns
from echotrace.caution import is_synthetic
from echotrace.errors import ParameterError
from echotrace.files.csv_table import read_csv_table
from echotrace.recording import Column
from echotrace.text_out import scan_names

if TYPE_CHECKING:
    from echotrace.measurement import Measurement

__all__ = ["LABELS", "Design", "Study"]


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
    n_missing : int
        Readings that were left out already.
    places : Places, optional
        Where each reading stands; by default rows counted from 1.
    files : tuple of SourceFile
        That the readings come from.
    left_out, notes : tuple of str
        Which readings were left out and why; what was read otherwise than it was written.
    numbered : bool
        Each reading has a number of its own, so that none was entered twice; so with ``order``.

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
    places: Places = cast("Places", None)  # noqa: RUF009
    files: tuple[SourceFile, ...] = ()
    left_out: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    numbered: bool = False

    def __post_init__(self) -> None:
        put = object.__setattr__
        value = np.array(self.value, dtype=np.float64)
        if value.ndim != 1:
            raise ParameterError(f"{self.source}: value has shape {value.shape}; give one column")
        places = self.places
        if cast("Places | None", places) is None:
            places = Places.of(self.source, "row", np.arange(1, value.size + 1))
        if np.isinf(value).any():
            raise ParameterError(
                f"{self.source}: {places.names(np.flatnonzero(np.isinf(value))[:1])} is infinite; "
                "leave it empty if the reading is missing"
            )
        columns = {}
        for name in LABELS:
            columns[name] = Column.of(getattr(self, name), value.size, f"{self.source}: {name}")
        order = None
        if self.order is not None:
            order = np.array(self.order, dtype=np.int64)
            put(self, "numbered", True)
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
                    f"{self.source}: {places.names([row])}: {name} is empty; label every reading"
                )
        refuse_duplicates(value, columns, order, self.source, places)
        keep = ~np.isnan(value)
        if not keep.all():
            empty = np.flatnonzero(~keep)
            told = f"{empty.size} without a reading: {places.names(empty)}"
            put(self, "left_out", (*self.left_out, told))
        put(self, "places", places.take(keep))
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
        rows, what = impossible_lengths(value, self.unit)
        if rows.size:
            raise ParameterError(f"{self.source}: {self.where(rows)}: {what}")
        refuse_mixed_units(self)

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

    def where(self, rows: NDArray[Any] | Sequence[int]) -> str:
        """Where some of the readings stand, in words: lines of a file, scans, rows."""
        return self.places.names(rows)

    def select(self, rows: NDArray[Any]) -> Study:
        """The study of some of the readings."""
        names = (*LABELS, "places")
        changes: dict[str, Any] = {name: getattr(self, name).take(rows) for name in names}
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
            places=Places.join([study.places for study in studies]),
            files=tuple(dict.fromkeys(item for study in studies for item in study.files)),
            left_out=tuple(dict.fromkeys(text for study in studies for text in study.left_out)),
            notes=tuple(dict.fromkeys(text for study in studies for text in study.notes)),
            numbered=all(study.numbered for study in studies),
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
        return design_of(self)

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
            What error messages call the results; the file's path, if they are one file's.

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
        left_out: list[str] = []
        places: list[Places] = []
        files = []
        for number, part in enumerate(parts, start=1):
            name = source if len(parts) == 1 else f"result {number}"
            keep = np.ones(part.n_traces, dtype=np.bool_) if all_scans else part.accepted
            n_missing += int((~keep).sum())
            rows = np.flatnonzero(keep)
            places.append(Places.of(name, "scan", rows + 1))
            invented = is_synthetic(part.attributes)
            hashed = sha256_of(Path(name)) if len(parts) == 1 else ""
            files.append(SourceFile(name=Path(name).name, sha256=hashed, synthetic=invented))
            left_out += _rejected(part, np.flatnonzero(~keep), name)
            codes = np.stack([getattr(part, name).codes for name in LABELS])
            for k in np.unique(codes, axis=1, return_index=True)[1]:
                key = tuple(getattr(part, name)[int(k)] for name in LABELS)
                if key in seen:
                    raise ParameterError(
                        f"study: the sitting {' / '.join(key)} occurs in result {seen[key]} and in "
                        f"result {number}; leave one out, or label the sittings apart"
                    )
                seen[key] = number
            for label in LABELS:
                column: Column = getattr(part, label)
                labels[label].extend(np.asarray(column.labels, dtype=object)[column.codes[rows]])
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
            places=Places.join(places),
            files=tuple(files),
            left_out=tuple(left_out),
            numbered=True,
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
            ``eye``, ``operator``, ``sitting``, ``order`` (or ``scan``), ``accepted``. Capitals and
            blanks in these names do not matter. Commas, semicolons or tabs, or blanks as R writes
            them; a decimal comma only without commas between the cells. A column of row names, as
            data frames have it, is left out.
        all_scans : bool
            Keep the rows whose ``accepted`` is false.

        Raises
        ------
        FileFormatError
            A file that is not such a table; the message names line and column.
        MissingDetailError
            A ``value`` column without a unit.
        """
        return cls(**study_columns(read_csv_table(path), all_scans=all_scans))


def _rejected(part: Measurement, rows: NDArray[np.intp], name: str) -> list[str]:
    """Scans that were left out, by their findings."""
    scans: dict[str, list[int]] = {}
    for k in rows:
        found = ", ".join(item.replace("_", " ") for item in part.finding_list(int(k)))
        why = "by hand" if part.decided_by[k] else found or "no reason given"
        scans.setdefault(why, []).append(int(k))
    return [
        f"{name}: {len(found)} not accepted ({why}): {scan_names(found, 8)}"
        for why, found in scans.items()
    ]
