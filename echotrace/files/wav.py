"""Traces from WAV files: each channel is a trace, the header gives the sampling rate."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np

from echotrace.errors import FileFormatError
from echotrace.files.foreign import Foreign, loading

__all__ = ["read_wav"]


def read_wav(path: Path) -> Foreign:
    """Read a WAV file.

    Unsigned 8-bit samples are moved so that silence is zero. 24-bit samples become float32 in
    units of full scale, which holds them exactly.

    Raises
    ------
    FileFormatError
        Not a WAV file, cut short, or of 32-bit integers, which fit neither int16 nor float32.
    """
    import scipy

    with loading(path, "a WAV file"), warnings.catch_warnings():
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
