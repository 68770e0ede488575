"""MAT files of version 5: every tag is checked against its place before anything is read.

Numbers, and numbers inside structures and cells, become variables; the traces of a cell, or of one
field of an array of structures, become one variable of traces. Nothing else is read.
"""

from __future__ import annotations

import math
import struct
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import FileFormatError
from echotrace.files.foreign import Variable
from echotrace.files.guarded import affordable_bytes, open_regular

__all__ = ["is_mat5", "mat5_variables", "stacked"]

# Types of stored data and classes of arrays, as the published description of the format (level 5)
# numbers them.
_STORED = {
    1: "i1", 2: "u1", 3: "i2", 4: "u2", 5: "i4", 6: "u4", 7: "f4", 9: "f8", 12: "i8", 13: "u8",
}  # fmt: skip
_MATRIX, _COMPRESSED = 14, 15
_TEXTS = (16, 17, 18)
_NUMBERS = {
    6: "f8", 7: "f4", 8: "i1", 9: "u1", 10: "i2", 11: "u2", 12: "i4", 13: "u4", 14: "i8", 15: "u8",
}  # fmt: skip
_CLASSES = {
    1: "cell", 2: "struct", 3: "object", 4: "char", 5: "sparse", 6: "double", 7: "single",
    8: "int8", 9: "uint8", 10: "int16", 11: "uint16", 12: "int32", 13: "uint32", 14: "int64",
    15: "uint64", 16: "function", 17: "opaque",
}  # fmt: skip
_CELL, _STRUCT = 1, 2
_COMPLEX, _LOGICAL = 0x0800, 0x0200
_HEAD_BYTES = 128
_DEEPEST = 24
_HINT = "save the numeric array itself as a variable of its own"


@dataclass(frozen=True, slots=True)
class _Node:
    """One array: numbers that can be loaded, or what it holds.

    Attributes
    ----------
    name, kind : str
    shape : tuple of int
    load : callable or None
        Reads the numbers.
    cells : list of _Node
        Elements of a cell.
    fields : dict of str to list of _Node
        Fields of a structure, in each of its elements.
    """

    name: str
    kind: str
    shape: tuple[int, ...]
    load: Callable[[], NDArray[Any]] | None = None
    trouble: str = ""
    cells: list[_Node] = field(default_factory=list)
    fields: dict[str, list[_Node]] = field(default_factory=dict)


def is_mat5(path: Path) -> bool:
    """Whether a file has the head of version 5.

    Parameters
    ----------
    path : Path

    Returns
    -------
    bool

    Examples
    --------
    >>> import scipy
    >>> file = folder / "traces.mat"
    >>> scipy.io.savemat(file, {"rf": np.zeros((5, 300)), "about": {"rate": 1e8}})
    >>> is_mat5(file)
    True
    """
    with open_regular(path) as file:
        head = file.read(_HEAD_BYTES)
    return head[126:128] in (b"IM", b"MI")


def mat5_variables(path: Path) -> dict[str, Variable]:
    """The arrays of numbers in a MAT file of version 5.

    Parameters
    ----------
    path : Path

    Returns
    -------
    dict of str to Variable
        Those inside structures as ``name.field``, those of cells as ``name{1}``.

    Raises
    ------
    FileFormatError
        A tag, a size or a type is not what it must be at its place.

    Examples
    --------
    >>> import scipy
    >>> file = folder / "traces.mat"
    >>> scipy.io.savemat(file, {"rf": np.zeros((5, 300)), "about": {"rate": 1e8}})
    >>> {name: str(item) for name, item in mat5_variables(file).items()}
    {'rf': '5 × 300 double', 'about.rate': '1 × 1 double'}
    """
    with open_regular(path) as file:
        raw = file.readall()
    reader = _Reader(path, raw)
    found: dict[str, Variable] = {}
    for node in reader.matrices():
        _collect(node.name, node, found)
    return found


