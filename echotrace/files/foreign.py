"""What the readers of foreign formats share: what they hand over, and how an array is chosen."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import FileFormatError, ParameterError
from echotrace.recording import MIN_SAMPLES
from echotrace.user_input import parsing, shorten

__all__ = [
    "Foreign",
    "Variable",
    "choose",
    "from_variables",
    "number_from",
    "oriented",
    "trouble_with",
]

_MOST_LISTED = 20


@dataclass(frozen=True, slots=True)
class Foreign:
    """What a foreign file says.

    Attributes
    ----------
    samples : ndarray, (n_traces, n_samples)
        As stored, time last.
    sampling_rate_hz, start_delay_us : float or None
        None where the file does not say.
    rate_from, delay_from : str
        Which part of the file gave these numbers, for messages.
    rate_tolerance : float
        Relative difference within which another statement of the rate agrees with this one.
    variable : str
        Name of the array, where the format has names.
    value_unit : str
        Unit of the samples, where a heading names it.
    """

    samples: NDArray[Any]
    sampling_rate_hz: float | None = None
    start_delay_us: float | None = None
    rate_from: str = ""
    delay_from: str = ""
    rate_tolerance: float = 1e-9
    variable: str = ""
    value_unit: str = ""


@dataclass(frozen=True, slots=True)
class Variable:
    """An array in a file, not read yet.

    Attributes
    ----------
    shape : tuple of int
    kind : str
        Type of its values, for messages.
    load : callable
        Reads it.
    trouble : str
        Why it cannot be traces, or empty.
    """

    shape: tuple[int, ...]
    kind: str
    load: Callable[[], NDArray[Any]] = field(repr=False)
    trouble: str = ""

    def __str__(self) -> str:
        size = " × ".join(str(n) for n in self.shape) or "1 value"
        return f"{size} {self.kind}"


def trouble_with(shape: tuple[int, ...], dtype: np.dtype[Any]) -> str:
    """Say why an array cannot be traces, or return an empty text.

    Parameters
    ----------
    shape : tuple of int
    dtype : numpy.dtype

    Returns
    -------
    str
        To be put behind the name of the array.

    Examples
    --------
    >>> trouble_with((5, 3000), np.dtype("complex64"))
    'is complex; store the real RF or its envelope'
    >>> trouble_with((5, 3000), np.dtype("int16"))
    ''
    """
    if dtype.kind == "O" or dtype.hasobject:
        return "holds objects, which are never loaded because they can run code"
    if dtype.kind == "c":
        return "is complex; store the real RF or its envelope"
    if dtype.kind not in "fiu":
        return f"holds {dtype}, not numbers"
    if len(shape) not in (1, 2):
        return f"has {len(shape)} dimensions, not 1 or 2"
    return ""


def choose(path: Path, variables: Mapping[str, Variable], wanted: str | None) -> str:
    """Choose the array that holds the traces; never guess between several.

    Parameters
    ----------
    path : Path
        For messages.
    variables : mapping of str to Variable
        All that the file has.
    wanted : str or None
        Name that the user gave.

    Returns
    -------
    str
        Name of the array.

    Raises
    ------
    ParameterError
        The wanted one is not there.
    FileFormatError
        It cannot be traces, none can, or several can.

    Examples
    --------
    >>> variables = {"rf": Variable((5, 3000), "float64", lambda: np.ones((5, 3000)))}
    >>> variables["rate"] = Variable((1,), "float64", lambda: np.array([1e8]))
    >>> choose(Path("traces.npz"), variables, None)
    'rf'
    """
    if wanted is not None:
        if wanted not in variables:
            raise ParameterError(
                f"{path}: no variable {wanted!r}; the file has {_listed(variables) or 'none'}"
            )
        if variables[wanted].trouble:
            raise FileFormatError(f"{path}: variable {wanted!r} {variables[wanted].trouble}")
        return wanted
    usable = {
        name: item
        for name, item in variables.items()
        if not item.trouble and max(item.shape) >= MIN_SAMPLES
    }
    matrices = {name: item for name, item in usable.items() if _is_matrix(item.shape)}
    found = matrices or usable
    if len(found) == 1:
        return next(iter(found))
    if found:
        raise FileFormatError(
            f"{path}: several arrays could be the traces: {_listed(found)}; name one with "
            "--variable"
        )
    reasons = "; ".join(
        [f"{shorten(name)} {item.trouble}" for name, item in variables.items() if item.trouble][
            :_MOST_LISTED
        ]
    )
    raise FileFormatError(
        f"{path}: no array in it can be traces of {MIN_SAMPLES} samples or more (it has "
        f"{_listed(variables) or 'no arrays'}){': ' + reasons if reasons else ''}"
    )


def _is_matrix(shape: tuple[int, ...]) -> bool:
    return len(shape) == 2 and min(shape) > 1


def _listed(variables: Mapping[str, Variable]) -> str:
    shown = [f"{shorten(name)} ({item})" for name, item in variables.items()]
    return ", ".join(shown[:_MOST_LISTED] + ["…"] * (len(shown) > _MOST_LISTED))


def number_from(path: Path, variables: Mapping[str, Variable], name: str | None) -> float | None:
    """Read one number from a named variable.

    Parameters
    ----------
    path : Path
        For messages.
    variables : mapping of str to Variable
    name : str or None
        None where the user named none.

    Returns
    -------
    float or None
        As it stands in the file: the caller knows its unit.

    Raises
    ------
    ParameterError
        There is no such variable.
    FileFormatError
        It is not one number.

    Examples
    --------
    >>> variables = {"rate": Variable((), "float64", lambda: np.array(1e8))}
    >>> number_from(Path("traces.npz"), variables, "rate")
    100000000.0
    """
    if name is None:
        return None
    if name not in variables:
        raise ParameterError(
            f"{path}: no variable {name!r}; the file has {_listed(variables) or 'none'}"
        )
    item = variables[name]
    if np.prod(item.shape) != 1 or "holds" in item.trouble or "complex" in item.trouble:
        raise FileFormatError(f"{path}: variable {name!r} ({item}) is not one number")
    with parsing(path, "a file of arrays"):
        return float(np.asarray(item.load()).reshape(-1)[0])


def from_variables(
    path: Path,
    variables: Mapping[str, Variable],
    *,
    variable: str | None,
    samples_first: bool,
    sampling_rate_variable: str | None,
    start_delay_variable: str | None,
) -> Foreign:
    """Take traces, and the numbers the user says are in the file, from named arrays.

    Parameters
    ----------
    path : Path
        For messages.
    variables : mapping of str to Variable
        All that the file has.
    variable : str or None
        Name of the traces, where the user gave it.
    samples_first : bool
        The array is (n_samples, n_traces).
    sampling_rate_variable, start_delay_variable : str or None
        Names of the numbers of the file that hold the sampling rate, Hz, and the delay of the first
        sample, µs.

    Returns
    -------
    Foreign

    Raises
    ------
    ParameterError
        A variable that was named is not there.
    FileFormatError
        No array, or several, can be the traces; one that was named cannot; or the file changed.

    Examples
    --------
    >>> variables = {"rf": Variable((5, 3000), "float64", lambda: np.ones((5, 3000)))}
    >>> found = from_variables(
    ...     Path("traces.npz"),
    ...     variables,
    ...     variable=None,
    ...     samples_first=False,
    ...     sampling_rate_variable=None,
    ...     start_delay_variable=None,
    ... )
    >>> found.samples.shape, found.variable, found.sampling_rate_hz
    ((5, 3000), 'rf', None)
    """
    name = choose(path, variables, variable)
    with parsing(path, "a file of arrays"):
        array = variables[name].load()
    if array.shape != variables[name].shape:
        raise FileFormatError(f"{path}: variable {name!r} changed while it was read; read it again")
    return Foreign(
        samples=oriented(array, samples_first),
        sampling_rate_hz=number_from(path, variables, sampling_rate_variable),
        start_delay_us=number_from(path, variables, start_delay_variable),
        rate_from=f"variable {sampling_rate_variable!r}",
        delay_from=f"variable {start_delay_variable!r}",
        variable=name,
    )


def oriented(array: NDArray[Any], samples_first: bool) -> NDArray[Any]:
    """Bring an array to (n_traces, n_samples); a vector is one trace, whichever way it lies.

    Parameters
    ----------
    array : ndarray, (n, m) or (n,)
    samples_first : bool
        The array is (n_samples, n_traces).

    Returns
    -------
    ndarray, (n_traces, n_samples)
        A view where that is possible.

    Examples
    --------
    >>> oriented(np.zeros((3000, 5)), samples_first=True).shape
    (5, 3000)
    >>> oriented(np.zeros(3000), samples_first=True).shape
    (1, 3000)
    """
    if array.ndim == 1 or (array.ndim == 2 and 1 in array.shape):
        return array.reshape(1, -1)
    return array.T if samples_first else array
