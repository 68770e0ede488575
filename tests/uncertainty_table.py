"""Stated over observed uncertainty of picks where the noise is not white, not even, or crowded.

    python tests/uncertainty_table.py [TRACES]

prints the table of DEVELOPERS.md. Echoes are closed form, a Gaussian pulse of 10 MHz and 60 %
at random fractions of a sample and random phases; the code under test makes nothing of them.
A trace holds two walls, 8 and 42 µs behind the transmit pulse, unless said otherwise.
"""

import sys
from dataclasses import dataclass, field, replace

import numpy as np
from closed_form import FREQUENCY_MHZ, SIGMA_US, echo

from echotrace.chain.measure import measure
from echotrace.media import Medium
from echotrace.recording import Probe, Receiver, Recording
from echotrace.settings import PickingSettings, Settings, TargetGate
from echotrace.signal.gates import Gate
from echotrace.target import Interface, Segment, Target

RATE_HZ, N_SAMPLES = 1e8, 5200
TIME_US = np.arange(N_SAMPLES) * 0.01
WIDTH_US = 2.0 * np.sqrt(2.0 * np.log(2.0)) * SIGMA_US
PROBE = Probe(centre_frequency_hz=10e6, fractional_bandwidth=0.6)
FRONT_US, BACK_US = 8.0, 42.0
TGC_DB = 30.0 * TIME_US / TIME_US[-1]
TGC = Receiver(full_scale=1.0, tgc_delay_us=(0.0, float(TIME_US[-1])), tgc_gain_db=(0.0, 30.0))


@dataclass(frozen=True)
class Case:
    """One row of the table: how traces are made, and how they are said to be."""

    name: str
    make: object
    receiver: Receiver | None = None
    apart_us: float = BACK_US - FRONT_US
    settings: Settings = field(default_factory=Settings)
    rate_hz: float = RATE_HZ


def _echoes(rng, n, apart_us=BACK_US - FRONT_US, heights=(1.0, 1.0), **shape):
    """Clean traces and the truth: two echoes of random phase, at random places of a sample."""
    step = shape.pop("step_us", 0.01)
    time = np.arange(round(52.0 / step)) * step
    front = FRONT_US + step * rng.random((n, 1))
    truth = np.concatenate([front, front + apart_us], axis=1)
    phase = rng.uniform(0.0, 2.0 * np.pi, (2, n, 1))
    clean = sum(echo(time, truth[:, k : k + 1], heights[k], phase[k], **shape) for k in range(2))
    return clean, truth


def _in_band(rng, n, low_mhz, high_mhz):
    """Noise of unit variance between two frequencies."""
    spectrum = np.fft.rfft(rng.standard_normal((n, N_SAMPLES)), axis=1)
    frequency = np.fft.rfftfreq(N_SAMPLES, 0.01)
    spectrum[:, (frequency < low_mhz) | (frequency > high_mhz)] = 0.0
    noise = np.fft.irfft(spectrum, N_SAMPLES, axis=1)
    return noise / noise.std()


def white(rng, n):
    clean, truth = _echoes(rng, n)
    return clean + 0.01 * rng.standard_normal(clean.shape), truth


def untold_tgc(rng, n):
    """Noise before the amplifier, 30 dB of time gain that nobody mentions."""
    clean, truth = _echoes(rng, n, heights=(1.0, 0.03))
    gain = 10.0 ** (TGC_DB / 20.0)
    return (clean + 0.001 * rng.standard_normal(clean.shape)) * gain, truth


def converter_noise(rng, n):
    """Noise behind the amplifier, under a time gain that is told."""
    clean, truth = _echoes(rng, n, heights=(1.0, 0.1))
    return clean * 10.0 ** (TGC_DB / 20.0) + 0.02 * rng.standard_normal(clean.shape), truth


def both_noises(rng, n):
    clean, truth = _echoes(rng, n, heights=(1.0, 0.1))
    before = clean + 0.001 * rng.standard_normal(clean.shape)
    return before * 10.0 ** (TGC_DB / 20.0) + 0.01 * rng.standard_normal(clean.shape), truth


