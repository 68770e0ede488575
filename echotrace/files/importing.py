"""One front door for foreign files: take what they say, demand what they do not."""

from __future__ import annotations

import hashlib
import warnings
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple, Unpack

import numpy as np

import echotrace
from echotrace.errors import (
    EchotraceError,
    EchotraceWarning,
    FileFormatError,
    MissingDetailError,
    ParameterError,
)
from echotrace.files.description import Details, ImportDescription
from echotrace.files.foreign import Foreign
from echotrace.files.guarded import State, changed, open_regular, state_of
from echotrace.files.joining import joined, source_files
from echotrace.files.readers import FORMATS, format_by_content, reader_named
from echotrace.recording import MIN_SAMPLES, Recording, Signal

__all__ = ["FORMATS", "import_recording", "missing_details", "understood"]

# An A-mode trace of an eye at 10 MHz or more has thousands of samples, a recording rarely more
# traces than that (common practice, no source).
_SUSPECT_RATIO = 4


def import_recording(
    path: str | Path | Sequence[str | Path],
    description: ImportDescription | None = None,
    **details: Unpack[Details],
) -> Recording:
    """Make a recording from a file of another program.

    Parameters
    ----------
    path : str, Path or sequence of them
        A file; or several, or a folder of them, whose traces become one recording in the natural
        order of their names.
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
        The file cannot be read, or does not hold one array of traces; one of several is unlike the
        first in rate, first delay, length or unit.
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
    named = [Path(path)] if isinstance(path, str | Path) else [Path(item) for item in path]
    if not named:
        raise ParameterError("name a file to import")
    try:
        told = (description or ImportDescription()).with_details(**details)
    except EchotraceError as error:
        raise type(error)(f"{named[0]}: {error}") from None
    sources, foreign, rate_hz, start_us = _read_all(named, told)
    path = sources[0].path if len(sources) == 1 else named[0]
    missing = missing_details(rate_hz, start_us, told)
    if missing:
        raise MissingDetailError(f"{path}: the file does not say {'; '.join(missing)}")
    _refuse_the_impossible(path, rate_hz, told)
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
        "attributes": _provenance(sources, foreign),
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


def _refuse_the_impossible(path: Path, rate_hz: float | None, told: Any) -> None:
    """A carrier that samples of that rate cannot hold."""
    probe = told.probe
    if told.signal != Signal.RF or rate_hz is None or probe is None:
        return
    if probe.centre_frequency_hz >= 0.5 * rate_hz:
        raise ParameterError(
            f"{path}: centre_frequency_hz={probe.centre_frequency_hz:g} cannot be held by "
            f"sampling_rate_hz={rate_hz:g}, which must be at least twice the frequency: one of "
            "them is wrong, or its unit (--centre-frequency-mhz, --sampling-rate-mhz)"
        )


class _Source(NamedTuple):
    """One file, and what it says."""

    path: Path
    chosen: str
    foreign: Foreign
    state: State


def _read_all(
    named: Sequence[Path], told: ImportDescription
) -> tuple[list[_Source], Foreign, float | None, float | None]:
    """Files, their traces as one, and rate in Hz and first delay in µs as far as they are known."""
    sources = []
    for path in source_files(named):
        with open_regular(path) as file:
            state = state_of(file.fileno())
        chosen = _format_of(path, told.format)
        sources.append(_Source(path, chosen, reader_named(chosen).read(path, told), state))
    foreign = joined([item.path for item in sources], [item.foreign for item in sources])
    path = sources[0].path
    rate_hz = _agreed(
        path, foreign, "sampling_rate_hz", told.sampling_rate_hz, "--sampling-rate-mhz", "Hz"
    )
    start_us = _agreed(
        path, foreign, "start_delay_us", told.start_delay_us, "--start-delay-us", "us"
    )
    return sources, foreign, rate_hz, start_us


def understood(
    named: Sequence[Path], told: ImportDescription
) -> tuple[list[Path], Foreign, float | None, float | None]:
    """What files say, before anything more is asked for.

    Parameters
    ----------
    named : sequence of Path
        Files or folders.
    told : ImportDescription

    Returns
    -------
    files : list of Path
    foreign : Foreign
        Their traces as those of one file.
    sampling_rate_hz, start_delay_us : float or None
        As the files and the description have them.

    Raises
    ------
    FileFormatError
        As :func:`import_recording`.

    Examples
    --------
    >>> np.save(folder / "traces.npy", np.zeros((2, 3000)))
    >>> files, foreign, rate_hz, start_us = understood(
    ...     [folder / "traces.npy"], ImportDescription(sampling_rate_hz=1e8)
    ... )
    >>> foreign.samples.shape, rate_hz, start_us
    ((2, 3000), 100000000.0, None)
    """
    sources, foreign, rate_hz, start_us = _read_all(named, told)
    return [item.path for item in sources], foreign, rate_hz, start_us


def _format_of(path: Path, wanted: str | None) -> str:
    with open_regular(path) as file:
        head = file.read(1024)
    if not head:
        raise FileFormatError(f"{path}: the file is empty")
    return wanted or format_by_content(path, head)


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


def missing_details(
    rate_hz: float | None, start_us: float | None, told: ImportDescription
) -> list[str]:
    """All that is needed for a recording and not said, each with the option that gives it.

    Parameters
    ----------
    rate_hz, start_us : float or None
        Sampling rate in Hz and first delay in µs, as far as they are known.
    told : ImportDescription

    Returns
    -------
    list of str

    Examples
    --------
    >>> missing_details(None, 0.0, ImportDescription())[0]
    'the sampling rate (--sampling-rate-mhz)'
    """
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
    return missing


def _hint_at_orientation(path: Path, foreign: Foreign) -> None:
    n_traces, n_samples = foreign.samples.shape
    if n_samples >= MIN_SAMPLES and n_traces > _SUSPECT_RATIO * n_samples:
        warnings.warn(
            f"{path}: {n_traces} traces of only {n_samples} samples; if each row is a sample, "
            "import again with --samples-first",
            EchotraceWarning,
            stacklevel=3,
        )


def _provenance(sources: Sequence[_Source], foreign: Foreign) -> dict[str, str]:
    digests = []
    for item in sources:
        with open_regular(item.path) as file:
            digests.append(hashlib.file_digest(file, "sha256").hexdigest())
            # The samples were read before: the digest must be of the same bytes.
            if state_of(file.fileno()) != item.state:
                raise changed(item.path)
    # The name alone: a folder can name a person.
    names = [item.path.name for item in sources]
    source = names[0] if len(names) == 1 else f"{len(names)} files, {names[0]} to {names[-1]}"
    chosen = sources[0].chosen
    now = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    about = {
        "source": source,
        "source_format": chosen,
        "source_sha256": digests[0] if len(names) == 1 else _digest_of(digests),
        "history": f"{now} echotrace {echotrace.__version__}: imported {source} ({chosen})",
    }
    if len(names) > 1:
        about["source_files"] = "\n".join(
            f"{digest} {name}" for digest, name in zip(digests, names, strict=True)
        )
    if foreign.value_unit:
        about["source_unit"] = foreign.value_unit
    if foreign.variable and chosen != "npy":
        about["source_variable"] = foreign.variable
    return about


def _digest_of(digests: Sequence[str]) -> str:
    """One digest of those of several files, in their order."""
    return hashlib.sha256("\n".join(digests).encode()).hexdigest()
