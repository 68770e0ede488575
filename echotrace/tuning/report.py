"""A sweep in words, as a tidy table, and its best settings as a file that ``measure`` takes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from echotrace.caution import CAUTION
from echotrace.errors import ParameterError
from echotrace.files.atomic import save_text
from echotrace.files.table import Field, write_table
from echotrace.tuning.sensitivity import Sensitivity
from echotrace.tuning.sweep import Tuning
from echotrace.tuning.trial import Trial

__all__ = ["tuning_text", "write_tuned_settings", "write_tuning_table"]

_NUMBERS = {
    "loss_mm": ("mean over eyes of the capped length error of this trial", "mm"),
    "n": ("traces in which the interface has an echo", ""),
    "missed": ("share of them without a pick", ""),
    "wrong": ("share of them with a pick of something else", ""),
    "bias_us": ("mean error of the picks that are right", "us"),
    "sd_us": ("standard deviation of their error", "us"),
    "rmse_us": ("root mean square of their error", "us"),
    "bound_ratio": ("spread within eyes over the matched filter's bound", ""),
    "stated_ratio": ("stated standard uncertainty over the spread within eyes", ""),
    "length_q50_mm": ("median magnitude of the length error", "mm"),
    "length_q90_mm": ("nine tenths of length errors are below", "mm"),
    "length_q99_mm": ("99 in 100 length errors are below", "mm"),
    "length_missing": ("share of traces without a length", ""),
}


def tuning_text(tuning: Tuning, sensitivity: Sensitivity | None = None) -> str:
    """What came of a sweep.

    Parameters
    ----------
    tuning : Tuning
    sensitivity : Sensitivity, optional

    Returns
    -------
    str

    Examples
    --------
    >>> print(tuning_text(tuning).splitlines()[0])  # of `et.tune`
    16 settings (sensitivity) on 20 traces of 4 eyes; seed 1; source population_immersion.toml.
    """
    presets, best = tuning.reported
    said = [
        f"{len(tuning.trials) - 1} settings ({tuning.design}) on {tuning.n_traces} traces of "
        f"{len(tuning.trials[0].eyes)} eyes; seed {tuning.seed}; source {tuning.source}.",
        "Loss: mean over eyes of the length error's magnitude, none above 0.5 mm.",
        "",
        "                     eyes tuned on   other eyes and probes",
        f"presets              {tuning.trials[0].loss_mm:10.4f} mm   {presets.loss_mm:10.4f} mm",
        f"best of those tried  {tuning.best.loss_mm:10.4f} mm   {best.loss_mm:10.4f} mm",
        "",
        *(f"  {key} = {value!r}" for key, value in tuning.best.values.items()),
        "",
        f"Gain over the presets on {len(presets.eyes)} eyes and probes that were not tuned on: "
        f"{tuning.gain_mm:+.4f} mm (95 % interval {tuning.gain_low_mm:+.4f} to "
        f"{tuning.gain_high_mm:+.4f}).",
        "The tuned settings beat the presets there."
        if tuning.beats_presets
        else "That is no gain that can be told from chance: the presets are recommended.",
        "",
        _interfaces(presets, best),
        "The spread counts how oblique and curved faces distort echoes, apart from noise.",
    ]
    impossible = sum(1 for trial in tuning.trials if trial.problem)
    if impossible:
        first = next(trial.problem for trial in tuning.trials if trial.problem)
        said += ["", f"{impossible} settings are not possible ({first})."]
    if sensitivity is not None:
        said += ["", "Share of the loss's variance (Sobol's indices, 95 % interval):"]
        for k, key in enumerate(sensitivity.keys):
            said.append(
                f"  {key}: alone {sensitivity.first[k]:.2f} ({sensitivity.first_low[k]:.2f} to "
                f"{sensitivity.first_high[k]:.2f}), with others {sensitivity.total[k]:.2f} "
                f"({sensitivity.total_low[k]:.2f} to {sensitivity.total_high[k]:.2f})"
            )
    return "\n".join([*said, "", CAUTION])


def _interfaces(presets: Trial, best: Trial) -> str:
    """By interface on the eyes reported on, conditions and probes taken together."""
    lines = [
        "interface       settings  missed   wrong  bias ns  RMSE ns  spread/bound  stated/spread",
    ]
    names = dict.fromkeys(row["interface"] for row in presets.rows)
    for name in names:
        for word, trial in (("presets", presets), ("best", best)):
            own = [row for row in trial.rows if row["interface"] == name]
            mean = {key: _mean(own, key) for key in _NUMBERS if key in own[0]}
            lines.append(
                f"{name:<14}  {word:<8}  {mean['missed']:6.3f}  {mean['wrong']:6.3f}  "
                f"{1e3 * mean['bias_us']:7.1f}  {1e3 * mean['rmse_us']:7.1f}  "
                f"{mean['bound_ratio']:12.2f}  {mean['stated_ratio']:13.2f}"
            )
    return "\n".join(lines)


def _mean(rows: Sequence[Any], key: str) -> float:
    values = np.array([row[key] for row in rows], np.float64)
    values = values[np.isfinite(values)]
    return float(values.mean()) if values.size else math.nan


def _columns(tuning: Tuning) -> dict[str, list[Any]]:
    columns: dict[str, list[Any]] = {"trial": [], "split": [], "condition": [], "probe": [],
                                     "interface": []}  # fmt: skip
    columns |= {key: [] for key in tuning.keys} | {key: [] for key in _NUMBERS}
    for trial in (*tuning.trials, *tuning.reported):
        # The number 1 of those reported on is the best.
        number = tuning.best.number if trial.split == "report" and trial.number else trial.number
        for row in trial.rows or ({},):
            columns["trial"].append(number)
            columns["split"].append(trial.split)
            for key in ("condition", "probe", "interface"):
                columns[key].append(str(row.get(key, "")))
            for key in tuning.keys:
                columns[key].append(str(trial.values.get(key, "preset")))
            for key in _NUMBERS:
                value = trial.loss_mm if key == "loss_mm" else row.get(key, math.nan)
                columns[key].append(float(value))
    return columns


def write_tuning_table(tuning: Tuning, path: str | Path) -> None:
    """Write one row for each trial, condition, probe and interface.

    Parameters
    ----------
    tuning : Tuning
    path : str or Path
        ``.csv`` (with a table schema beside it) or ``.h5``.

    Raises
    ------
    ParameterError
        Another ending.
    FileFormatError
        The file cannot be written.

    Examples
    --------
    >>> write_tuning_table(tuning, folder / "sweep.csv")
    >>> (folder / "sweep.csv").read_text()[:11]
    'trial,split'
    """
    columns = _columns(tuning)
    kind = Path(path).suffix.lower()
    if kind == ".csv":
        texts = {"split": "tune: eyes tuned on; report: other eyes and probes",
                 "condition": "change of the scenario", "probe": "piece of the probe",
                 "interface": "interface of the target"}  # fmt: skip
        fields = [Field(name="trial", type="integer", description="number; 0: the presets")]
        fields += [Field(name=k, type="string", description=v) for k, v in texts.items()]
        fields += [Field(name=k, type="string", description="setting tried") for k in tuning.keys]
        fields += [
            Field(name=name, type="number", description=text, unit=unit)
            for name, (text, unit) in _NUMBERS.items()
        ]
        write_table(path, fields, columns, description=f"Sweep of settings, seed {tuning.seed}.")
        return
    if kind != ".h5":
        raise ParameterError(f"{path}: a sweep is written as .csv or .h5")
    _write_hdf5(columns, tuning, Path(path))


def _write_hdf5(columns: dict[str, list[Any]], tuning: Tuning, path: Path) -> None:
    import h5py

    from echotrace.files.atomic import atomic_target, writing
    from echotrace.files.hdf5 import add, add_axis
    from echotrace.files.sink import Sink

    with atomic_target(path) as partial, writing(path), Sink(partial) as sink:
        with h5py.File(sink, "w") as file:
            file.attrs["title"] = f"Sweep of settings, seed {tuning.seed}. {CAUTION}"
            axis = add_axis(file, "row", np.arange(len(columns["trial"])), long_name="row")
            for name, values in columns.items():
                if isinstance(values[0], str):
                    data = file.create_dataset(name, data=values, dtype=h5py.string_dtype())
                    data.dims[0].attach_scale(axis)
                    continue
                text, unit = _NUMBERS.get(name, ("number of the trial; 0: the presets", ""))
                add(file, name, np.array(values), [axis], long_name=text, units=unit)
        sink.check()


def write_tuned_settings(tuning: Tuning, path: str | Path) -> None:
    """Write the best settings as TOML that ``measure`` takes, with what justifies them.

    Parameters
    ----------
    tuning : Tuning
    path : str or Path

    Raises
    ------
    FileFormatError
        The file cannot be written.

    Examples
    --------
    >>> import echotrace as et
    >>> write_tuned_settings(tuning, folder / "tuned.toml")
    >>> et.read_settings(folder / "tuned.toml") == tuning.tuned
    True
    """
    from echotrace.settings import settings_toml
    from echotrace.text_out import visible

    head = "\n".join(f"# {line}".rstrip() for line in visible(tuning_text(tuning)).splitlines())
    save_text(path, f"{head}\n\n{settings_toml(tuning.tuned)}")