def eight_bits(rng, n):
    """Rounded to 127 counts under a told time gain; little other noise."""
    clean, truth = _echoes(rng, n, heights=(0.5, 0.02))
    before = clean + 1e-4 * rng.standard_normal(clean.shape)
    counts = np.rint(127.0 * before * 10.0 ** (TGC_DB / 20.0))
    return np.clip(counts, -127, 127).astype(np.int16), truth


def below_the_carrier(rng, n):
    clean, truth = _echoes(rng, n)
    return clean + 0.03 * _in_band(rng, n, 2.0, 6.0) + 1e-4 * rng.standard_normal(
        clean.shape
    ), truth


def above_the_carrier(rng, n):
    clean, truth = _echoes(rng, n)
    noise = 0.03 * _in_band(rng, n, 13.0, 18.0)
    return clean + noise + 1e-4 * rng.standard_normal(clean.shape), truth


def tone(rng, n):
    """Interference of 2 % of the echo at 8 MHz."""
    clean, truth = _echoes(rng, n)
    turn = rng.uniform(0.0, 2.0 * np.pi, (n, 1))
    hum = 0.02 * np.cos(2.0 * np.pi * 8.0 * TIME_US + turn)
    return clean + hum + 1e-3 * rng.standard_normal(clean.shape), truth


def overlap(widths, height=1.0, noise=0.01, **shape):
    """A second echo so many widths of the pulse behind the first."""

    def make(rng, n):
        apart_us = widths * WIDTH_US
        clean, truth = _echoes(rng, n, apart_us=apart_us, heights=(1.0, height), **shape)
        return clean + noise * rng.standard_normal(clean.shape), truth

    return make


def below_the_carrier_overlap(rng, n):
    clean, truth = _echoes(rng, n, apart_us=WIDTH_US)
    noise = 0.01 * _in_band(rng, n, 2.0, 9.0)
    return clean + noise + 1e-4 * rng.standard_normal(clean.shape), truth


def other_template(factor=1.0, carrier=FREQUENCY_MHZ, chirp=0.0):
    """Pulses longer, of another carrier or chirped, as the template is not."""

    def make(rng, n):
        front = FRONT_US + 0.01 * rng.random((n, 1))
        truth = np.concatenate([front, front + BACK_US - FRONT_US], axis=1)
        clean = np.zeros((n, N_SAMPLES))
        for k in range(2):
            t = TIME_US - truth[:, k : k + 1]
            turn = rng.uniform(0.0, 2.0 * np.pi, (n, 1))
            phase = 2.0 * np.pi * carrier * t + chirp * (t / SIGMA_US) ** 2 + turn
            clean += np.exp(-0.5 * (t / (factor * SIGMA_US)) ** 2) * np.cos(phase)
        return clean + 0.01 * rng.standard_normal(clean.shape), truth

    return make


def _settings(**picking):
    return Settings(picking=PickingSettings(**picking))


PLAIN = [
    Case("white noise", white),
    Case("time gain untold, 30 dB", untold_tgc),
    Case("noise of the converter, time gain told", converter_noise, TGC),
    Case("noise before and behind the gain, told", both_noises, TGC),
    Case("8 bits, time gain told", eight_bits, replace(TGC, bits=8)),
    Case("noise of 2 to 6 MHz", below_the_carrier),
    Case("noise of 13 to 18 MHz", above_the_carrier),
    Case("tone of 2 % at 8 MHz", tone),
]

OVERLAP = [
    *(
        Case(f"second echo {widths:g} widths behind", overlap(widths), apart_us=widths * WIDTH_US)
        for widths in (0.75, 1.0, 1.25, 1.5, 2.0)
    ),
    Case("… 1 width behind, 10 dB lower", overlap(1.0, 0.316), apart_us=WIDTH_US),
    Case("… 1 width behind, noise of 2 to 9 MHz", below_the_carrier_overlap, apart_us=WIDTH_US),
    *(
        Case(
            f"… 1.25 widths behind, pulses 10 % {name} than the template",
            overlap(1.25, sigma=factor * SIGMA_US),
            apart_us=1.25 * WIDTH_US,
        )
        for name, factor in (("longer", 1.1), ("shorter", 0.9))
    ),
]
_FITTED = _settings(picker="least_squares")
MISFIT = [
    Case(f"least squares, {name}", make, settings=_FITTED)
    for name, make in (
        ("pulses 10 % longer", other_template(factor=1.1)),
        ("pulses 10 % shorter", other_template(factor=0.9)),
        ("carrier 10 % lower", other_template(carrier=9.0)),
        ("carrier 10 % higher", other_template(carrier=11.0)),
        ("chirped pulses", other_template(chirp=0.3)),
    )
]


