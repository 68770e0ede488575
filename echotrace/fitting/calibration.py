"""The command that fits the score to wide synthetic draws.

``python -m echotrace.fitting.calibration`` refits the shipped model: it draws, synthesises and
measures the sets of :data:`~echotrace.fitting.score_sets.SHIPPED_SETS` (an hour on one core),
keeps what was measured with its truth in ``echotrace/data/score_draws.npz``, fits, and writes
``echotrace/data/score_model.toml`` with its provenance. ``--refit`` begins with the measured sets
that are there.
"""

from __future__ import annotations

import argparse
import datetime
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from echotrace import __version__
from echotrace.fitting.score_fit import fit_models, models_toml
from echotrace.fitting.score_sets import (
    ALIGNED_DECENTRATION_MM,
    ALIGNED_TILT_DEG,
    DATA,
    SHIPPED_SETS,
    draws_hash,
    join_sets,
    read_sets,
    score_set,
    write_sets,
)
from echotrace.quality.score import ScoreModel

__all__ = ["main", "write_models"]


def main(arguments: list[str] | None = None) -> int:
    """Refit the score: write the measured draws and the model.

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
    given = parser.parse_args(arguments)
    table = given.folder / "score_draws.npz"
    if not given.refit:
        sets = {}
        total = sum(item.scenarios for item in SHIPPED_SETS.values())
        with tqdm(total=total, unit="scenario", disable=None) as bar:
            for name, draws in SHIPPED_SETS.items():
                sets[name] = score_set(draws, progress=lambda *_: _advance(bar))
        write_sets(table, sets)
    sets = read_sets(table)
    models = fit_models(join_sets([sets["fit"], sets["fit_more"]]))
    write_models(given.folder / "score_model.toml", models)
    return 0


def _advance(bar: Any) -> None:
    bar.update()


def write_models(path: Path, models: Mapping[str, ScoreModel]) -> None:
    """Write the model file with its provenance.

    Parameters
    ----------
    path : Path
    models : mapping of str to ScoreModel

    Examples
    --------
    >>> write_models(Path("score_model.toml"), fit_models(data))  # doctest: +SKIP
    """
    from echotrace.files.atomic import save_text

    draws = {name: SHIPPED_SETS[name] for name in ("fit", "fit_more")}
    provenance = {
        "made_by": f"python -m echotrace.fitting.calibration, echotrace {__version__}",
        "date": datetime.datetime.now(datetime.UTC).date().isoformat(),
        "fitted_to": "invented eyes of the synthesis; no patient data",
        "aligned": f"tilt to {ALIGNED_TILT_DEG:g} deg, decentration to "
        f"{ALIGNED_DECENTRATION_MM:g} mm",
    }
    for name, item in draws.items():
        provenance[f"{name}_draws"] = (
            f"seed {item.seed}, {item.scenarios} scenarios of {item.poses} traces"
        )
        provenance[f"{name}_scenarios_sha256"] = draws_hash(item)
    save_text(path, models_toml(models, provenance))


if __name__ == "__main__":
    raise SystemExit(main())
