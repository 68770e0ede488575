"""Contact under transmit pulses that the synthesis never drew: what is accepted, warned, rejected.

    python tests/near_field_table.py [SEEDS] [SCANS] [--held-out]

prints the table of DEVELOPERS.md. The echoes are full-wave traces of others, which are not part of
this project: an eye 24 mm long, the beam 2° and 8° off its axis, a curved cornea under a flat
face, water in the gap between them. Pulses are added in closed form, gel by delaying all echoes.
"""

import sys
from collections import Counter
from pathlib import Path

import numpy as np

from echotrace.chain.measure import measure
from echotrace.quality.finding_list import FINDINGS, Severity
from echotrace.recording import Probe, Receiver, Recording

DATA = Path(__file__).resolve().parents[2] / "shared" / "data"
GEL_MM = (0.0, 0.1, 0.2, 0.3, 0.45, 0.6, 0.9, 1.2, 1.5)
WATER_MM_PER_US = 1.532
WRONG_MM = 0.1
_WARNINGS = {name for name, item in FINDINGS.items() if item.severity is not Severity.NOTE}


def ringing(rng, low_mhz=8.0, high_mhz=12.0, shortest_us=0.04, longest_us=0.2):
    """A damped mode with random frequency, decay and phase."""
    turn, phase = 2.0 * np.pi * rng.uniform(low_mhz, high_mhz), rng.uniform(0.0, 6.28)
    decay_us = rng.uniform(shortest_us, longest_us)
    return lambda t: np.exp(-t / decay_us) * np.cos(turn * t + phase)


def _modes(rng):
    parts = [(rng.uniform(0.2, 1.0), ringing(rng, 4.0, 16.0)) for _ in range(3)]
    return lambda t: sum(height * mode(t) for height, mode in parts)


def _block(rng):
    end_us = rng.uniform(0.1, 0.4)
    return lambda t: (t < end_us).astype(float)


def _recovery(rng):
    decay_us = rng.uniform(0.05, 0.15)
    return lambda t: np.exp(-t / decay_us)


def _block_and_ringing(rng):
    end_us, back_us, mode = rng.uniform(0.1, 0.3), rng.uniform(0.05, 0.15), ringing(rng, 7.0, 13.0)
    return lambda t: np.where(t < end_us, 1.0, 0.5 * np.exp((end_us - t) / back_us)) + mode(t)


def _none(rng):
    return np.zeros_like


PULSES = {
    "as computed": _none,
    "none": _none,
    "begins late": _none,
    "long": ringing,
    "longer": lambda rng: ringing(rng, shortest_us=0.2, longest_us=0.5),
    "modes": _modes,
    "block": _block,
    "recovery": _recovery,
    "block and ringing": _block_and_ringing,
}


def _chirp(rng):
    rate, decay_us = rng.uniform(-6.0, 6.0), rng.uniform(0.05, 0.15)
    return lambda t: np.exp(-t / decay_us) * np.cos(2.0 * np.pi * (10.0 + rate * t) * t)


def _square_burst(rng):
    end_us, mhz = rng.uniform(0.1, 0.3), rng.uniform(8.0, 12.0)
    return lambda t: np.where(t < end_us, np.sign(np.sin(2.0 * np.pi * mhz * t)), 0.0)


def _undershoot(rng):
    first_us, then_us = rng.uniform(0.05, 0.15), rng.uniform(0.3, 0.8)
    return lambda t: np.where(t < first_us, 1.0, -0.1 * np.exp(-(t - first_us) / then_us))


def _inside_the_probe(rng):
    """Ringing, and the pulse once more from within the tip, half a per cent to five of it."""
    at_us, height, mode = rng.uniform(0.3, 1.2), 10.0 ** rng.uniform(-2.3, -1.3), ringing(rng)

    def echo(t):
        return np.exp(-(((t - at_us) / 0.08) ** 2) / 2.0) * np.cos(20.0 * np.pi * (t - at_us))

    return lambda t: mode(t) + height * echo(t)


HELD_OUT = {
    "chirp": _chirp,
    "square burst": _square_burst,
    "undershoot": _undershoot,
    "echo inside the probe": _inside_the_probe,
}
"""Kinds on which nothing was tried while the rule was made, with seeds from 7000 on."""


