"""The formats that can be imported: one row each, with how it is told and how it is read."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from echotrace.errors import FileFormatError, ParameterError
from echotrace.extensions import Registry, takes
from echotrace.user_input import parsing

if TYPE_CHECKING:
    from echotrace.files.description import ImportDescription
    from echotrace.files.foreign import Foreign

__all__ = ["FORMATS", "Reader", "format_by_content", "reader_named", "register_reader"]

_TEXT_SUFFIXES = (".csv", ".txt", ".tsv", ".dat", ".asc")


def _never(path: Path, head: bytes) -> bool:
    del path, head
    return False


@dataclass(frozen=True, slots=True)
class Reader:
    r"""One format of files.

    Attributes
    ----------
    read : callable
        ``read(path, description) -> Foreign``: what the file says, read as the
        :class:`~echotrace.files.description.ImportDescription` tells; what it does not say stays
        None and is asked for.
    recognises : callable
        ``recognises(path, head) -> bool``, given the first 1024 bytes; True only where it is sure.

    Examples
    --------
    >>> from echotrace.files.readers import reader_named
    >>> reader_named("npy").recognises(Path("a.bin"), b"\x93NUMPY\x01")
    True
    """

    read: Callable[[Path, ImportDescription], Foreign]
    recognises: Callable[[Path, bytes], bool] = _never


def _read_arrays(how: Callable[[Path, bool], Any]) -> Callable[[Path, ImportDescription], Foreign]:
    """The reader of a format that holds arrays under names."""

    def read(path: Path, told: ImportDescription) -> Foreign:
        from echotrace.files.foreign import from_variables

        return from_variables(
            path,
            how(path, told.other_files),
            variable=told.variable,
            samples_first=told.samples_first,
            sampling_rate_variable=told.sampling_rate_variable,
            start_delay_variable=told.start_delay_variable,
        )

    return read


def _npy(path: Path, other_files: bool) -> Any:
    from echotrace.files.npz import npy_variables

    del other_files
    return npy_variables(path)


def _npz(path: Path, other_files: bool) -> Any:
    from echotrace.files.npz import npz_variables

    del other_files
    return npz_variables(path)


def _mat(path: Path, other_files: bool) -> Any:
    from echotrace.files.matlab import mat_variables

    return mat_variables(path, other_files=other_files)


def _hdf5(path: Path, other_files: bool) -> Any:
    from echotrace.files.matlab import hdf5_variables

    return hdf5_variables(path, other_files=other_files)


def _read_wav(path: Path, told: ImportDescription) -> Foreign:
    from echotrace.files.wav import read_wav

    _refuse_names(path, "wav", told)
    return _untimed(read_wav(path), told)


def _read_text(path: Path, told: ImportDescription) -> Foreign:
    from echotrace.files.text import read_text

    _refuse_names(path, "text", told)
    foreign = read_text(
        path,
        samples_first=told.samples_first,
        delimiter=told.delimiter,
        decimal=told.decimal,
        time_unit=told.time_unit,
        skip_lines=told.skip_lines,
        index_column=told.index_column,
        ignore_timing=told.ignore_file_timing,
    )
    return _untimed(foreign, told)


def _untimed(foreign: Foreign, told: ImportDescription) -> Foreign:
    if not told.ignore_file_timing:
        return foreign
    return replace(foreign, sampling_rate_hz=None, start_delay_us=None)


def _refuse_names(path: Path, chosen: str, told: ImportDescription) -> None:
    names = (told.variable, told.sampling_rate_variable, told.start_delay_variable)
    given = next((name for name in names if name), None)
    if given:
        raise ParameterError(
            f"{path}: variable {given!r} was named, but a {chosen} file has no named variables"
        )


def _is_hdf5(path: Path, head: bytes) -> bool:
    if not head.startswith(b"\x89HDF\r\n\x1a\n"):
        return False
    from echotrace.files.guarded import open_hdf5

    with parsing(path, "an HDF5 file"), open_hdf5(path) as (file, _):
        native = str(file.attrs.get("schema_name", "")).startswith("echotrace_")
    if native:
        raise FileFormatError(f"{path}: is a native file already; it needs no import")
    return True


# In the order in which they are tried.
_READERS = MappingProxyType(
    {
        "npy": Reader(_read_arrays(_npy), lambda _, head: head.startswith(b"\x93NUMPY")),
        "npz": Reader(_read_arrays(_npz), lambda _, head: head.startswith(b"PK")),
        "wav": Reader(_read_wav, lambda _, head: head[:4] in (b"RIFF", b"RIFX", b"RF64")),
        "mat": Reader(
            _read_arrays(_mat),
            lambda path, head: head.startswith(b"MATLAB") or path.suffix.lower() == ".mat",
        ),
        "hdf5": Reader(_read_arrays(_hdf5), _is_hdf5),
        "text": Reader(_read_text, lambda path, _: path.suffix.lower() in _TEXT_SUFFIXES),
    }
)

FORMATS = tuple(_READERS)
"""Formats that can be imported without any package from outside."""


def _checked_reader(name: str, given: Any) -> Reader:
    found = given if isinstance(given, Reader) else Reader(given)
    if not takes(found.read, 2):
        raise ParameterError(
            f"format {name!r}: must be a function of (path, description) that gives a Foreign, or "
            "a Reader of one"
        )
    if not takes(found.recognises, 2):
        raise ParameterError(f"format {name!r}: recognises must be a function of (path, head)")
    return Reader(_guarded(name, found.read), found.recognises)


def _guarded(
    name: str, read: Callable[[Path, ImportDescription], Foreign]
) -> Callable[[Path, ImportDescription], Foreign]:
    """A reader from outside: whatever it raises is one clear error, and its form is checked."""

    def guarded(path: Path, told: ImportDescription) -> Foreign:
        from echotrace.files.foreign import Foreign

        with parsing(path, f"a file of format {name!r}"):
            found = read(path, told)
        samples: Any = getattr(found, "samples", None)
        if not isinstance(found, Foreign) or np.ndim(samples) != 2:
            raise FileFormatError(
                f"{path}: the reader of format {name!r} must give a Foreign with samples of "
                "(n_traces, n_samples)"
            )
        return _untimed(found, told)

    return guarded


_REGISTRY = Registry("format", "echotrace.readers", _READERS, _checked_reader)


def register_reader(
    name: str,
    read: Callable[[Path, ImportDescription], Foreign],
    *,
    recognises: Callable[[Path, bytes], bool] | None = None,
) -> None:
    """Add a format for this session; a package adds one by an entry point ``echotrace.readers``.

    Parameters
    ----------
    name : str
        By which ``format`` and ``--format`` know it.
    read : callable
        ``read(path, description) -> Foreign``, as :class:`Reader` has it.
    recognises : callable, optional
        ``recognises(path, head) -> bool``, given the first 1024 bytes, for files that are of none
        of the formats built in. Without it the format has to be named.

    Raises
    ------
    ParameterError
        A name that is taken or cannot be one, or a function that takes other arguments.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import numpy as np
    >>> import echotrace as et
    >>> def read_counts(path, description):
    ...     counts = np.frombuffer(path.read_bytes()[4:], "<i2")
    ...     return et.Foreign(counts.reshape(-1, 600), sampling_rate_hz=1e8)
    >>> et.register_reader("counts", read_counts, recognises=lambda _, head: head[:4] == b"CNT1")
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "scan.cnt"
    >>> _ = path.write_bytes(b"CNT1" + np.arange(1200, dtype="<i2").tobytes())
    >>> probe = et.Probe(centre_frequency_hz=10e6)
    >>> et.import_recording(path, signal="rf", method="other", target="block", probe=probe,
    ...                     start_delay_us=0.0).n_traces
    2
    """
    given = Reader(read) if recognises is None else Reader(read, recognises)
    _REGISTRY.register(name, given)


def reader_named(name: str) -> Reader:
    """A format: built in, registered in this session, or of an installed package.

    Parameters
    ----------
    name : str

    Returns
    -------
    Reader

    Raises
    ------
    ParameterError
        There is none of that name, or its package is broken.

    Examples
    --------
    >>> from echotrace.files.readers import reader_named
    >>> reader_named("text").recognises(Path("scan.csv"), b"1,2")
    True
    """
    return _REGISTRY.get(name)


def format_by_content(path: Path, head: bytes) -> str:
    """The format of a file; packages are asked only where none built in is sure.

    Parameters
    ----------
    path : Path
    head : bytes
        The first 1024.

    Returns
    -------
    str

    Raises
    ------
    FileFormatError
        It cannot be told, several formats take it for theirs, or it is a native file.

    Examples
    --------
    >>> from echotrace.files.readers import format_by_content
    >>> format_by_content(Path("scan.bin"), b"RIFF....WAVE"), format_by_content(Path("s"), b"1;2")
    ('wav', 'text')
    """
    for name, reader in _READERS.items():
        if reader.recognises(path, head):
            return name
    sure = [
        name for name, reader in _REGISTRY.installed().items() if _sure(name, reader, path, head)
    ]
    if len(sure) > 1:
        raise FileFormatError(
            f"{path}: could be {' or '.join(sure)}; name the format with --format"
        )
    if sure:
        return sure[0]
    if b"\0" not in head:
        return "text"
    raise FileFormatError(
        f"{path}: the format cannot be told from the content; name it with --format (one of "
        f"{', '.join(_REGISTRY.names())}), or convert the file to one of these"
    )


def _sure(name: str, reader: Reader, path: Path, head: bytes) -> bool:
    with parsing(path, f"a file that format {name!r} can look at"):
        return bool(reader.recognises(path, head))
