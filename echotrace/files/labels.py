"""What the files of recordings and of measurements share: label columns, names, provenance."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import EchotraceWarning, FileFormatError, ParameterError
from echotrace.files import hdf5
from echotrace.files.digest import ContentDigest
from echotrace.files.hdf5_reading import NativeGroup, damaged
from echotrace.recording import Column

__all__ = [
    "CHUNK_CACHE_BYTES",
    "add_labels",
    "check_column_name",
    "check_digest",
    "has_digest",
    "portable",
    "read_column",
    "read_provenance",
    "row_codes",
    "warn_without_digest",
    "write_digest",
    "write_label_table",
]

CHUNK_CACHE_BYTES = 8 * 1024 * 1024

_CODED = ("eye", "method", "lens_state", "lens_material", "vitreous")
"""Label columns whose few values are also given as CF flags."""


def portable(dtype: np.dtype[Any]) -> np.dtype[Any]:
    """The nearest number type that NetCDF-4 knows and that holds every value.

    Parameters
    ----------
    dtype : numpy.dtype
        Of real numbers.

    Returns
    -------
    numpy.dtype
        In the order of bytes of this machine.

    Examples
    --------
    >>> portable(np.dtype(">i2")), portable(np.dtype("float16"))
    (dtype('int16'), dtype('float32'))
    """
    if dtype.kind == "f":
        return np.dtype(np.float32 if dtype.itemsize <= 4 else np.float64)
    return dtype.newbyteorder("=")


def check_column_name(name: str, what: str, group: Any) -> None:
    """Refuse a name under which no further dataset of a group can be stored.

    Parameters
    ----------
    name : str
    what : str
        What is to be stored, for the message.
    group : container of str
        Names that are taken.

    Raises
    ------
    ParameterError
        It is no identifier, or taken.

    Examples
    --------
    >>> check_column_name("samples", "truth", ["samples"])
    Traceback (most recent call last):
    ...
    echotrace.errors.ParameterError: truth: a column cannot be stored under the name 'samples'; \
    use letters, digits and '_', and none of samples
    """
    if not name.isidentifier() or name in group:
        raise ParameterError(
            f"{what}: a column cannot be stored under the name {name!r}; use letters, digits and "
            "'_', and none of " + ", ".join(group)
        )


def row_codes(column: Column, name: str, known: dict[str, int]) -> NDArray[np.int32]:
    """Codes of a block's labels in the table of the whole file, which grows by those not known.

    Parameters
    ----------
    column : Column
        Of a block of traces.
    name : str
        Of the column, for messages.
    known : dict of str to int
        Label to code; labels that are new are added.

    Returns
    -------
    ndarray of int32, (n_traces,)

    Raises
    ------
    ParameterError
        A label that HDF5 cannot hold.

    Examples
    --------
    >>> known = {"left": 0}
    >>> block = Column(np.array([0, 1, 0], np.int32), ("right", "left"))
    >>> row_codes(block, "eye", known), known
    (array([1, 0, 1], dtype=int32), {'left': 0, 'right': 1})
    """
    table = [known.setdefault(hdf5.storable(label, name), len(known)) for label in column.labels]
    return np.array(table, np.int32)[column.codes]


def write_label_table(file: Any, name: str, labels: tuple[str, ...]) -> None:
    """Write the table of labels of a column, by code.

    Parameters
    ----------
    file : h5py.File
        Holding the codes under ``name``.
    name : str
        Of the column.
    labels : tuple of str
        By code.

    Examples
    --------
    >>> import h5py
    >>> with h5py.File(folder / "new.h5", "w") as file:
    ...     _ = file.create_dataset("eye", data=np.array([0, 1], np.int32))
    ...     write_label_table(file, "eye", ("left", "right"))
    ...     str(file["eye"].attrs["flag_meanings"]), list(file["eye_label"].asstr())
    ('left right', ['left', 'right'])
    """
    hdf5.add_axis(file, f"{name}_label", labels, long_name=f"{name}, by code")
    if name in _CODED and all(hdf5.is_flag_word(label) for label in labels):
        hdf5.set_flags(file[name], labels)


def read_column(root: NativeGroup, name: str, n_traces: int) -> Column:
    """Read a label column: its codes and their table.

    Parameters
    ----------
    root : NativeGroup
    name : str
    n_traces : int

    Returns
    -------
    Column

    Raises
    ------
    FileFormatError
        Codes or table are missing, of another form, or do not belong together.

    Examples
    --------
    >>> from echotrace.files.hdf5_reading import opened
    >>> with opened("synthetic_traces/contact_sitting.h5", kind="recording") as root:
    ...     read_column(root, "method", 6).labels
    ('contact',)
    """
    codes = root.array(name, (n_traces,), np.int32, kinds="iu")
    labels = root.labels(f"{name}_label")
    if codes.size and not (codes.min() >= 0 and codes.max() < len(labels)):
        raise FileFormatError(
            f"{root.path}: a code of /{name} points outside /{name}_label; the file is damaged "
            "or was made by another program"
        )
    return Column(codes, labels)


def read_provenance(root: NativeGroup) -> dict[str, str]:
    """Read where the data come from; empty where the file does not say.

    Parameters
    ----------
    root : NativeGroup

    Returns
    -------
    dict of str to str

    Examples
    --------
    >>> from echotrace.files.hdf5_reading import opened
    >>> with opened("synthetic_traces/contact_sitting.h5", kind="recording") as root:
    ...     read_provenance(root)["seed"]
    '12'
    """
    group = root.subgroup("provenance")
    return {} if group is None else group.texts()


# --- the digest of a whole file ------------------------------------------------------------------

_DIGEST = "content_digest"
_METHOD = (
    "XXH3-128 over names, numbers, texts and arrays; samples by the XXH3-64 of each block of rows"
)


def add_labels(digest: ContentDigest, columns: Mapping[str, tuple[str, ...]]) -> None:
    """Add the tables of labels to a digest.

    Parameters
    ----------
    digest : ContentDigest
    columns : mapping of str to tuple of str
        Labels of each column, by code.

    Examples
    --------
    >>> one, two = ContentDigest(), ContentDigest()
    >>> add_labels(one, {"eye": ("left", "right")})
    >>> add_labels(two, {"eye": ("right", "left")})
    >>> one.hexdigest() == two.hexdigest()
    False
    """
    for name, labels in columns.items():
        digest.texts(f"{name}_label", labels)


def write_digest(file: Any, digest: ContentDigest) -> None:
    """Write the digest of all that a result depends on.

    Parameters
    ----------
    file : h5py.File
    digest : ContentDigest

    Examples
    --------
    >>> import h5py
    >>> with h5py.File(folder / "new.h5", "w") as file:
    ...     write_digest(file, ContentDigest())
    ...     len(file.attrs["content_digest"])
    32
    """
    file.attrs[_DIGEST] = digest.hexdigest()
    file.attrs[f"{_DIGEST}_method"] = _METHOD


def has_digest(root: NativeGroup) -> bool:
    """Whether a file is to be held against a digest; those of schema 1 have none.

    Parameters
    ----------
    root : NativeGroup

    Returns
    -------
    bool

    Examples
    --------
    >>> from echotrace.files.hdf5_reading import opened
    >>> with opened("synthetic_traces/contact_sitting.h5", kind="recording") as root:
    ...     has_digest(root)
    True
    """
    return root.version > 1 or _DIGEST in root.group.attrs


def warn_without_digest(root: NativeGroup) -> None:
    """Say that a file has no digest.

    Parameters
    ----------
    root : NativeGroup

    Warns
    -----
    EchotraceWarning
        It has none.

    Examples
    --------
    >>> from echotrace.files.hdf5_reading import opened
    >>> with opened("synthetic_traces/contact_sitting.h5", kind="recording") as root:
    ...     warn_without_digest(root)  # it has one
    """
    if not has_digest(root):
        warnings.warn(
            f"{root.path}: written by an earlier version, without a content digest: damage to its "
            "labels and to the description of how it was made would not be noticed; read and "
            "write it anew to give it one",
            EchotraceWarning,
            stacklevel=3,
        )


def check_digest(root: NativeGroup, digest: ContentDigest) -> None:
    """Hold what was read against the digest in the file.

    Parameters
    ----------
    root : NativeGroup
    digest : ContentDigest
        Of what was read.

    Raises
    ------
    FileFormatError
        Something was not read as it was written.

    Examples
    --------
    >>> from echotrace.files.hdf5_reading import opened
    >>> with opened("synthetic_traces/contact_sitting.h5", kind="recording") as root:
    ...     check_digest(root, ContentDigest())
    Traceback (most recent call last):
    ...
    echotrace.errors.FileFormatError: synthetic_traces/contact_sitting.h5: damaged or not of this \
    layout (its content digest does not match); copy it again from where it came
    """
    if has_digest(root) and root.text(_DIGEST) != digest.hexdigest():
        raise damaged(root.path, "its content digest does not match")
