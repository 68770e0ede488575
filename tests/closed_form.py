"""Recordings built from closed-form echoes, with nothing of the package but its data model.

An echo is A exp(-(t - t0)^2 / (2 sigma^2)) cos(2 pi f (t - t0) + phase), placed at an exact delay.
"""

from __future__ import annotations

import math
import os

import numpy as np

from echotrace.recording import Probe, Receiver, Recording

COMPILED = os.environ.get("NUMBA_DISABLE_JIT", "0") in ("", "0")


def up_to(n_traces, in_plain_python=2):
    """How many traces a test takes: all where kernels are compiled, else as few as make sense."""
    return n_traces if COMPILED else min(n_traces, in_plain_python)


FREQUENCY_MHZ = 10.0
BANDWIDTH = 0.6
# -6 dB band B: exp(-(pi B sigma)^2 / 2) = 1/2.
SIGMA_US = math.sqrt(2 * math.log(2)) / (math.pi * FREQUENCY_MHZ * BANDWIDTH)

# Two-way delays of the phakic Gullstrand-Le Grand eye after the corneal front, µs: 2 L / v with
# Le Grand & El Hage 1980 (0.55, 3.05, 4.0, 16.59655 mm) and 1641/1532/1641/1532 m/s.
LE_GRAND_MM = (0.55, 3.05, 4.0, 16.59655)
SPEEDS = (1641.0, 1532.0, 1641.0, 1532.0)
LE_GRAND_US = np.concatenate(
    [[0.0], np.cumsum([2e3 * mm / v for mm, v in zip(LE_GRAND_MM, SPEEDS, strict=True)])]
)
LE_GRAND_AXIAL_MM = 24.19655


def echo(delay_us, centre_us, amplitude=1.0, phase=0.0, *, frequency=FREQUENCY_MHZ, sigma=SIGMA_US):
    """One echo on a delay axis; all arguments but the axis may be columns."""
    t = delay_us - np.asarray(centre_us)
    return (
        np.asarray(amplitude)
        * np.exp(-0.5 * (t / sigma) ** 2)
        * np.cos(2 * np.pi * frequency * t + np.asarray(phase))
    )


def wall(delay_us, retina_us, rng, amplitude=1.0):
    """Sclera and orbit behind a retina: a strong echo, then a decaying crowd of small ones.

    The sclera as tall as the retina, the orbit lost in the noise within about 5 mm (6.5 µs), as
    the trade describes a good trace (common practice, no source).
    """
    out = echo(delay_us, retina_us + 0.75, 1.2 * amplitude, 2.0)
    for extra in 0.9 + np.cumsum(rng.exponential(0.08, 80)):
        size = amplitude * math.exp(-extra / 0.9) * rng.rayleigh()
        out = out + echo(delay_us, retina_us + extra, size, rng.uniform(0, 2 * np.pi))
    return out


def eye_traces(
    n_traces,
    *,
    seed=0,
    noise=0.003,
    cornea_us=10.0,
    shift_us=None,
    amplitudes=(1.0, 0.9, 0.6, 0.55, 0.5),
    delays=LE_GRAND_US,
    n_samples=5200,
    sampling_rate_hz=1e8,
    with_wall=True,
    skip=(),
):
    """RF traces of an eye in immersion; echoes of rear interfaces are reversed."""
    rng = np.random.default_rng(seed)
    delay_us = np.arange(n_samples) * (1e6 / sampling_rate_hz)
    shift = np.zeros(n_traces) if shift_us is None else np.asarray(shift_us)
    samples = np.empty((n_traces, n_samples), np.float32)
    phases = (0.0, np.pi, 0.0, np.pi, 0.4)
    for i in range(n_traces):
        trace = noise * rng.standard_normal(n_samples)
        for k, (t, a, phase) in enumerate(zip(delays, amplitudes, phases, strict=True)):
            if k not in skip:
                trace = trace + echo(delay_us, cornea_us + shift[i] + t, a, phase)
        if with_wall:
            trace = trace + wall(delay_us, cornea_us + shift[i] + delays[-1], rng, amplitudes[-1])
        samples[i] = trace
    return samples


def recording_of(samples, **changes):
    """A recording of traces, immersion and phakic unless said otherwise."""
    given = {
        "sampling_rate_hz": 1e8,
        "start_delay_us": 0.0,
        "method": "immersion",
        "eye": "right",
        "lens_state": "phakic",
        "subject": "invented-01",
        "probe": Probe(
            centre_frequency_hz=1e6 * FREQUENCY_MHZ,
            fractional_bandwidth=BANDWIDTH,
            face_delay_us=0.0,
            face_delay_u_us=0.005,
        ),
        "receiver": Receiver(full_scale=4.0),
        "gain_db": 0.0,
    }
    return Recording(samples=samples, **{**given, **changes})
