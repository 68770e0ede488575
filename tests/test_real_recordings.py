"""Recordings that nobody here simulated: real pulse-echo traces of blocks.

The files belong to others and are not part of this project; where they are not at hand the tests
are skipped and say so.
"""

from pathlib import Path

import numpy as np
import pytest

from echotrace.chain.measure import measure
from echotrace.errors import EchotraceWarning
from echotrace.files.importing import import_recording
from echotrace.media import Medium
from echotrace.recording import Probe
from echotrace.settings import PickingSettings, Settings, TargetGate
from echotrace.signal.gates import Gate
from echotrace.target import Interface, Segment, Target

DATA = Path(__file__).resolve().parents[2] / "shared" / "data"


def _file(name):
    path = DATA / name
    if not path.exists():
        pytest.skip(f"no real recording {name} on this machine: it is not part of the project")
    return path


def _layer(name, speed, low, high):
    medium = Medium(name=name, speed_m_per_s=speed, speed_u_m_per_s=0.0, source="the data's README")
    return Segment(
        name=name, medium=medium, mean_mm=(low + high) / 2, sd_mm=(high - low) / 4,
        range_mm=(low, high),
    )  # fmt: skip


def _gate(interface, start, stop, relative_to=""):
    return TargetGate(
        method="any",
        target="any",
        gate=Gate(interface=interface, start_us=start, stop_us=stop, relative_to=relative_to),
    )


@pytest.mark.compiled
@pytest.mark.parametrize("picker", ["leading_edge_fraction", "matched_filter"])
@pytest.mark.parametrize("choice", ["jointly", "gate_by_gate"])
def test_acrylic_and_aluminium_block(picker, choice):
    """Acrylic of 31 mm at 2730 m/s and aluminium of 50 mm at 6320 m/s under water.

    Source: M. H. Skjelvareid, synaptus repository, PlaneScan3D_PlexiAluFBH. 370 positions, some
    of them over flat-bottom holes; 12.5 MHz sampling and a front echo that is strongly clipped. A
    half-height reading of the leading edges by hand gave 31.09 and 48.87 mm.
    """
    recording = import_recording(
        _file("three_layer_block.npz"),
        variable="rf",
        sampling_rate_variable="fs",
        start_delay_variable="t0_us",
        signal="rf",
        method="other",
        target="acrylic_on_aluminium",
        probe=Probe(centre_frequency_hz=2.25e6, fractional_bandwidth=0.6),
    )
    assert recording.sampling_rate_hz == 12.5e6
    assert recording.start_delay_us == pytest.approx(81.0)
    target = Target(
        name="acrylic_on_aluminium",
        interfaces=tuple(Interface(name=n) for n in ("front", "bond", "back")),
        segments=(_layer("acrylic", 2730.0, 28.0, 34.0), _layer("aluminium", 6320.0, 40.0, 60.0)),
        length_from="front",
        length_to="back",
        temperature_c=20.0,
    )
    settings = Settings(
        picking=PickingSettings(picker=picker, choice=choice),
        gates=(
            _gate("front", 83.0, 89.0),
            _gate("bond", 20.5, 25.0, "front"),
            _gate("back", 13.0, 18.5, "bond"),
        ),
    )
    result = measure(recording, settings, target=target)
    # Nothing outside the gates, though the transmit pulse and what rings after it are taller.
    front, bond, back = result.delay_us.T
    for delay, low, high in (
        (front, 83.0, 89.0),
        (bond - front, 20.5, 25.0),
        (back - bond, 13.0, 18.5),
    ):
        found = delay[np.isfinite(delay)]
        # The pick is read off the echo whose crest lies inside: a fraction of the 0.44 µs period.
        assert ((found > low - 0.5) & (found < high + 0.5)).all()
    acrylic, aluminium = result.length_mm.T
    assert np.isfinite(acrylic).mean() > 0.95
    # 1.5 % of the nominal thickness for the clipped front and one sample (0.11 mm) of acrylic;
    # 3.5 % where the last echo has another shape (the reading by hand is 2.3 % short as well).
    assert np.nanmedian(acrylic) == pytest.approx(31.0, abs=0.5)
    assert np.nanmedian(aluminium) == pytest.approx(50.0, abs=1.75)
    # What was clipped is said to be clipped.
    assert result.has_finding("gain_too_high").mean() > 0.95


@pytest.mark.compiled
def test_repeated_back_wall_echoes():
    """Echoes of one plate at 39.77 and 79.42 µs: their spacing is the delay of the first.

    Source: un0rick repository, usb folder (32 repeats of one target at rising gain, 64 MHz
    sampling, thickness not stated).
    """
    recording = import_recording(
        _file("repeated_backwall.npz"),
        variable="rf",
        sampling_rate_variable="fs",
        start_delay_variable="t0_us",
        signal="rf",
        method="other",
        target="plate",
        probe=Probe(centre_frequency_hz=3.3e6, fractional_bandwidth=0.3),
    )
    assert recording.n_traces == 32
    water = _layer("water", 1480.0, 25.0, 32.0)
    target = Target(
        name="plate",
        interfaces=(Interface(name="first"), Interface(name="second")),
        segments=(water,),
        length_from="first",
        length_to="second",
        temperature_c=20.0,
    )
    settings = Settings(
        gates=(_gate("first", 37.0, 43.0), _gate("second", 38.0, 42.0, "first")),
    )
    # The recorder's own zero, some 2 counts of 128 away.
    with pytest.warns(EchotraceWarning, match="off zero"):
        result = measure(recording, settings, target=target)
    first, second = result.delay_us.T
    assert np.isfinite(second).all()
    spacing = second - first
    # The main bang's own delay is not stated; within a period and a half of the carrier the two
    # agree, and the 32 repeats agree with each other to a small part of it.
    assert np.median(spacing) == pytest.approx(39.65, abs=0.45)
    assert np.median(first) == pytest.approx(39.77, abs=0.45)
    assert np.std(first) < 0.02
    assert np.std(spacing) < 0.05
