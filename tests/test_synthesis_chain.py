"""What the measuring chain makes of synthetic traces: bias of its picks, and the two methods."""

import numpy as np
import pytest

import echotrace as et
from echotrace.synthesis import Synthesis, synthesise

STILL = {"tilt_sd_deg": 0.0, "decentration_sd_mm": 0.0, "fixation_sd_deg": 0.0}


@pytest.mark.parametrize("kind", ["immersion", "contact"])
def test_matched_filter_picks_have_no_bias_on_axis(kind):
    recording = synthesise({"method": {"kind": kind}, "pose": STILL, "scans": 64}, 5)
    result = et.measure(recording)
    for name in ("cornea_front", "lens_front", "lens_back", "retina"):
        n = recording.truth.interfaces.index(name)
        # The echo of a disc of finite size comes later than the arrival along the beam by its
        # diffraction. Where that tilts the echo's spectrum (most at the lens back in contact: 6 dB
        # over the band) an echo has no one arrival; a matched filter reads where the transmitted
        # pulse fits best, and the truth says where that is for each echo by itself, without
        # noise and neighbours.
        fit_us = recording.truth.delay_us[:, n] + recording.truth.columns[f"{name}_fit_shift_us"]
        bias_samples = np.mean(result.delay_us[:, n] - fit_us) * 100.0
        assert abs(bias_samples) < 0.1, name


def test_crest_and_best_fit_come_apart_where_diffraction_tilts_the_spectrum():
    columns = synthesise(
        {"method": {"kind": "contact"}, "pose": STILL, "scans": 1}, 5
    ).truth.columns
    apart = {
        name: 100.0 * (columns[f"{name}_fit_shift_us"] - columns[f"{name}_echo_shift_us"])[0]
        for name in ("cornea_front", "lens_front", "lens_back", "retina")
    }
    assert apart["cornea_front"] == pytest.approx(0.0, abs=0.005)
    assert apart["lens_back"] == pytest.approx(-0.16, abs=0.02)  # samples; 1.2 µm
    assert max(abs(value) for value in apart.values()) < 0.2


def test_measuring_never_reads_the_truth():
    recording = synthesise({"scans": 4, "pose": {"tilt_sd_deg": 1.0}}, 6)
    with_truth, without = et.measure(recording), et.measure(recording.without_truth())
    assert np.array_equal(with_truth.delay_us, without.delay_us, equal_nan=True)
    assert np.array_equal(with_truth.axial_length_mm, without.axial_length_mm, equal_nan=True)
    assert np.array_equal(with_truth.length_right, without.length_right, equal_nan=True)


def virtual_study(kind, pose=None, eyes=60):
    """Accepted lengths of a population, (n_eyes, 5)."""
    tables = {
        "method": {"kind": kind},
        "eye": {"model": "population", "eyes": eyes},
        "pose": pose or {},
        "scans": 5,
    }
    rows = []
    for block in Synthesis(tables, seed=40).blocks(5 * eyes, 50):
        result = et.measure(block)
        rows.append(np.where(result.accepted, result.axial_length_mm, np.nan))
    return np.concatenate(rows).reshape(eyes, 5)


def spread_per_eye(lengths):
    enough = np.isfinite(lengths).sum(axis=1) >= 3
    return np.nanstd(lengths[enough], axis=1, ddof=1)


@pytest.mark.slow
def test_contact_reads_shorter_and_scatters_more_than_immersion():
    lengths = {kind: virtual_study(kind) for kind in ("immersion", "contact")}
    # The median of an eye, so that a scan whose echoes were mistaken does not decide.
    difference = np.nanmedian(lengths["contact"], axis=1) - np.nanmedian(
        lengths["immersion"], axis=1
    )
    difference = difference[np.isfinite(difference)]
    assert difference.size >= 50
    # Published: -0.20 ± 0.26 mm (n = 92, Ademola-Popoola 2016), -0.15 (1998 trial), -0.29
    # (Hitzenberger 1993).
    assert -0.29 < np.mean(difference) < -0.10
    assert 0.15 < np.std(difference, ddof=1) < 0.38
    # Per eye 0.14 ± 0.12 mm in contact against 0.03 ± 0.04 by immersion (Ademola-Popoola 2016).
    # Contact comes out so; immersion, held as steadily as the default hand, comes out smaller: see
    # synthetic_traces/README.md for what is not modelled.
    contact, immersion = (spread_per_eye(lengths[kind]) for kind in ("contact", "immersion"))
    assert 0.08 < contact.mean() < 0.20
    assert 0.08 < contact.std(ddof=1) < 0.18
    assert 0.0005 < immersion.mean() < 0.006
    assert contact.mean() / immersion.mean() > 0.14 / 0.03


@pytest.mark.slow
def test_immersion_scatters_as_published_when_the_shell_sits_loosely():
    # Sideways 0.6 mm in each direction; by immersion 0.03 ± 0.04 mm, 0 to 0.3 (Ademola-Popoola
    # 2016). How well a shell is centred has no published value that we know of.
    spread = spread_per_eye(virtual_study("immersion", {"decentration_sd_mm": 0.6}, 40))
    assert 0.01 < spread.mean() < 0.06
    assert 0.01 < spread.std(ddof=1) < 0.06
    assert spread.max() < 0.3
