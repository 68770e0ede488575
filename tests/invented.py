"""Invented recordings and measurements for the tests of the file layer."""

import io
import math

import numpy as np

from echotrace.files.seal import TAIL, seal
from echotrace.measurement import Measurement
from echotrace.quality.finding_list import FINDINGS
from echotrace.recording import COLUMNS, Column, Probe, Receiver, Recording, Truth


def spread(shape, salt):
    """Numbers in [0, 1) by a formula: the golden files outlive any random generator.

    Only products, sums and remainders, which IEEE 754 rounds alike on every machine.
    """
    return ((np.arange(np.prod(shape)) + 1) * 0.6180339887 + salt * 0.1370731).reshape(shape) % 1.0


def recording(n_traces=6, n_samples=64, *, dtype=np.int16, seed=0, **changes):
    samples = np.floor(4000 * spread((n_traces, n_samples), seed)) - 2000
    fields = {
        "samples": samples.astype(dtype),
        "sampling_rate_hz": 1e8,
        "start_delay_us": -1 / 3,
        "method": ["contact", "immersion"] * (n_traces // 2) + ["contact"] * (n_traces % 2),
        "eye": "right",
        "lens_state": "phakic",
        "subject": [f"S-{k // 2} é" for k in range(n_traces)],
        "operator": "B",
        "sitting": [str(k % 3) for k in range(n_traces)],
        "probe": Probe(centre_frequency_hz=1e7, aperture_mm=7.0, focus_mm=math.inf),
        "receiver": Receiver(
            tgc_delay_us=(0.0, 10.0), tgc_gain_db=(0.0, 20.5), full_scale=2.5, bits=12
        ),
        "gain_db": np.where(np.arange(n_traces) == 1, np.nan, 40.25),
        "truth": Truth(
            interfaces=("cornea_front", "retina"),
            delay_us=np.where(
                spread((n_traces, 2), 1) < 0.3, np.nan, 30.0 + spread((n_traces, 2), 2)
            ),
            columns={
                "axial_length_mm": 23.0 + spread(n_traces, 3),
                "tilt_deg": spread(n_traces, 4).astype(np.float32),
                "layer": np.arange(n_traces, dtype=np.int64),
            },
        ),
        "attributes": {
            "source": "synthetic",
            "seed": str(seed),
            "history": "2026-01-02T03:04:05Z invented",
            "note": "two\nlines, é µ",
            "empty": "",
        },
    }
    return Recording(**{**fields, **changes})


def measurement(n_traces=6, **changes):
    labels = recording(max(n_traces, 1)).select(slice(0, max(n_traces, 1)))
    fields = {
        "interfaces": ("cornea_front", "lens_front", "retina"),
        "segments": ("aqueous", "vitreous"),
        "delay_us": np.where(
            spread((n_traces, 3), 1) < 0.3, np.nan, 20.0 + spread((n_traces, 3), 2)
        ),
        "delay_u_us": spread((n_traces, 3), 4) / 100.0,
        "length_mm": spread((n_traces, 2), 5) * 20.0,
        "axial_length_mm": np.where(np.arange(n_traces) == 2, np.nan, 23.5 + spread(n_traces, 6)),
        "axial_length_u_mm": spread(n_traces, 7) / 50.0,
        "axial_length_u_shared_mm": spread(n_traces, 8) / 50.0,
        "length_right": spread(n_traces, 9),
        "aligned": spread(n_traces, 10),
        "findings": (np.arange(n_traces) % 8).astype(np.uint64),
        "finding_names": ("off_axis", "clipped", "echo_missing"),
        "accepted": np.arange(n_traces) % 2 == 0,
        "decided_by": (np.arange(n_traces) % 2).astype(np.uint8),
        "features": {"snr_db": (30.0 + spread(n_traces, 20)).astype(np.float32)},
        "settings_json": '{"gate": "é"}',
        "attributes": {"source": "synthetic"},
        **{name: getattr(labels, name).take(slice(0, n_traces)) for name in COLUMNS},
    }
    return Measurement(**{**fields, **changes})


def same_array(a, b):
    a, b = np.asarray(a), np.asarray(b)
    assert a.dtype == b.dtype
    assert a.shape == b.shape
    # Bytes, so that NaN, -0.0 and the last bit count.
    assert a.tobytes() == b.tobytes()


def same_labels(a, b):
    for name in COLUMNS:
        one, other = getattr(a, name), getattr(b, name)
        assert one.labels == other.labels, name
        same_array(one.codes, other.codes)


def same_recording(a, b):
    same_array(a.samples[:], b.samples[:])
    for name in ("sampling_rate_hz", "start_delay_us", "signal", "receiver"):
        assert getattr(a, name) == getattr(b, name), name
    assert repr(a.probe) == repr(b.probe)
    same_array(a.gain_db, b.gain_db)
    same_labels(a, b)
    assert dict(a.attributes) == dict(b.attributes)
    assert (a.truth is None) == (b.truth is None)
    if a.truth is not None:
        assert a.truth.interfaces == b.truth.interfaces
        same_array(a.truth.delay_us, b.truth.delay_us)
        assert set(a.truth.columns) == set(b.truth.columns)
        for name in a.truth.columns:
            same_array(a.truth.columns[name], b.truth.columns[name])


def same_measurement(a, b):
    for name in (
        "delay_us", "delay_u_us", "length_mm", "axial_length_mm", "axial_length_u_mm",
        "axial_length_u_shared_mm", "length_right", "aligned", "findings", "accepted",
        "decided_by",
    ):  # fmt: skip
        same_array(getattr(a, name), getattr(b, name))
    for name in ("interfaces", "segments", "finding_names", "settings_json"):
        assert getattr(a, name) == getattr(b, name), name
    same_labels(a, b)
    assert dict(a.attributes) == dict(b.attributes)
    assert set(a.features) == set(b.features)
    for name in a.features:
        same_array(a.features[name], b.features[name])


def sitting_of(lengths, *, accepted=None, method="immersion", chamber=None, u=0.002, **labels):
    """One sitting of a phakic eye by its lengths, and by its chambers where they matter."""
    lengths = np.asarray(lengths, np.float64)
    n = lengths.size
    given = {
        "subject": "invented-01",
        "eye": "right",
        "method": method,
        "lens_state": "phakic",
        "lens_material": "none",
        "vitreous": "natural",
        "operator": "p",
        "sitting": "1",
        "target": "eye",
        **labels,
    }
    aqueous = np.full(n, 3.0) if chamber is None else np.asarray(chamber)
    segments = np.column_stack(
        [np.full(n, 0.55), aqueous, np.full(n, 4.5), lengths - 5.05 - aqueous]
    )
    return Measurement(
        interfaces=("cornea_front", "lens_front", "lens_back", "retina"),
        segments=("cornea", "aqueous", "lens", "vitreous"),
        delay_us=np.ones((n, 4)),
        delay_u_us=np.full((n, 4), 0.003),
        length_mm=segments,
        axial_length_mm=lengths,
        axial_length_u_mm=np.full(n, u),
        axial_length_u_shared_mm=np.full(n, 0.04),
        length_right=np.ones(n),
        aligned=np.ones(n),
        findings=np.zeros(n, np.uint64),
        finding_names=tuple(FINDINGS),
        accepted=np.ones(n, bool) if accepted is None else np.asarray(accepted),
        decided_by=np.zeros(n, np.uint8),
        **{name: Column.of(given[name], n, name) for name in COLUMNS},
    )


def unsealed(raw):
    """The bytes of a native file as HDF5 alone would have written them."""
    _, size, *_ = TAIL.unpack(raw[-TAIL.size :])
    return raw[:size]


def resealed(raw):
    """The bytes of a native file without seal under a new one, as if they had been written so."""
    file = io.BytesIO(raw)
    seal(file, len(raw))
    return file.getvalue()
