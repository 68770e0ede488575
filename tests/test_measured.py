"""What is measured of every shipped recording stays as it is stored, within stated tolerances.

Nothing outside the project is compared here: this is what shows that a change moves numbers. They
are meant to move? ``python tests/golden/make_measured.py``, and the commit says why.
"""

import copy
import json
import sys
from pathlib import Path

import pytest

GOLDEN = Path(__file__).parent / "golden"
sys.path.insert(0, str(GOLDEN))

from make_measured import FILE, FOLDER, TOLERANCE, differences, measured, text_of  # noqa: E402

STORED = json.loads(FILE.read_text(encoding="utf-8"))


def test_every_shipped_recording_is_stored():
    assert sorted(STORED) == sorted(path.stem for path in FOLDER.glob("*.h5"))
    assert sorted(STORED) == sorted(path.stem for path in FOLDER.glob("*.toml"))


@pytest.mark.parametrize("name", sorted(STORED))
def test_measured_as_stored(name):
    found = differences(measured(FOLDER / f"{name}.h5"), STORED[name], name)
    assert not found, "\n".join(found)


@pytest.mark.parametrize("quantity", sorted(TOLERANCE))
def test_a_change_beyond_the_tolerance_is_seen(quantity):
    """In every quantity, and a change within it is not."""
    stored = STORED["immersion_sitting"]
    row = "scans" if quantity in stored["scans"][0] else "sittings"
    for part, seen in ((0.5, False), (1.5, True)):
        moved = copy.deepcopy(stored)
        place = moved[row][0]
        key = quantity
        if isinstance(place[key], dict):
            place, key = place[key], "retina" if "delay" in key else "lens"
        absolute, relative = TOLERANCE[quantity]
        place[key] += part * (absolute + relative * abs(place[key]))
        assert bool(differences(moved, stored)) is seen


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda scan: scan.update(findings=["gain_too_high"]), "findings"),
        (lambda scan: scan.update(accepted=not scan["accepted"]), "accepted"),
        (lambda scan: scan.update(axial_length_mm=None), "axial_length_mm: None"),
        (lambda scan: scan["delay_us"].pop("retina"), "['retina'] only once"),
    ],
)
def test_what_is_exact_is_exact(change, words):
    stored = STORED["contact_sitting"]
    moved = copy.deepcopy(stored)
    change(moved["scans"][2])
    (found,) = differences(moved, stored)
    assert "/scans/3" in found
    assert words in found


def test_the_file_is_as_the_script_writes_it():
    assert FILE.read_text(encoding="utf-8") == text_of(STORED)
