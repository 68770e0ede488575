"""What the chain is timed against: the same job as others would write it, and the machine."""

import numba
import numpy as np
import scipy

GATES_US = ((5.5, 7.2), (8.5, 12.5), (13.5, 18.0), (25.0, 34.0))
"""Cornea, lens front, lens back, retina of the eyes that are timed (cornea at 6.0 to 6.5 µs)."""


def hilbert_picks(samples, rate_hz, gates_us=GATES_US):
    """(a) scipy.signal.hilbert in float64 and numpy picking, trace by trace, as a good user would.

    Delay of the tallest echo of each gate by a parabola through the logarithm, its level over the
    noise, and whether it is clipped.
    """
    step_us = 1e6 / rate_hz
    delay = np.full((len(samples), len(gates_us)), np.nan)
    level_db = delay.copy()
    for i, trace in enumerate(samples):
        rf = trace.astype(np.float64) * (4.0 / 32767)
        envelope = np.abs(scipy.signal.hilbert(rf))
        noise = np.median(envelope) / 1.1774
        for k, (start, stop) in enumerate(gates_us):
            first, last = round(start / step_us), round(stop / step_us)
            j = first + int(np.argmax(envelope[first:last]))
            a, b, c = np.log(envelope[j - 1 : j + 2])
            delay[i, k] = (j + 0.5 * (a - c) / (a - 2 * b + c)) * step_us
            level_db[i, k] = 20.0 * np.log10(envelope[j] / noise)
    return delay, level_db


class VectorisedPicks:
    """(b) Matched filter by scipy.fft in float32, all traces of a block at once; picks only."""

    def __init__(self, pulse, n_samples, rate_hz, gates_us=GATES_US):
        self.n, self.step_us, self.gates_us = n_samples, 1e6 / rate_hz, gates_us
        self.size = scipy.fft.next_fast_len(n_samples + pulse.analytic.size)
        template = np.zeros(self.size, complex)
        template[: pulse.analytic.size] = pulse.analytic
        template = np.roll(template, -pulse.half_length)
        response = np.conj(np.fft.fft(template)) / (pulse.energy / 2)
        self.response = response[: self.size // 2 + 1].astype(np.complex64)

    def __call__(self, samples):
        rf = samples.astype(np.float32) * np.float32(4.0 / 32767)
        full = np.zeros((len(rf), self.size), np.complex64)
        half = scipy.fft.rfft(rf, self.size, axis=1)
        np.multiply(half, self.response, out=full[:, : half.shape[1]])
        envelope = np.abs(scipy.fft.ifft(full, axis=1, overwrite_x=True)[:, : self.n])
        noise = np.median(envelope[:, ::8], axis=1) / 1.1774
        rows = np.arange(len(rf))
        delay = np.empty((len(rf), len(self.gates_us)))
        level_db = delay.copy()
        for k, (start, stop) in enumerate(self.gates_us):
            first, last = round(start / self.step_us), round(stop / self.step_us)
            j = first + np.argmax(envelope[:, first:last], axis=1)
            a, b, c = (np.log(envelope[rows, j + d].astype(float)) for d in (-1, 0, 1))
            delay[:, k] = (j + 0.5 * (a - c) / (a - 2 * b + c)) * self.step_us
            level_db[:, k] = 20.0 * np.log10(envelope[rows, j] / noise)
        return delay, level_db


def obspy_picks(samples, rate_hz, gates_us=GATES_US):
    """(c) Envelope and pickers of obspy, made for earthquakes: onset by Akaike in each gate."""
    from obspy.signal.filter import envelope as envelope_of
    from obspy.signal.trigger import aic_simple

    step_us = 1e6 / rate_hz
    delay = np.full((len(samples), len(gates_us)), np.nan)
    for i, trace in enumerate(samples):
        rf = trace.astype(np.float64)
        envelope = envelope_of(rf)
        for k, (start, stop) in enumerate(gates_us):
            first, last = round(start / step_us), round(stop / step_us)
            j = first + int(np.argmax(envelope[first:last]))
            onset = int(np.argmin(aic_simple(rf[max(0, j - 60) : j + 1])))
            delay[i, k] = (max(0, j - 60) + onset) * step_us
    return delay


@numba.njit(nogil=True, fastmath={"contract", "reassoc", "nnan", "nsz"}, error_model="numpy")
def multiply_add(x, c, n):
    """Eight multiply-adds for each value read, ``n`` times over: the roof of the arithmetic."""
    total = np.float32(0.0)
    for _ in range(n):
        x[0] += np.float32(1e-9)
        total += _eight_sums(x, c)
    return total


@numba.njit(nogil=True, fastmath={"contract", "reassoc", "nnan", "nsz"}, error_model="numpy")
def _eight_sums(x, c):
    c0, c1, c2, c3, c4, c5, c6, c7 = c[0], c[1], c[2], c[3], c[4], c[5], c[6], c[7]
    zero = np.float32(0.0)
    s0, s1, s2, s3, s4, s5, s6, s7 = zero, zero, zero, zero, zero, zero, zero, zero
    for k in range(x.size):
        v = x[k]
        s0 += v * c0
        s1 += v * c1
        s2 += v * c2
        s3 += v * c3
        s4 += v * c4
        s5 += v * c5
        s6 += v * c6
        s7 += v * c7
    return s0 + s1 + s2 + s3 + s4 + s5 + s6 + s7


@numba.njit(nogil=True, error_model="numpy")
def again(function, n, *arguments):
    """Call a kernel ``n`` times without going through Python."""
    for _ in range(n):
        function(*arguments)
