"""Traces from WAV files: each channel is a trace, the header gives the sampling rate."""

from __future__ import annotations

import struct
import warnings
from pathlib import Path

import numpy as np

from echotrace.errors import FileFormatError
from echotrace.files.foreign import Foreign
from echotrace.files.guarded import open_regular, state_of
from echotrace.user_input import parsing

__all__ = ["read_wav"]


def read_wav(path: Path) -> Foreign:
    """Read a WAV file.

    Unsigned 8-bit samples are moved so that silence is zero. 24-bit samples become float32 in
    units of full scale, which holds them exactly.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Foreign

    Raises
    ------
    FileFormatError
        Not a WAV file, cut short, of parts that do not fit one another, or of 32-bit integers,
        which fit neither int16 nor float32.

    Examples
    --------
    >>> import scipy
    >>> file = folder / "trace.wav"
    >>> scipy.io.wavfile.write(file, 48000, np.zeros(300, np.int16))
    >>> found = read_wav(file)
    >>> found.samples.shape, found.sampling_rate_hz
    ((1, 300), 48000.0)
    """
    import scipy

    with parsing(path, "a WAV file"):
        _check_chunks(path)
        with warnings.catch_warnings():
            # Unknown chunks (notes, calibration) are no trouble; a cut-short file is.
            warnings.simplefilter("ignore", scipy.io.wavfile.WavFileWarning)
            warnings.filterwarnings("error", message="Reached EOF prematurely")
            rate_hz, data = scipy.io.wavfile.read(path)
    if data.size == 0:
        raise FileFormatError(f"{path}: the WAV file holds no samples")
    if data.dtype == np.uint8:
        data = data.astype(np.int16) - np.int16(128)
    elif data.dtype == np.int32:
        if np.any(data & 0xFF):
            raise FileFormatError(
                f"{path}: 32-bit whole-number samples fit neither int16 nor float32 exactly; "
                "store 16-bit, 24-bit or float samples"
            )
        data = (data / 2.0**31).astype(np.float32)
    samples = data.reshape(1, -1) if data.ndim == 1 else data.T
    return Foreign(
        samples=samples,
        sampling_rate_hz=float(rate_hz),
        rate_from="the WAV header",
    )


def _check_chunks(path: Path) -> None:
    """Hold the sizes of the parts against one another: a wrong one would cut or shift samples."""
    with open_regular(path) as file:
        size = state_of(file.fileno())[2]
        head = file.read(12)
        order = ">" if head[:4] == b"RIFX" else "<"
        place, seen = 12, []
        while place + 8 <= size:
            file.seek(place)
            name, length = struct.unpack(f"{order}4sI", file.read(8))
            if not all(32 <= byte < 127 for byte in name):
                raise FileFormatError(f"{path}: damaged WAV file (no part begins at byte {place})")
            if head[:4] == b"RF64" and name == b"data" and length == 0xFFFFFFFF:
                return
            if name == b"fmt ":
                _check_format(path, order, file.read(16))
            if place + 8 + length > size:
                raise FileFormatError(f"{path}: cut short; copy it again from where it came")
            seen.append(name)
            place += 8 + length + length % 2
        told = int.from_bytes(head[4:8], "big" if order == ">" else "little") + 8
        if head[:4] != b"RF64" and not size - 1 <= told <= size + 1:
            raise FileFormatError(
                f"{path}: damaged WAV file (it says that it has {told} bytes and has {size})"
            )
        if seen.count(b"fmt ") != 1 or seen.count(b"data") != 1:
            raise FileFormatError(
                f"{path}: damaged WAV file (it needs one format and one data part)"
            )


def _check_format(path: Path, order: str, raw: bytes) -> None:
    if len(raw) < 16:
        raise FileFormatError(f"{path}: cut short; copy it again from where it came")
    _, channels, rate, byte_rate, frame, bits = struct.unpack(f"{order}HHIIHH", raw)
    if frame != channels * -(-bits // 8) or byte_rate != rate * frame:
        raise FileFormatError(
            f"{path}: damaged WAV file ({channels} channels of {bits} bits at {rate} Hz do not "
            f"make frames of {frame} bytes, {byte_rate} bytes a second)"
        )
