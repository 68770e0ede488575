"""Finished parts of a long measurement, kept until the whole is complete.

A part is a row of arrays in numpy's own format (``.npy``), one after another in one file: the
checksum of the head, the head as JSON text, and what was measured. The head tells where the part
belongs and the checksum of each array, so that no byte goes unchecked and a part under another's
name is not taken for it.
"""

from __future__ import annotations

import io
import json
import tokenize
import warnings
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.lib import format as npy
from numpy.typing import NDArray

from echotrace.errors import EchotraceError, FileFormatError
from echotrace.files.atomic import atomic_target, writing
from echotrace.files.digest import block_digest
from echotrace.measurement import ARRAYS, Measurement
from echotrace.recording import COLUMNS, Column

__all__ = ["read_part", "write_part"]

_TEXTS = ("interfaces", "segments", "finding_names")


def write_part(part: Measurement, path: Path, place: str) -> None:
    """Write a part so that it is there wholly or not at all.

    Parameters
    ----------
    part : Measurement
    path : Path
    place : str
        What the part is a part of, and which; only the same text reads it again.

    Raises
    ------
    FileFormatError
        The file cannot be written.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> from echotrace.files.parts import read_part, write_part
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "000000000000.part"
    >>> write_part(result, path, "scans from 0 of my run")
    >>> read_part(path, "scans from 0 of my run").n_traces
    6
    """
    with atomic_target(path) as partial, writing(path), partial.open("wb") as file:
        _write(part, place, file)


def read_part(path: Path, place: str) -> Measurement:
    """Read a part.

    Parameters
    ----------
    path : Path
    place : str
        As it was written for.

    Returns
    -------
    Measurement

    Raises
    ------
    FileFormatError
        It is damaged, or belongs elsewhere.

    Notes
    -----
    See :func:`write_part` for an example.

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/contact_sitting.h5"))
    >>> write_part(result, folder / "0.part", "scans from 0 of my run")
    >>> read_part(folder / "0.part", "scans from 1 of my run")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ...
    echotrace.errors.FileFormatError: ...
    """
    try:
        written = path.read_bytes()
        part, found = _read(io.BytesIO(written))
        again = io.BytesIO()
        # The same bytes come out only if all arrays, checksums and headers are what they were.
        _write(part, found, again)
        if again.getvalue() != written:
            raise ValueError("a checksum does not match")
    except (
        OSError,
        MemoryError,
        IndexError,
        KeyError,
        ValueError,
        TypeError,
        SyntaxError,
        tokenize.TokenError,
        EchotraceError,
    ) as error:
        raise FileFormatError(
            f"{path}: damaged part of an interrupted run ({error}); delete it, and it is measured "
            "again with all that follows it"
        ) from error
    if found != place:
        raise FileFormatError(
            f"{path}: is whole, but not the part that belongs here (it was moved, or is of another "
            "run); delete it, and it is measured again with all that follows it"
        )
    return part


def _write(part: Measurement, place: str, file: IO[bytes]) -> None:
    columns = [
        *(getattr(part, name) for name in ARRAYS),
        *(getattr(part, name).codes for name in COLUMNS),
        *part.features.values(),
    ]
    # Features of a single block can be columns of one array.
    arrays = [np.ascontiguousarray(column) for column in columns]
    head = {
        "place": place,
        **{name: getattr(part, name) for name in _TEXTS},
        "settings_json": part.settings_json,
        "engine": part.engine,
        "attributes": dict(part.attributes),
        "labels": [getattr(part, name).labels for name in COLUMNS],
        "features": list(part.features),
        "checksums": [block_digest(array) for array in arrays],
    }
    text = np.frombuffer(json.dumps(head).encode(), np.uint8)
    for array in (np.array([block_digest(text)], "<u8"), text, *arrays):
        npy.write_array_header_1_0(file, npy.header_data_from_array_1_0(array))
        file.write(array.reshape(-1).view(np.uint8).data)


def _read(file: IO[bytes]) -> tuple[Measurement, str]:
    def array() -> NDArray[Any]:
        with warnings.catch_warnings():
            # What numpy thinks of a damaged header is of no interest: it will be refused.
            warnings.simplefilter("ignore")
            found: NDArray[Any] = npy.read_array(file, allow_pickle=False)
        if not found.dtype.isnative:
            raise ValueError("an array is of another machine")
        return found

    array()  # The checksum of the head.
    head: dict[str, Any] = json.loads(array().tobytes())
    rest = iter([array() for _ in head["checksums"]])
    fields: dict[str, Any] = {name: tuple(head[name]) for name in _TEXTS}
    for name in ARRAYS:
        fields[name] = next(rest)
    for name, labels in zip(COLUMNS, head["labels"], strict=True):
        fields[name] = Column(next(rest), tuple(labels))
    part = Measurement(
        features=dict(zip(head["features"], rest, strict=True)),
        settings_json=head["settings_json"],
        engine=head["engine"],
        attributes=head["attributes"],
        **fields,
    )
    return part, head["place"]
