"""One front door for foreign files: take what they say, demand what they do not."""

from __future__ import annotations

import hashlib
import warnings
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Unpack

import numpy as np

import echotrace
from echotrace.errors import (
    EchotraceError,
    EchotraceWarning,
    FileFormatError,
    MissingDetailError,
    ParameterError,
)
from echotrace.files import text
from echotrace.files.description import FORMATS, Details, ImportDescription
from echotrace.files.foreign import Foreign, Variable, from_variables
from echotrace.files.guarded import State, changed, open_hdf5, open_regular, state_of
from echotrace.files.matlab import hdf5_variables, mat_variables
from echotrace.files.npz import npy_variables, npz_variables
from echotrace.files.wav import read_wav
from echotrace.recording import MIN_SAMPLES, Recording
from echotrace.user_input import parsing

__all__ = ["FORMATS", "import_recording"]

_ARRAYS = ("npy", "npz", "mat", "hdf5")
_TEXT_SUFFIXES = (".csv", ".txt", ".tsv", ".dat", ".asc")
# An A-mode trace of an eye at 10 MHz or more has thousands of samples, a recording rarely more
# traces than that (common practice, no source).
_SUSPECT_RATIO = 4


def import_recording(
    path: str | Path,
    description: ImportDescription | None = None,
    **details: Unpack[Details],
) -> Recording:
    """Make a recording from a file of another program.

    Parameters
    ----------
    path : str or Path
    description : ImportDescription, optional
        What files of this origin have in common.
    **details
        Attributes of :class:`ImportDescription` for this file; they override the description.

    Returns
    -------
    Recording
        Its attributes name the source (without its folder) and the SHA-256 of its bytes.

    Raises
    ------
    FileFormatError
        The file cannot be read, or does not hold one array of traces.
    MissingDetailError
        Something needed that neither the file nor the description says. All of it is listed.
    ParameterError
        A detail that is not possible, or that contradicts the file.
    RecordingError
        Samples that cannot form a recording.

    Examples
    --------
    >>> import echotrace as et
    >>> np.save(folder / "traces.npy", np.sin(np.arange(3000.0))[None] * [[1.0], [0.9]])
    >>> recording = et.import_recording(
    ...     folder / "traces.npy",
    ...     sampling_rate_hz=100e6,
    ...     start_delay_us=0.0,
    ...     signal="rf",
    ...     method="immersion",
    ...     eye="right",
    ...     lens_state="phakic",
    ...     probe=et.Probe(centre_frequency_hz=10e6),
    ... )
    >>> recording.n_traces, str(recording.signal)
    (2, 'rf')
    """
    path = Path(path)
    try:
        told = (description or ImportDescription()).with_details(**details)
    except EchotraceError as error:
        raise type(error)(f"{path}: {error}") from None
    if path.is_dir():
        raise FileFormatError(f"{path}: is a folder; name a file in it")
    with open_regular(path) as file:
        state = state_of(file.fileno())
    chosen = _format_of(path, told.format)
    foreign = _foreign(path, chosen, told)
    rate_hz = _agreed(
        path, foreign, "sampling_rate_hz", told.sampling_rate_hz, "--sampling-rate-mhz", "Hz"
    )
    start_us = _agreed(
        path, foreign, "start_delay_us", told.start_delay_us, "--start-delay-us", "us"
    )
    _demand(path, rate_hz, start_us, told)
    _hint_at_orientation(path, foreign)
    optional = ("method", "eye", "lens_state", "lens_material", "target")
    labels = {name: getattr(told, name) or "none" for name in optional}
    fields: dict[str, Any] = {
        "sampling_rate_hz": rate_hz,
        "start_delay_us": start_us,
        "signal": told.signal,
        "probe": told.probe,
        "receiver": told.receiver,
        "gain_db": np.nan if told.gain_db is None else told.gain_db,
        "vitreous": told.vitreous,
        "subject": told.subject,
        "operator": told.operator,
        "sitting": told.sitting,
        "attributes": _provenance(path, chosen, foreign, state),
        **labels,
    }
    try:
        return Recording(samples=foreign.samples, **fields)
    except EchotraceError as error:
        shape = foreign.samples.shape
        hint = ""
        if len(shape) == 2 and shape[1] < MIN_SAMPLES <= shape[0]:
            hint = "; if each row is a sample, give --samples-first"
        raise type(error)(f"{path}: {error}{hint}") from None


def _foreign(path: Path, chosen: str, told: ImportDescription) -> Foreign:
    """What the file says, read as it is described."""
    names = (told.variable, told.sampling_rate_variable, told.start_delay_variable)
    if chosen in _ARRAYS:
        return from_variables(
            path,
            _variables(path, chosen, told.other_files),
            variable=told.variable,
            samples_first=told.samples_first,
            sampling_rate_variable=told.sampling_rate_variable,
            start_delay_variable=told.start_delay_variable,
        )
    _refuse_names(path, chosen, *names)
    if chosen == "wav":
        foreign = read_wav(path)
    else:
        foreign = text.read_text(
            path,
            samples_first=told.samples_first,
            delimiter=told.delimiter,
            decimal=told.decimal,
            time_unit=told.time_unit,
            skip_lines=told.skip_lines,
            index_column=told.index_column,
            ignore_timing=told.ignore_file_timing,
        )
    if told.ignore_file_timing:
        return replace(foreign, sampling_rate_hz=None, start_delay_us=None)
    return foreign


def _format_of(path: Path, wanted: str | None) -> str:
    with open_regular(path) as file:
        head = file.read(1024)
    if not head:
        raise FileFormatError(f"{path}: the file is empty")
    return wanted or _format_by_content(path, head)


