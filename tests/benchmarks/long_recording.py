"""Make a long recording: closed-form eyes tiled with fresh noise, written block by block.

python tests/benchmarks/long_recording.py FILE.h5 --traces 1000000
"""

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from closed_form import eye_traces, recording_of

from echotrace.files.native import RecordingWriter
from echotrace.recording import Receiver

FULL_SCALE = 4.0


def counts(amplitude):
    """Sixteen-bit samples of an amplitude."""
    return np.clip(np.rint(amplitude * (32767 / FULL_SCALE)), -32767, 32767).astype(np.int16)


def eyes(n_traces, n_samples=4096, *, seed=0, noise=0.003, sampling_rate_hz=1e8):
    """Eyes in immersion at all fractions of a sample, each in another stretch of noise."""
    rng = np.random.default_rng(seed)
    few = min(n_traces, 256)
    clean = eye_traces(
        few,
        seed=seed,
        noise=0.0,
        cornea_us=6.0,
        shift_us=rng.uniform(0.0, 0.5, few),
        n_samples=n_samples,
        sampling_rate_hz=sampling_rate_hz,
    )
    pool = (noise * rng.standard_normal(n_samples * 64)).astype(np.float32)
    out = np.empty((n_traces, n_samples), np.int16)
    for k in range(n_traces):
        first = rng.integers(0, pool.size - n_samples)
        out[k] = counts(clean[k % few] + pool[first : first + n_samples])
    return out


def recording(samples, **changes):
    """A recording of sixteen-bit samples."""
    return recording_of(samples, receiver=Receiver(full_scale=FULL_SCALE, bits=16), **changes)


def write_long(path, n_traces, *, compress=False, block=8192):
    """Write a recording of so many traces; its memory does not grow with them."""
    samples = eyes(block)
    with RecordingWriter(path, expected_traces=n_traces, compress=compress) as writer:
        for start in range(0, n_traces, block):
            part = np.roll(samples, start // block, axis=0)[: min(block, n_traces - start)]
            writer.append(recording(part))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("file", type=Path)
    parser.add_argument("--traces", type=int, default=1_000_000)
    given = parser.parse_args()
    write_long(given.file, given.traces)