def contact(name, kind, seed=0, *, gel_mm=0.0, gel_varies_mm=0.0, n_traces=3):
    """The echoes under a transmit pulse, in 12 bits, and the truth, mm; None where they are absent.

    Full scale is 1.1 times the largest echo behind 1 µs, which saturates the pulse.
    """
    path = DATA / f"fullwave_contact_{name}.npz"
    if not path.exists():
        return None
    with np.load(path) as data:
        rf, echoes = (np.ravel(data[key]).astype(float) for key in ("rf", "rf_echo"))
        rate_hz, truth_mm = float(data["fs"]), float(data["true_axial_length_mm"])
    kinds = {**PULSES, **HELD_OUT}
    rng = np.random.default_rng([seed, list(kinds).index(kind)])
    t = np.arange(rf.size) / rate_hz * 1e6
    full = 1.1 * np.abs(rf[t > 1.0]).max()
    height = full * 10.0 ** rng.uniform(0.3, 2.0) * rng.choice([-1.0, 1.0])
    pulse = height * kinds[kind](rng)(t)
    gap_us = 2.0 / WATER_MM_PER_US * (gel_mm + gel_varies_mm * rng.standard_normal((n_traces, 1)))
    frequency_mhz = np.fft.rfftfreq(2 * rf.size, 1e6 / rate_hz)
    spectrum = np.fft.rfft(rf if kind == "as computed" else echoes, 2 * rf.size)
    moved = spectrum * np.exp(-2j * np.pi * frequency_mhz * np.maximum(gap_us, 0.0))
    traces = np.fft.irfft(moved, 2 * rf.size, axis=1)[:, : rf.size] + pulse
    traces += 1e-3 * full * rng.standard_normal(traces.shape)
    first = round(rng.uniform(0.3, 1.0) * 1e-6 * rate_hz) if kind == "begins late" else 0
    recording = Recording(
        samples=np.rint(np.clip(traces[:, first:] / full, -1.0, 1.0) * 2047).astype(np.int16),
        sampling_rate_hz=rate_hz,
        start_delay_us=first / rate_hz * 1e6,
        method="contact",
        eye="right",
        lens_state="phakic",
        subject="invented-01",
        probe=Probe(
            centre_frequency_hz=10e6,
            fractional_bandwidth=0.5,
            face_delay_us=0.0,
            face_delay_u_us=0.005,
        ),
        receiver=Receiver(full_scale=1.0, bits=12),
        gain_db=0.0,
    )
    return recording, truth_mm


def outcome(recording, truth_mm):
    """Scans by what came of them; ``silent``: accepted, wrong, and no warning said so."""
    result, count = measure(recording), Counter()
    for k in range(result.n_traces):
        warned = bool(_WARNINGS & set(result.finding_list(k)))
        wrong = abs(result.axial_length_mm[k] - truth_mm) > WRONG_MM
        if not result.accepted[k]:
            count["rejected"] += 1
        else:
            count["warned" if warned else "accepted"] += 1
            count["silent"] += bool(wrong and not warned)
    return count


def rows(kinds, seeds, scans):
    """What came of each kind of pulse: without gel, with little, with more, and off the axis."""
    groups = {
        "none": ("2deg", GEL_MM[:1]),
        "0.1 mm": ("2deg", GEL_MM[1:2]),
        "0.2 to 0.45 mm": ("2deg", GEL_MM[2:5]),
        "0.6 to 1.5 mm": ("2deg", GEL_MM[5:]),
        "none, 8° off": ("8deg", GEL_MM[:1]),
    }
    for kind in kinds:
        found = {}
        for group, (name, gels) in groups.items():
            if kind == "as computed" and gels[0]:
                continue  # its pulse would be moved as well
            found[group] = sum(
                (
                    outcome(*contact(name, kind, seed, gel_mm=gel_mm, n_traces=scans))
                    for gel_mm in gels
                    for seed in seeds
                ),
                Counter(),
            )
        yield kind, found


def main():
    held_out = "--held-out" in sys.argv
    given = [int(item) for item in sys.argv[1:] if item.isdigit()]
    n_seeds, scans = (*given, *(8, 3)[len(given) :])
    start = 7000 if held_out else 0
    made = list(rows(HELD_OUT if held_out else PULSES, range(start, start + n_seeds), scans))
    groups = list(max((found for _, found in made), key=len))
    print("| pulse | " + " | ".join(groups) + " | silent and wrong |")
    print("|---|" + "---|" * (len(groups) + 1))
    for kind, found in made:
        cells = [
            "{accepted}, {warned}, {rejected}".format_map({**_NOTHING, **found[group]})
            if group in found
            else "–"
            for group in groups
        ]
        silent = sum(item["silent"] for item in found.values())
        print(f"| {kind} | " + " | ".join(cells) + f" | {silent} |")


_NOTHING = {"accepted": 0, "warned": 0, "rejected": 0}

if __name__ == "__main__":
    main()