class _Reader:
    """The elements of one file."""

    def __init__(self, path: Path, raw: bytes) -> None:
        self.path = path
        self.raw = raw
        self.order = "<" if raw[126:128] == b"IM" else ">"
        self.left = affordable_bytes(len(raw))

    def damaged(self, what: str) -> FileFormatError:
        return FileFormatError(f"{self.path}: not a MAT file of version 5, or damaged ({what})")

    def matrices(self) -> Iterator[_Node]:
        """The variables of the file."""
        data, place = memoryview(self.raw), _HEAD_BYTES
        while place < len(data):
            kind, body, place = self.element(data, place, padded=False)
            if kind == _COMPRESSED:
                inner = memoryview(self.unpacked(body))
                kind, body, end = self.element(inner, 0)
                if end != len(inner):
                    raise self.damaged("more is packed than one variable")
            if kind != _MATRIX:
                raise self.damaged(f"an element of type {kind} where a variable must be")
            yield self.matrix(body, 0)

    def unpacked(self, body: memoryview) -> bytes:
        unpack = zlib.decompressobj()
        try:
            data = unpack.decompress(body, self.left + 1)
        except zlib.error as error:
            raise self.damaged(f"a packed variable: {error}") from None
        self.left -= len(data)
        if self.left < 0:
            raise self.damaged("its variables claim more memory than a file of its size can hold")
        if not unpack.eof:
            raise self.damaged("a packed variable is cut short")
        return data

    def element(
        self, data: memoryview, place: int, padded: bool = True
    ) -> tuple[int, memoryview, int]:
        """Type and content of the element at a place, and the place behind it."""
        if place + 8 > len(data):
            raise self.damaged("cut short")
        first, second = struct.unpack_from(f"{self.order}II", data, place)
        if first >> 16:
            kind, size, begin, end = first & 0xFFFF, first >> 16, place + 4, place + 8
            if size > 4:
                raise self.damaged(f"a short element of {size} bytes")
        else:
            kind, size, begin = first, second, place + 8
            end = begin + size
            if padded and kind != _COMPRESSED:
                end += -size % 8
        if begin + size > len(data) or kind not in (*_STORED, _MATRIX, _COMPRESSED, *_TEXTS):
            raise self.damaged(f"an element of type {kind} and {size} bytes at byte {place}")
        return kind, data[begin : begin + size], min(end, len(data))

    def array(self, data: memoryview, place: int, wanted: Sequence[int]) -> tuple[Any, int]:
        """Stored numbers of one of the wanted types."""
        kind, body, end = self.element(data, place)
        if kind not in wanted:
            raise self.damaged(f"an element of type {kind} at byte {place}")
        dtype = np.dtype(f"{self.order}{_STORED[kind]}")
        if len(body) % dtype.itemsize:
            raise self.damaged("an element whose size is not that of its numbers")
        return np.frombuffer(body, dtype), end

    def text(self, data: memoryview, place: int) -> tuple[str, int]:
        kind, body, end = self.element(data, place)
        if kind not in (1, 2, 16):
            raise self.damaged(f"an element of type {kind} where a name must be")
        return bytes(body).decode("utf-8", "replace"), end

    def matrix(self, data: memoryview, depth: int) -> _Node:
        """One array, with all that lies in it."""
        if not len(data):
            return _Node("", "empty", (0, 0), trouble="is empty")
        if depth > _DEEPEST:
            raise self.damaged("nested too deeply")
        flags, place = self.array(data, 0, (6,))
        dims, place = self.array(data, place, (5,))
        name, place = self.text(data, place)
        number = int(flags[0]) & 0xFF if flags.size else 0
        shape = tuple(int(n) for n in dims)
        if number not in _CLASSES or len(shape) < 2 or len(shape) > 32 or min(shape) < 0:
            raise self.damaged(f"an array of class {number} and shape {shape[:8]}")
        kind = _CLASSES[number]
        if number in _NUMBERS:
            return self.numbers(data, place, name, number, int(flags[0]), shape)
        count = math.prod(shape)
        if number == _CELL:
            cells = [item for item, _ in self.inner(data, place, count, depth)]
            return _Node(name, kind, shape, cells=cells)
        if number == _STRUCT:
            return self.structure(data, place, name, shape, depth)
        return _Node(name, kind, shape, trouble=f"is a {kind} variable, not numbers; {_HINT}")

    def numbers(
        self,
        data: memoryview,
        place: int,
        name: str,
        number: int,
        flags: int,
        shape: tuple[int, ...],
    ) -> _Node:
        stored, _ = self.array(data, place, tuple(_STORED))
        if stored.size != math.prod(shape):
            raise self.damaged(f"{stored.size} numbers for an array of shape {shape}")
        kind, trouble = _CLASSES[number], ""
        if flags & _LOGICAL:
            kind, trouble = "logical", f"is a logical variable, not numbers; {_HINT}"
        elif flags & _COMPLEX:
            trouble = "is complex; store the real RF or its envelope"
        elif len(shape) != 2:
            trouble = f"has {len(shape)} dimensions, not 1 or 2"
        return _Node(name, kind, shape, partial(_shaped, stored, _NUMBERS[number], shape), trouble)

    def inner(
        self, data: memoryview, place: int, count: int, depth: int
    ) -> Iterator[tuple[_Node, int]]:
        """So many arrays, one after another."""
        # Each takes a tag at least, so a count that is not true is found before memory is taken.
        if count * 8 > len(data) - place:
            raise self.damaged(f"{count} elements where there is no room for them")
        for _ in range(count):
            kind, body, place = self.element(data, place)
            if kind != _MATRIX:
                raise self.damaged(f"an element of type {kind} where an array must be")
            yield self.matrix(body, depth + 1), place

    def structure(
        self, data: memoryview, place: int, name: str, shape: tuple[int, ...], depth: int
    ) -> _Node:
        length, place = self.array(data, place, (5,))
        kind, names, place = self.element(data, place)
        width = int(length[0]) if length.size == 1 else 0
        if kind not in (1, 2) or width < 1 or len(names) % width:
            raise self.damaged("the names of a structure's fields")
        keys = [
            bytes(names[k : k + width]).split(b"\0")[0].decode("ascii", "replace")
            for k in range(0, len(names), width)
        ]
        fields: dict[str, list[_Node]] = {key: [] for key in keys}
        if len(fields) != len(keys):
            raise self.damaged("two fields of one name")
        items = self.inner(data, place, math.prod(shape) * len(keys), depth)
        for k, (item, _) in enumerate(items):
            fields[keys[k % len(keys)]].append(item)
        return _Node(name, "struct", shape, fields=fields)


