"""Pages of the reference, made from the list of public names: one page a group, one a name."""

from __future__ import annotations

from pathlib import Path

import echotrace

LEADS = {
    "read and write": "From files to recordings and measurements, and back.",
    "simulate": "Recordings from a scenario, with the truth attached.",
    "targets and settings": "What the beam passes, and what the user sets.",
    "bounds and tuning": "Settings tried on known truth, against theory and a reference block.",
    "the steps on arrays": "Each step of the chain on plain arrays, to be called alone.",
    "measure": "The composition of the steps: from recordings to lengths, findings and scores.",
    "a sitting": "What the scans of one eye say together.",
    "studies": "Repeatability and agreement over many eyes.",
    "lens power": "What a length and its uncertainty mean for lens power.",
    "pictures": "Figures from data; each takes or returns an axes and shows nothing.",
    "errors": "Bad input is told in one line: file, field, remedy.",
}


def _page(title: str, lead: str, package: str, names: list[str]) -> str:
    rows = "\n".join(f"   {package}.{name}" for name in names)
    return (
        f"{title.capitalize()}\n{'=' * len(title)}\n\n{lead}\n\n"
        f".. autosummary::\n   :toctree: generated\n   :nosignatures:\n\n{rows}\n"
    )


def write(folder: Path) -> None:
    """Write the pages of every group; a group without a lead is an error."""
    folder.mkdir(exist_ok=True)
    entries = []
    for group, names in echotrace.PUBLIC_GROUPS.items():
        stem = group.replace(" ", "_")
        if group == "lens power":
            body = _page(group, LEADS[group], "echotrace.power", list(echotrace.power.__all__))
        else:
            body = _page(group, LEADS[group], "echotrace", list(names))
        (folder / f"{stem}.rst").write_text(body, encoding="utf-8")
        entries.append(stem)
    toc = "\n".join(f"   {entry}" for entry in entries)
    (folder / "index.rst").write_text(
        "Reference\n=========\n\nPublic names, by the way of the data. ``import echotrace as et`` "
        "is all that is needed.\n\n.. toctree::\n   :maxdepth: 2\n\n" + toc + "\n",
        encoding="utf-8",
    )
