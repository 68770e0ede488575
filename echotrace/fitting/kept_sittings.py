"""Drawn sittings kept in a folder: their traces with the truth, and a table of what they are.

Synthesis takes longer than all the rest of a fit; what is kept is measured again in a minute.
``python -m echotrace.fitting.kept_sittings FOLDER --seed S --sittings N`` makes a folder.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import asdict, dataclass
from pathlib import Path

from echotrace.errors import FileFormatError
from echotrace.files.atomic import save_text
from echotrace.files.native import read_recording, write_recording
from echotrace.fitting.calibration_draws import hash_of_tables
from echotrace.fitting.sitting_draws import draw_sitting, sitting_table
from echotrace.recording import Recording

__all__ = ["AboutSitting", "KeptSitting", "drawn_or_kept", "main"]


@dataclass(frozen=True, slots=True, kw_only=True)
class AboutSitting:
    """What is known of a drawn sitting; as :class:`~echotrace.fitting.sitting_draws.DrawnSitting`.

    Attributes
    ----------
    number, probe_kind : int
    method, state, hand : str
    oblique, receiver_told : bool
    length_mm, read_mm : float
    scenario_sha256 : str
        Of the scenario.

    Examples
    --------
    >>> drawn_or_kept(None, 3, 1, scans=1).about.method
    'contact'
    """

    number: int
    probe_kind: int
    method: str
    state: str
    hand: str
    oblique: bool
    receiver_told: bool
    length_mm: float
    read_mm: float
    scenario_sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptSitting:
    """Traces of a drawn sitting, and what is known of it.

    Attributes
    ----------
    recording : Recording
        With its truth.
    about : AboutSitting

    Examples
    --------
    >>> drawn_or_kept(None, 3, 1, scans=2).recording.n_traces
    2
    """

    recording: Recording
    about: AboutSitting


def drawn_or_kept(
    folder: Path | None,
    seed: int,
    number: int,
    *,
    scans: int = 5,
    noise_shift_db: float = 0.0,
) -> KeptSitting:
    """A sitting from a folder, or drawn and put there.

    Parameters
    ----------
    folder : Path, optional
        ``NUMBER.h5`` and ``NUMBER.json`` in a folder of the seed's. None: nothing is kept.
    seed, number, scans, noise_shift_db
        As for :func:`~echotrace.fitting.sitting_draws.draw_sitting`.

    Returns
    -------
    KeptSitting

    Raises
    ------
    FileFormatError
        What is kept there is another draw: the draws have changed since.

    Examples
    --------
    >>> first = drawn_or_kept(folder, 3, 1, scans=1)
    >>> again = drawn_or_kept(folder, 3, 1, scans=1)
    >>> again.about == first.about
    True
    """
    if folder is None:
        return _drawn(seed, number, scans, noise_shift_db)
    traces = folder / str(seed) / f"{number:05d}.h5"
    said = traces.with_suffix(".json")
    if said.exists():
        about = AboutSitting(**json.loads(said.read_text(encoding="utf-8")))
        table, _ = sitting_table(seed, number, scans=scans, noise_shift_db=noise_shift_db)
        if about.scenario_sha256 != hash_of_tables([table]):
            raise FileFormatError(f"{said}: kept from other draws; choose another folder")
        return KeptSitting(recording=read_recording(traces), about=about)
    made = _drawn(seed, number, scans, noise_shift_db)
    traces.parent.mkdir(parents=True, exist_ok=True)
    write_recording(made.recording, traces)
    save_text(said, json.dumps(asdict(made.about)) + "\n")
    return made


def _drawn(seed: int, number: int, scans: int, noise_shift_db: float) -> KeptSitting:
    drawn = draw_sitting(seed, number, scans=scans, noise_shift_db=noise_shift_db)
    about = AboutSitting(
        number=number,
        probe_kind=drawn.probe_kind,
        method=drawn.method,
        state=drawn.state,
        hand=drawn.hand,
        oblique=drawn.oblique,
        receiver_told=drawn.receiver_told,
        length_mm=drawn.length_mm,
        read_mm=drawn.read_mm,
        scenario_sha256=hash_of_tables([drawn.table]),
    )
    return KeptSitting(recording=drawn.recording, about=about)


def main(arguments: list[str] | None = None) -> int:
    """Draw sittings, synthesise their traces, and keep both.

    Parameters
    ----------
    arguments : list of str, optional
        Those of the process where it is None.

    Returns
    -------
    int
        0.

    Examples
    --------
    >>> main([str(folder), "--seed", "3", "--sittings", "1"])
    0
    """
    from tqdm import tqdm

    parser = argparse.ArgumentParser(
        description=main.__doc__, prog="python -m echotrace.fitting.kept_sittings"
    )
    parser.add_argument("folder", type=Path, help="where they are kept, in a folder of the seed's")
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--sittings", type=int, required=True)
    parser.add_argument("--scans", type=int, default=5, help="of each sitting (default 5)")
    given = parser.parse_args(arguments)
    for number in tqdm(range(given.sittings), unit="sitting", disable=None):
        drawn_or_kept(given.folder, given.seed, number, scans=given.scans)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
