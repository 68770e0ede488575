"""The command that fits the two probabilities to wide synthetic draws.

``python -m echotrace.fitting.calibration`` refits the shipped models: it draws, synthesises and
measures the sets of :data:`~echotrace.fitting.score_sets.SHIPPED_SETS`, keeps what was measured
with its truth in ``echotrace/data/score_draws.npz``, fits, and writes ``score_model.toml`` beside
it with its provenance. With ``--workers 2`` that takes a quarter of an hour, and three minutes
where ``--traces FOLDER`` has kept the traces from before. What the other scans of a sitting say is
measured with the models that are there: after a change of ``length_right`` run it twice.
``--refit`` begins with the measured sets that are there.
"""

from __future__ import annotations

import argparse
import datetime
from collections.abc import Mapping
from pathlib import Path

from echotrace import __version__
from echotrace.fitting.score_fit import fit_models, models_toml
from echotrace.fitting.score_sets import (
    ALIGNED_DECENTRATION_MM,
    ALIGNED_TILT_DEG,
    DATA,
    RIGHT_MM,
    SHIPPED_SETS,
    draws_hash,
    make_sets,
    read_sets,
    write_sets,
)
from echotrace.quality.score import ScoreModel

__all__ = ["main", "write_models"]


def main(arguments: list[str] | None = None) -> int:
    """Refit the probabilities: write the measured draws and the models.

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
    >>> main(["--refit", "--folder", "copy"])  # doctest: +SKIP
    """
    from tqdm import tqdm

    parser = argparse.ArgumentParser(
        description=main.__doc__, prog="python -m echotrace.fitting.calibration"
    )
    parser.add_argument(
        "--folder", type=Path, default=DATA, help="where the two files lie (the package's data)"
    )
    parser.add_argument(
        "--refit", action="store_true", help="take the measured draws that lie there"
    )
    parser.add_argument(
        "--traces", type=Path, help="folder in which synthesised traces are kept and found again"
    )
    parser.add_argument("--workers", type=int, default=1, help="processes (default 1)")
    given = parser.parse_args(arguments)
    table = given.folder / "score_draws.npz"
    if not given.refit:
        total = sum(item.sittings for item in SHIPPED_SETS.values())
        with tqdm(total=total, unit="sitting", disable=None) as bar:
            sets = make_sets(
                SHIPPED_SETS, traces=given.traces, workers=given.workers, progress=bar.update
            )
        write_sets(table, sets)
    write_models(given.folder / "score_model.toml", fit_models(read_sets(table)["fit"]))
    return 0


def write_models(path: Path, models: Mapping[str, ScoreModel]) -> None:
    """Write the model file with its provenance.

    Parameters
    ----------
    path : Path
    models : mapping of str to ScoreModel

    Examples
    --------
    >>> from echotrace.quality.score import shipped_models
    >>> write_models(folder / "score_model.toml", shipped_models())
    >>> (folder / "score_model.toml").read_text(encoding="utf-8").startswith("[provenance]")
    True
    """
    from echotrace.files.atomic import save_text

    draws = SHIPPED_SETS["fit"]
    provenance = {
        "made_by": f"python -m echotrace.fitting.calibration, echotrace {__version__}",
        "date": datetime.datetime.now(datetime.UTC).date().isoformat(),
        "fitted_to": "invented eyes of the synthesis; no patient data",
        "length_right": f"within {RIGHT_MM:g} mm of the eye, pressing and speeds apart",
        "aligned": f"tilt to {ALIGNED_TILT_DEG:g} deg, decentration to "
        f"{ALIGNED_DECENTRATION_MM:g} mm",
        "fit_draws": f"seed {draws.seed}, {draws.sittings} sittings of {draws.scans} scans",
        "fit_scenarios_sha256": draws_hash(draws),
    }
    save_text(path, models_toml(models, provenance))


if __name__ == "__main__":
    raise SystemExit(main())