def _shaped(stored: NDArray[Any], dtype: str, shape: tuple[int, ...]) -> NDArray[Any]:
    # Numbers are stored in any type that holds them, column by column.
    return stored.astype(dtype).reshape(shape, order="F")


def _collect(name: str, node: _Node, found: dict[str, Variable]) -> None:
    """Add the variables of an array, and of what lies in it, under their names."""
    if node.cells:
        _collect_many(
            name, [f"{name}{{{k + 1}}}" for k in range(len(node.cells))], node.cells, found
        )
    elif node.fields:
        for key, items in node.fields.items():
            names = [f"{name}({k + 1}).{key}" for k in range(len(items))]
            _collect_many(f"{name}.{key}", names, items, found)
    else:
        trouble = node.trouble or ("" if node.load else f"is an empty {node.kind}")
        found[name] = Variable(node.shape, node.kind, node.load or _nothing, trouble)


def _collect_many(
    name: str, names: Sequence[str], items: Sequence[_Node], found: dict[str, Variable]
) -> None:
    if len(items) == 1:
        _collect(name, items[0], found)
        return
    one = stacked(
        [Variable(item.shape, item.kind, item.load or _nothing, item.trouble) for item in items]
        if not any(item.cells or item.fields for item in items)
        else []
    )
    if one is not None:
        found[name] = one
        return
    for each, item in zip(names, items, strict=True):
        _collect(each, item, found)


def stacked(items: Sequence[Variable]) -> Variable | None:
    """Several traces of one length as one variable, a trace a row; None where they are not that.

    Parameters
    ----------
    items : sequence of Variable

    Returns
    -------
    Variable or None

    Examples
    --------
    >>> items = [Variable((1, 300), "float64", lambda: np.zeros((1, 300))) for _ in range(5)]
    >>> str(stacked(items))
    '5 × 300 float64, one by one'
    """
    if not items or any(item.trouble or math.prod(item.shape) != max(item.shape) for item in items):
        return None
    length = max(items[0].shape)
    if any(max(item.shape) != length for item in items):
        return None
    loads = [item.load for item in items]
    return Variable((len(items), length), f"{items[0].kind}, one by one", partial(_stack, loads))


def _stack(loads: Sequence[Callable[[], NDArray[Any]]]) -> NDArray[Any]:
    return np.stack([np.asarray(load()).reshape(-1) for load in loads])


def _nothing() -> NDArray[Any]:
    raise FileFormatError("there is nothing to be read")
