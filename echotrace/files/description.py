"""What a foreign file does not say of itself: an object, and a TOML file that can be kept.

One file describes a probe, or all that a laboratory's exports have in common; what differs from
file to file is given beside it.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypedDict

from echotrace.errors import ParameterError
from echotrace.files.atomic import save_text
from echotrace.files.readers import reader_named
from echotrace.files.text import TIME_UNITS
from echotrace.files.text_lines import DECIMALS, DELIMITERS
from echotrace.quantities import QUANTITIES, quantity
from echotrace.recording import Eye, LensState, Method, Probe, Receiver, Signal
from echotrace.target import IMPLANT_MATERIALS, VITREOUS_FILLINGS
from echotrace.user_input import (
    check_keys,
    did_you_mean,
    given,
    parsing,
    read_toml,
    table_of,
    whole_number,
)

__all__ = ["Details", "ImportDescription", "read_description", "write_description"]

_TABLES = {
    "file": (
        "format", "variable", "samples_first", "other_files", "delimiter", "decimal",
        "skip_lines", "index_column",
    ),
    "time": (
        "sampling_rate_hz", "sampling_rate_variable", "start_delay_us", "start_delay_variable",
        "time_unit", "ignore_file_timing",
    ),
    "traces": (
        "signal", "method", "eye", "lens_state", "lens_material", "vitreous", "target", "subject",
        "operator", "sitting", "gain_db",
    ),
}  # fmt: skip
_OBJECTS: dict[str, type[Probe | Receiver]] = {"probe": Probe, "receiver": Receiver}
_TRUTHS = ("samples_first", "other_files", "index_column", "ignore_file_timing")
_LABELS = _TABLES["traces"][1:-1]
_CHOICES: dict[str, Sequence[str]] = {
    "delimiter": tuple(DELIMITERS),
    "decimal": tuple(DECIMALS),
    "time_unit": tuple(TIME_UNITS),
    "signal": [str(item) for item in Signal],
    "method": [str(item) for item in Method],
    "eye": [str(item) for item in Eye],
    "lens_state": [str(item) for item in LensState],
    "lens_material": ("none", *IMPLANT_MATERIALS),
    "vitreous": VITREOUS_FILLINGS,
}
_MOST_SKIPPED = 100_000

Labels = str | Sequence[str]


class Details(TypedDict, total=False):
    """Keywords of :func:`~echotrace.import_recording`: the attributes of a description."""

    format: str | None
    variable: str | None
    samples_first: bool
    other_files: bool
    delimiter: str | None
    decimal: str | None
    skip_lines: int | None
    index_column: bool | None
    sampling_rate_hz: float | None
    sampling_rate_variable: str | None
    start_delay_us: float | None
    start_delay_variable: str | None
    time_unit: str | None
    ignore_file_timing: bool
    signal: str | None
    method: Labels | None
    eye: Labels | None
    lens_state: Labels | None
    lens_material: Labels | None
    vitreous: Labels
    target: Labels
    subject: Labels
    operator: Labels
    sitting: Labels
    gain_db: float | Sequence[float] | None
    probe: Probe | None
    receiver: Receiver | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportDescription:
    """What is known of a foreign file, or of all files of one origin, besides what they say.

    Attributes
    ----------
    format : {"npy", "npz", "text", "wav", "mat", "hdf5"}, optional
        Or one registered (:func:`echotrace.register_reader`, entry point ``echotrace.readers``).
        Told from the content where it is not given.
    variable : str, optional
        Name of the array, where the file has several that could be traces.
    samples_first : bool
        The array is (n_samples, n_traces).
    other_files : bool
        Follow HDF5 datasets whose content lies in another file.
    delimiter : {"comma", "semicolon", "tab", "blank"}, optional
    decimal : {"point", "comma"}, optional
        For text files, where they do not show it.
    skip_lines : int, optional
        Lines at the beginning of a text that are left out, whatever they hold.
    index_column : bool, optional
        Whether the first column of a text only numbers its lines.
    sampling_rate_hz : float, optional
        Needed unless the file says it.
    sampling_rate_variable : str, optional
        Name of the variable of the file that holds the sampling rate, Hz.
    start_delay_us : float, optional
        Delay of the first sample after delay zero, µs. Needed unless the file says it.
    start_delay_variable : str, optional
        Name of the variable of the file that holds it, µs.
    time_unit : {"s", "ms", "us", "ns"}, optional
        Of the time column of a text that names none.
    ignore_file_timing : bool
        Take neither rate nor delay from a WAV header or a time column.
    signal : {"rf", "envelope"}, optional
    method : {"contact", "immersion", "other"}, or a sequence of them, optional
    eye : {"right", "left"}, or a sequence of them, optional
    lens_state : {"phakic", "aphakic", "pseudophakic"}, or a sequence of them, optional
    lens_material : str or sequence of str, optional
        Needed for a pseudophakic eye.
    vitreous : str or sequence of str
        What fills the vitreous cavity.
    target : str or sequence of str
        ``"eye"``, or the name of a target of the user's, which has no eye and no lens state.
    subject, operator, sitting : str or sequence of str
        ``subject`` is a code, never a name.
    gain_db : float or sequence of float, optional
        Receiver gain, of all traces or of each, dB.
    probe : Probe, optional
        For contact with its face delay.
    receiver : Receiver, optional

    Raises
    ------
    ParameterError
        Naming the attribute: a word that is not offered, a number out of its range, another type.

    Examples
    --------
    >>> export = ImportDescription(sampling_rate_hz=100e6, signal="rf", delimiter="semicolon")
    >>> export.with_details(subject="demo-1").subject
    'demo-1'
    >>> ImportDescription(sampling_rate_hz=100.0)
    Traceback (most recent call last):
    ...
    echotrace.errors.ParameterError: sampling_rate_hz=100.0 must lie between 100000 and 1e+11 Hz \
