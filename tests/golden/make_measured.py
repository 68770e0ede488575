"""Write what is measured of the shipped recordings, for ``tests/test_measured.py``.

python tests/golden/make_measured.py

Rerun it after a change that is meant to move numbers, look at the difference line by line, and say
in the commit why they move. A change that is not meant to move any must leave the file alone.
"""

import json
import math
from pathlib import Path

import echotrace as et

FOLDER = Path(__file__).parents[2] / "synthetic_traces"
FILE = Path(__file__).parent / "measured.json"

# What two processors, or compiled and plain Python, may differ by: about ten times the most that
# was seen (delays and lengths 3.3e-7, uncertainties of delays 2e-4 of themselves, probabilities
# 3.6e-7). A sample is 0.01 us.
TOLERANCE = {
    "delay_us": (3e-6, 0.0),
    "delay_u_us": (1e-7, 5e-3),
    "length_mm": (3e-6, 0.0),
    "axial_length_mm": (3e-6, 0.0),
    "axial_length_u_mm": (1e-7, 5e-3),
    "axial_length_u_shared_mm": (3e-7, 0.0),
    "length_right": (5e-6, 0.0),
    "aligned": (5e-6, 0.0),
    "mean_mm": (3e-6, 0.0),
    "sd_mm": (3e-6, 0.0),
    "u_combined_mm": (3e-7, 1e-3),
    "expanded_mm": (3e-7, 1e-3),
}
"""By quantity: how far a value may lie from the stored one, in its unit and as a part of it.
Everything else (findings, acceptance, numbers of scans) is exact."""


def _rounded(name, value):
    """A number to a tenth of its tolerance; None where there is none."""
    digits = 1 - math.floor(math.log10(TOLERANCE[name][0]))
    return None if math.isnan(value) else round(float(value), digits)


def measured(path):
    """What is measured of a recording, rounded.

    Parameters
    ----------
    path : Path

    Returns
    -------
    dict
        ``scans`` and ``sittings``: one dict each, in order.
    """
    result = et.measure(et.read(path))
    scans = []
    for k in range(result.n_traces):
        scan = {"scan": k + 1}
        for name, columns in (("delay_us", result.interfaces), ("delay_u_us", result.interfaces)):
            values = getattr(result, name)[k]
            scan[name] = {c: _rounded(name, v) for c, v in zip(columns, values, strict=True)}
        scan["length_mm"] = {
            c: _rounded("length_mm", v)
            for c, v in zip(result.segments, result.length_mm[k], strict=True)
        }
        for name in (
            "axial_length_mm",
            "axial_length_u_mm",
            "axial_length_u_shared_mm",
            "length_right",
            "aligned",
        ):
            scan[name] = _rounded(name, getattr(result, name)[k])
        scan["findings"] = list(result.finding_list(k))
        scan["accepted"] = bool(result.accepted[k])
        scans.append(scan)
    sittings = []
    for sitting in et.summarise(result):
        row = {"n": sitting.n, "n_accepted": sitting.n_accepted}
        for name in ("mean_mm", "sd_mm", "u_combined_mm", "expanded_mm"):
            row[name] = _rounded(name, getattr(sitting, name))
        row["findings"] = [finding.name for finding in sitting.findings]
        row["outliers"] = [int(item) + 1 for item in sitting.outliers]
        sittings.append(row)
    return {"scans": scans, "sittings": sittings}


def differences(found, stored, where=""):
    """Every place in which two results differ by more than the tolerance.

    Parameters
    ----------
    found, stored
        As :func:`measured` gives them, or parts of them.
    where : str
        Path to the part: its last name but that of an interface chooses the tolerance.

    Returns
    -------
    list of str
    """
    if isinstance(found, dict) and isinstance(stored, dict):
        places = [f"{where}: {sorted(set(found) ^ set(stored))} only once"]
        if found.keys() == stored.keys():
            places = []
        for key in found.keys() & stored.keys():
            places += differences(found[key], stored[key], f"{where}/{key}")
        return sorted(places)
    if isinstance(found, list) and isinstance(stored, list) and len(found) == len(stored):
        return [
            place
            for k, pair in enumerate(zip(found, stored, strict=True), 1)
            for place in differences(*pair, f"{where}/{k}")
        ]
    quantity = next((name for name in reversed(where.split("/")) if name in TOLERANCE), None)
    if quantity and isinstance(found, float) and isinstance(stored, float):
        absolute, relative = TOLERANCE[quantity]
        allowed = absolute + relative * abs(stored)
        if abs(found - stored) <= allowed:
            return []
        return [f"{where}: {found!r}, stored {stored!r}, tolerance {allowed:.2g}"]
    return [] if found == stored else [f"{where}: {found!r}, stored {stored!r}"]


def text_of(everything):
    """JSON of which each scan and each sitting is a line, so that differences can be read."""
    recordings = []
    for name, parts in everything.items():
        rows = [
            f'  "{key}": [\n' + ",\n".join(f"   {json.dumps(row)}" for row in parts[key]) + "\n  ]"
            for key in parts
        ]
        recordings.append(f' "{name}": {{\n' + ",\n".join(rows) + "\n }")
    return "{\n" + ",\n".join(recordings) + "\n}\n"


if __name__ == "__main__":
    FILE.write_text(
        text_of({path.stem: measured(path) for path in sorted(FOLDER.glob("*.h5"))}),
        encoding="utf-8",
    )
