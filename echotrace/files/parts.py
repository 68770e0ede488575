"""Finished parts of a long measurement, kept until the whole is complete.

A part is written once for each few seconds of work and read only if the work was interrupted, so
its form is the one that costs least to write: arrays in an ``.npz`` file, which checks them when
they are read.
"""

from __future__ import annotations

import json
import zipfile
from pathlib import Path
from typing import Any

import numpy as np

from echotrace.errors import EchotraceError, FileFormatError
from echotrace.files.atomic import atomic_target, writing
from echotrace.measurement import ARRAYS, Measurement
from echotrace.recording import COLUMNS, Column

__all__ = ["read_part", "write_part"]

_TEXTS = ("interfaces", "segments", "finding_names")


def write_part(part: Measurement, path: Path) -> None:
    """Write a part so that it is there wholly or not at all.

    Raises
    ------
    FileFormatError
        The file cannot be written.
    """
    texts = {
        **{name: getattr(part, name) for name in _TEXTS},
        "settings_json": part.settings_json,
        "attributes": dict(part.attributes),
        "labels": {name: getattr(part, name).labels for name in COLUMNS},
        "features": list(part.features),
    }
    arrays: dict[str, Any] = {
        "texts": np.frombuffer(json.dumps(texts).encode(), np.uint8),
        **{name: getattr(part, name) for name in ARRAYS},
        # Few arrays: each costs as much as some 100 kB of numbers.
        "codes": np.stack([getattr(part, name).codes for name in COLUMNS]),
        "features": np.stack(list(part.features.values())) if part.features else np.empty(0),
    }
    with atomic_target(path) as partial, writing(path), partial.open("wb") as file:
        np.savez(file, **arrays)


def read_part(path: Path) -> Measurement:
    """Read a part.

    Raises
    ------
    FileFormatError
        It is damaged.
    """
    try:
        with np.load(path, allow_pickle=False) as arrays:
            texts = json.loads(arrays["texts"].tobytes())
            fields: dict[str, Any] = {name: tuple(texts[name]) for name in _TEXTS}
            fields |= {name: arrays[name] for name in ARRAYS}
            for name, codes in zip(COLUMNS, arrays["codes"], strict=True):
                fields[name] = Column(codes, tuple(texts["labels"][name]))
            return Measurement(
                features=dict(zip(texts["features"], arrays["features"], strict=True)),
                settings_json=texts["settings_json"],
                attributes=texts["attributes"],
                **fields,
            )
    except (
        OSError, EOFError, KeyError, ValueError, TypeError, zipfile.BadZipFile, EchotraceError,
    ) as error:  # fmt: skip
        raise FileFormatError(
            f"{path}: damaged part of an interrupted run ({error}); delete it, and it is measured "
            "again with all that follows it"
        ) from error
