"""Finished trials of a sweep, kept beside its table until that is complete."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from echotrace.errors import FileFormatError
from echotrace.files.atomic import save_text, writing
from echotrace.many.run_folder import RunFolder, parts_folder
from echotrace.tuning.trial import Trial

__all__ = ["KeptTrials", "finish"]


class KeptTrials(RunFolder):
    """The folder of a sweep: manifest and lock as of a long measurement, and trials as JSON."""

    def save_trial(self, trial: Trial, number: int) -> None:
        """Keep a finished trial.

        Parameters
        ----------
        trial : Trial
        number : int
            Its place in the run.
        """
        text = json.dumps(_plain(dataclasses.asdict(trial)))
        seal = self._seal(text, number)
        save_text(self.path / f"{number:012d}.part", f"{seal}\n{text}\n")

    def finished_trials(self) -> Iterator[Trial]:
        """Trials that an earlier run has finished, in order.

        Yields
        ------
        Trial

        Raises
        ------
        FileFormatError
            One is damaged, or is not the one that belongs there.
        """
        for number, file in enumerate(self._files()):
            if int(file.stem) != number:
                # What does not follow on the one before is of no use.
                with writing(self.path):
                    file.unlink()
                continue
            seal, _, text = file.read_text(encoding="utf-8", errors="replace").partition("\n")
            if seal != self._seal(text.rstrip("\n"), number):
                raise FileFormatError(f"{file}: is damaged; delete it, and resume again")
            table = _read(json.loads(text))
            yield Trial(**table | {"rows": tuple(table["rows"])})

    def _seal(self, text: str, number: int) -> str:
        return hashlib.sha256(f"{self._place(number)}\n{text}".encode()).hexdigest()


def _plain(value: Any) -> Any:
    """NaN has no word in JSON."""
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    return None if isinstance(value, float) and math.isnan(value) else value


def _read(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _read(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_read(v) for v in value]
    return math.nan if value is None else value


def finish(output: str | Path) -> None:
    """Remove what was kept, once the table is written.

    Parameters
    ----------
    output : str or Path
        The table.

    Examples
    --------
    >>> from echotrace.tuning.kept import finish
    >>> finish(folder / "no_such_sweep.csv")
    """
    if parts_folder(output).exists():
        RunFolder(Path(output), "").remove()