(is the unit Hz?)
    """

    format: str | None = None
    variable: str | None = None
    samples_first: bool = False
    other_files: bool = False
    delimiter: str | None = None
    decimal: str | None = None
    skip_lines: int | None = None
    index_column: bool | None = None
    sampling_rate_hz: float | None = None
    sampling_rate_variable: str | None = None
    start_delay_us: float | None = None
    start_delay_variable: str | None = None
    time_unit: str | None = None
    ignore_file_timing: bool = False
    signal: str | None = None
    method: Labels | None = None
    eye: Labels | None = None
    lens_state: Labels | None = None
    lens_material: Labels | None = None
    vitreous: Labels = "natural"
    target: Labels = "eye"
    subject: Labels = "unnamed"
    operator: Labels = "unnamed"
    sitting: Labels = "1"
    gain_db: float | Sequence[float] | None = None
    probe: Probe | None = None
    receiver: Receiver | None = None

    def __post_init__(self) -> None:
        for name in self.__slots__:
            value = getattr(self, name)
            if value is not None:
                object.__setattr__(self, name, _checked(name, value))

    def with_details(self, **details: Any) -> ImportDescription:
        """The description with some attributes told otherwise.

        Parameters
        ----------
        **details
            Attributes by name.

        Returns
        -------
        ImportDescription

        Raises
        ------
        TypeError
            There is no such attribute.
        ParameterError
            As for the class.
        """
        for name in details:
            if name not in self.__slots__:
                hint = did_you_mean(name, self.__slots__)
                raise TypeError(f"unexpected keyword argument {name!r}{hint and ': ' + hint}")
        return dataclasses.replace(self, **details)

    @classmethod
    def from_table(cls, table: Mapping[str, Any], where: str) -> ImportDescription:
        """A description out of TOML's tables.

        Parameters
        ----------
        table : mapping
        where : str
            What errors name as the place.

        Returns
        -------
        ImportDescription

        Raises
        ------
        ParameterError
            Naming the table and key; an unknown key is told its nearest neighbour.
        """
        check_keys(table, [*_TABLES, *_OBJECTS], where)
        details: dict[str, Any] = {}
        for name, item in table.items():
            place = f"{where}: [{name}]"
            part = table_of(item, place)
            try:
                if name in _OBJECTS:
                    check_keys(part, _OBJECTS[name].__slots__, place)
                    for key, value in part.items():
                        _refuse_text(key, value)
                    details[name] = _made(name, part)
                    continue
                check_keys(part, _TABLES[name], place)
                for key, value in part.items():
                    _refuse_text(key, value)
                    details[key] = _checked(key, value)
            except ParameterError as error:
                told = str(error).removeprefix(f"{name}: ")
                raise ParameterError(
                    told if told.startswith(where) else f"{place}: {told}"
                ) from None
        return cls(**details)

    def to_table(self) -> dict[str, dict[str, Any]]:
        """What differs from a description that says nothing, as TOML's tables.

        Returns
        -------
        dict of str to dict
        """
        table: dict[str, dict[str, Any]] = {}
        for f in dataclasses.fields(self):
            value = getattr(self, f.name)
            if value is None or value == f.default:
                continue
            if isinstance(value, Probe | Receiver):
                table[f.name] = {
                    name: list(part) if isinstance(part, tuple) else part
                    for name, part in ((name, getattr(value, name)) for name in value.__slots__)
                    if part != () and not (isinstance(part, float) and math.isnan(part))
                }
                continue
            inside = next(name for name, keys in _TABLES.items() if f.name in keys)
            kept = list(value) if isinstance(value, tuple) else value
            table.setdefault(inside, {})[f.name] = kept
        return table


def _refuse_text(key: str, value: Any) -> None:
    """Numbers on a command line are texts; in a file a text in place of a number is a slip."""
    for item in value if isinstance(value, list) else [value]:
        if key in QUANTITIES and isinstance(item, str):
            raise ParameterError(f"{key} must be a number, got {given(item)}")


def _made(name: str, part: Mapping[str, Any]) -> Probe | Receiver:
    if name == "probe" and "centre_frequency_hz" not in part:
        raise ParameterError("centre_frequency_hz must be given")
    for key in ("tgc_delay_us", "tgc_gain_db"):
        if not isinstance(part.get(key, []), list | tuple):
            raise ParameterError(f"{key} must be a list of numbers, got {given(part[key])}")
    return _OBJECTS[name](**part)


def _checked(name: str, value: Any) -> Any:
    """One attribute as it is kept, or an error that names it."""
    if name in _OBJECTS:
        if not isinstance(value, _OBJECTS[name]):
            kind = _OBJECTS[name].__name__
            raise ParameterError(f"{name} must be a {kind}, got {given(value)}")
        return value
    if name in _TRUTHS:
        if not isinstance(value, bool):
            raise ParameterError(f"{name} must be true or false, got {given(value)}")
        return value
    if name == "skip_lines":
        return whole_number(value, name, low=0, high=_MOST_SKIPPED)
    if name == "gain_db":
        each = [value] if isinstance(value, str) or not hasattr(value, "__len__") else value
        numbers = tuple(quantity(name, item) for item in each)
        if each is value:
            return numbers
        return None if math.isnan(numbers[0]) else numbers[0]
    if name in QUANTITIES:
        return quantity(name, value)
    several = name in _LABELS and hasattr(value, "__iter__") and not isinstance(value, str)
    each = list(value) if several else [value]
    for item in each:
        if not isinstance(item, str):
            raise ParameterError(f"{name} must be a text, got {given(item)}")
        if name == "format":
            reader_named(item)
        if name in _CHOICES and item not in _CHOICES[name]:
            hint = did_you_mean(item, _CHOICES[name])
            raise ParameterError(
                f"{name}={given(str(item))}: {hint}use one of {', '.join(_CHOICES[name])}"
            )
    return tuple(str(item) for item in each) if several else str(value)


def read_description(path: str | Path) -> ImportDescription:
    r"""Read from a TOML file what exports of one origin, or recordings by one probe, share.

    The tables are ``[file]``, ``[time]``, ``[traces]``, ``[probe]`` and ``[receiver]``; the keys
    are the attributes of :class:`ImportDescription`, :class:`~echotrace.Probe` and
    :class:`~echotrace.Receiver`, in their units.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    ImportDescription

    Raises
    ------
    ParameterError
        Naming the file, the table and the key.

    Examples
    --------
    >>> file = folder / "our_export.toml"
    >>> _ = file.write_text("[time]\nsampling_rate_hz = 1e8\n[probe]\ncentre_frequency_hz = 1e7\n")
    >>> read_description(file).probe.centre_frequency_hz
    10000000.0
    """
    path = Path(path)
    table = read_toml(path)
    with parsing(path, "a description of an import", error=ParameterError):
        return ImportDescription.from_table(table, str(path))


def write_description(description: ImportDescription, path: str | Path) -> None:
    """Write a description as TOML; reading it back gives an equal one.

    Parameters
    ----------
    description : ImportDescription
    path : str or Path

    Raises
    ------
    FileFormatError
        The file cannot be written.

    Examples
    --------
    >>> write_description(ImportDescription(decimal="comma"), folder / "our_export.toml")
    >>> print((folder / "our_export.toml").read_text())
    [file]
    decimal = "comma"
    <BLANKLINE>
    """
    import tomli_w

    save_text(path, tomli_w.dumps(description.to_table()))