def plate(apart_us):
    """Two walls in water of 1,500 m/s."""
    apart_mm = 0.75 * apart_us
    water = Medium(name="water", speed_m_per_s=1500.0, speed_u_m_per_s=0.0, source="a round number")
    return Target(
        name="two walls",
        interfaces=(Interface(name="front"), Interface(name="back")),
        segments=(
            Segment(
                name="water",
                medium=water,
                mean_mm=apart_mm,
                sd_mm=0.2 * apart_mm,
                range_mm=(0.6 * apart_mm, 1.4 * apart_mm),
            ),
        ),
        length_from="front",
        length_to="back",
        temperature_c=20.0,
    )


def gates(apart_us):
    """Each wall within 0.3 µs of where it is, or half of their distance."""
    reach = min(0.3, 0.5 * apart_us)
    windows = (("front", FRONT_US, ""), ("back", apart_us, "front"))
    return tuple(
        TargetGate(
            method="any",
            target="any",
            gate=Gate(interface=wall, start_us=at - reach, stop_us=at + reach, relative_to=after),
        )
        for wall, at, after in windows
    )


def picks_of(case, n, seed):
    """Error and stated uncertainty of both picks and of their distance, ns: (n, 3) each.

    Scans in which the two are not told apart (`echoes_unresolved`, `echo_missing`) are left out.
    """
    samples, truth = case.make(np.random.default_rng(seed), n)
    recording = Recording(
        samples=samples if samples.dtype == np.int16 else samples.astype(np.float32),
        sampling_rate_hz=case.rate_hz,
        start_delay_us=0.0,
        method="other",
        target="two walls",
        probe=PROBE,
        receiver=case.receiver,
        gain_db=0.0,
    )
    settings = replace(case.settings, gates=gates(case.apart_us))
    result = measure(recording, settings, target=plate(case.apart_us))
    error, u = result.delay_us - truth, result.delay_u_us
    # At 0.75 mm to a microsecond.
    both = np.diff(error, axis=1), result.axial_length_u_mm[:, None] / 0.75
    error, u = np.concatenate([error, both[0]], axis=1), np.concatenate([u, both[1]], axis=1)
    error[result.has_finding("echoes_unresolved") | result.has_finding("echo_missing")] = np.nan
    return 1e3 * error, 1e3 * u


def figures(error, u):
    """Stated over observed spread, share of 95 % intervals that hold the mean, shift, and spread.

    What shifts all picks of a row alike is distortion (an untold time gain tilts each echo), which
    the uncertainty budget carries apart: it is a column of its own.
    """
    found = np.isfinite(error)
    error, u = error[found], u[found]
    shift, spread = error.mean(), error.std()
    inside = np.mean(np.abs(error - shift) <= 1.96 * u)
    stated = np.sqrt(np.mean(u**2))
    return tuple(map(float, (stated / spread, inside, shift, spread, found.mean())))


def table(cases, n, seed=20):
    """Rows: case, wall, and :func:`figures` in ns with the share of traces that have a pick."""
    for case in cases:
        error, u = picks_of(case, n, seed)
        walls = ("front", "back", "apart") if case in OVERLAP else ("front", "back")
        for k, wall in enumerate(walls):
            yield (case.name, wall, *figures(error[:, k], u[:, k]))


CASES = [*PLAIN, *OVERLAP, *MISFIT]


def main():
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    print("| case | wall | stated / observed | in 95 % | shift, ns | spread, ns | found |")
    print("|---|---|---|---|---|---|---|")
    for name, wall, ratio, inside, shift, spread, found in table(CASES, n):
        row = f"{ratio:.2f} | {100 * inside:.1f} % | {shift:.2f} | {spread:.3g} | {found:.0%}"
        print(f"| {name} | {wall} | {row} |".replace("-0.00", "0.00"))


if __name__ == "__main__":
    main()