def _format_by_content(path: Path, head: bytes) -> str:
    if head.startswith(b"\x93NUMPY"):
        return "npy"
    if head.startswith(b"PK"):
        return "npz"
    if head[:4] in (b"RIFF", b"RIFX", b"RF64"):
        return "wav"
    if head.startswith(b"MATLAB") or path.suffix.lower() == ".mat":
        return "mat"
    if head.startswith(b"\x89HDF\r\n\x1a\n"):
        _refuse_native(path)
        return "hdf5"
    if path.suffix.lower() in _TEXT_SUFFIXES or (b"\0" not in head):
        return "text"
    raise FileFormatError(
        f"{path}: the format cannot be told from the content; name it with --format (one of "
        f"{', '.join(FORMATS)}), or convert the file to one of these"
    )


def _variables(path: Path, chosen: str, other_files: bool) -> Mapping[str, Variable]:
    if chosen in ("npy", "npz"):
        return npy_variables(path) if chosen == "npy" else npz_variables(path)
    read = mat_variables if chosen == "mat" else hdf5_variables
    return read(path, other_files=other_files)


def _refuse_native(path: Path) -> None:
    with parsing(path, "an HDF5 file"), open_hdf5(path) as (file, _):
        native = str(file.attrs.get("schema_name", "")).startswith("echotrace_")
    if native:
        raise FileFormatError(f"{path}: is a native file already; it needs no import")


def _refuse_names(path: Path, chosen: str, *names: str | None) -> None:
    given = next((name for name in names if name), None)
    if given:
        raise ParameterError(
            f"{path}: variable {given!r} was named, but a {chosen} file has no named variables"
        )


def _agreed(
    path: Path, foreign: Foreign, name: str, given: float | None, option: str, unit: str
) -> float | None:
    """What the file says and what the caller says, if they do not contradict each other."""
    found: float | None = getattr(foreign, name)
    if given is None or found is None:
        return found if given is None else given
    said_by = foreign.delay_from
    if name == "sampling_rate_hz":
        said_by = foreign.rate_from
        agrees = abs(found - given) <= foreign.rate_tolerance * abs(given)
    else:
        # A thousandth of a sample step at the rate of the file, or of a nanosecond.
        step_us = 1e6 / foreign.sampling_rate_hz if foreign.sampling_rate_hz else 1e-3
        agrees = abs(found - given) <= 1e-3 * step_us
    if not agrees:
        shown = "" if name == "start_delay_us" else f" (that is {found / 1e6:.9g} MHz)"
        raise ParameterError(
            f"{path}: {said_by} says {name}={found:.12g} {unit}{shown}, but "
            f"{given:.12g} {unit} was given; leave out {option}, or overrule a header or time "
            "column with --ignore-file-timing"
        )
    return given


def _each(value: Any) -> set[str]:
    if value is None:
        return set()
    return {str(value)} if isinstance(value, str) else {str(item) for item in value}


def _demand(
    path: Path, rate_hz: float | None, start_us: float | None, told: ImportDescription
) -> None:
    """List everything that is missing, each with the option that gives it."""
    methods = _each(told.method)
    of_eye = "eye" in _each(told.target)
    probe = told.probe
    missing = []
    if rate_hz is None:
        missing.append("the sampling rate (--sampling-rate-mhz)")
    if start_us is None:
        missing.append("the delay of the first sample (--start-delay-us)")
    if told.signal is None:
        missing.append("whether samples are rf or envelope (--signal)")
    if not methods:
        missing.append("the method: contact, immersion or other (--method)")
    if of_eye and "other" in methods:
        missing.append("the name of the target, for the method 'other' (--target)")
    elif of_eye:
        if not _each(told.eye) - {"none"}:
            missing.append("the eye: right or left (--eye)")
        if not _each(told.lens_state) - {"none"}:
            missing.append("the lens state: phakic, aphakic or pseudophakic (--lens-state)")
        if "pseudophakic" in _each(told.lens_state) and not (_each(told.lens_material) - {"none"}):
            missing.append("the material of the lens (--lens-material)")
    if probe is None:
        missing.append("the centre frequency of the probe (--centre-frequency-mhz)")
    if "contact" in methods and (probe is None or np.isnan(probe.face_delay_us)):
        missing.append("the delay of the probe's face, for contact (--face-delay-us)")
    if missing:
        raise MissingDetailError(f"{path}: the file does not say {'; '.join(missing)}")


def _hint_at_orientation(path: Path, foreign: Foreign) -> None:
    n_traces, n_samples = foreign.samples.shape
    if n_samples >= MIN_SAMPLES and n_traces > _SUSPECT_RATIO * n_samples:
        warnings.warn(
            f"{path}: {n_traces} traces of only {n_samples} samples; if each row is a sample, "
            "import again with --samples-first",
            EchotraceWarning,
            stacklevel=3,
        )


def _provenance(path: Path, chosen: str, foreign: Foreign, state: State) -> dict[str, str]:
    with open_regular(path) as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
        # The samples were read before: the digest must be of the same bytes.
        if state_of(file.fileno()) != state:
            raise changed(path)
    now = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    about = {
        # The name alone: a folder can name a person.
        "source": path.name,
        "source_format": chosen,
        "source_sha256": digest,
        "history": f"{now} echotrace {echotrace.__version__}: imported {path.name} ({chosen})",
    }
    if foreign.variable and chosen != "npy":
        about["source_variable"] = foreign.variable
    return about
