"""Check that an HDF5 file keeps to what NetCDF-4 readers open without loss."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np

from echotrace.files.hdf5_reading import opened

__all__ = ["layout_problems"]

# Spellings that both UCUM and udunits know (checked with the `ucumvert` and `cf-units` packages).
_UNITS = {"mm", "m/s", "us", "ns", "s", "Hz", "MHz", "V", "1", "%"}
# What HDF5's own dimension scales are made of.
_SCALE_MACHINERY = {"DIMENSION_LIST", "REFERENCE_LIST", "CLASS", "NAME"}
_HISTORY_LINE = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ .+")


def layout_problems(path: str | Path) -> list[str]:
    """List what would keep a native file from opening as NetCDF-4, or from explaining itself.

    Parameters
    ----------
    path : str or Path
        A native file.

    Returns
    -------
    list of str
        One line each, naming the dataset or attribute; empty where all is well.

    Raises
    ------
    FileFormatError
        The file is not native or cannot be read.

    Examples
    --------
    >>> layout_problems("synthetic_traces/contact_sitting.h5")
    []
    """
    import h5py

    problems: list[str] = []

    def visit(name: str, item: Any) -> None:
        problems.extend(_attribute_problems(item, f"/{name}"))
        if isinstance(item, h5py.Dataset):
            problems.extend(_dataset_problems(item))

    with opened(path, kind=None) as root:
        problems.extend(_root_problems(root.group))
        problems.extend(_attribute_problems(root.group, "/"))
        root.group.visititems(visit)
    return problems


def _root_problems(file: Any) -> list[str]:
    found = [
        f"/: attribute {name} is missing"
        for name in ("Conventions", "caution", "software", "software_version", "history")
        if name not in file.attrs
    ]
    lines = str(file.attrs.get("history", "")).splitlines()
    if lines and not _HISTORY_LINE.fullmatch(lines[-1]):
        found.append("/: history does not end in a line that begins with an ISO 8601 UTC time")
    return found


def _dataset_problems(data: Any) -> list[str]:
    if data.shape is None:
        return [f"{data.name}: has no dataspace"]
    found = [f"{data.name}: {text}" for text in _type_problems(data.dtype)]
    if not data.is_scale:
        for k, size in enumerate(data.shape):
            scales = list(data.dims[k].values())
            if not scales:
                found.append(f"{data.name}: axis {k} has no scale attached")
            elif scales[0].shape != (size,):
                found.append(
                    f"{data.name}: axis {k} has {size} places, its scale {scales[0].name} "
                    f"{scales[0].shape[0]}"
                )
    units = data.attrs.get("units")
    if units is not None and units not in _UNITS:
        found.append(f"{data.name}: unit {units!r} is not one that UCUM and udunits share")
    meanings = str(data.attrs.get("flag_meanings", "")).split()
    for name in ("flag_values", "flag_masks"):
        flags = data.attrs.get(name)
        if flags is None:
            continue
        if np.size(flags) != len(meanings):
            found.append(f"{data.name}: {np.size(flags)} {name} for {len(meanings)} flag_meanings")
        if np.asarray(flags).dtype != data.dtype:
            found.append(f"{data.name}: {name} are not of the type of the data")
    return found


def _attribute_problems(item: Any, where: str) -> list[str]:
    found = []
    for name in item.attrs:
        if name in _SCALE_MACHINERY:
            continue
        attribute = item.attrs.get_id(name)
        if attribute.shape is None:
            found.append(f"{where}: attribute {name} is empty")
            continue
        found += [f"{where}: attribute {name} {text}" for text in _type_problems(attribute.dtype)]
    return found


def _type_problems(dtype: np.dtype[Any]) -> list[str]:
    import h5py

    if h5py.check_ref_dtype(dtype) is not None:
        return ["is a reference"]
    if h5py.check_string_dtype(dtype) is not None:
        return []
    if dtype.kind == "b":
        return ["is a truth value (store uint8 with flags)"]
    if dtype.kind == "c":
        return ["is complex"]
    if dtype.names is not None:
        return ["is a compound"]
    if dtype.kind not in "fiu" or dtype == np.float16:
        return [f"is {dtype}, which NetCDF-4 does not know"]
    return []
