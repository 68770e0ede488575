"""``echotrace synth``: traces from a scenario, with their truth."""

from __future__ import annotations

import argparse
import shutil
import sys
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from echotrace.caution import CAUTION, SYNTHETIC
from echotrace.commands.arguments import InputFile, add_overwrite, integer
from echotrace.commands.process import say
from echotrace.errors import FileFormatError, ParameterError

if TYPE_CHECKING:
    from echotrace.synthesis import Synthesis

SUMMARY = "Make synthetic traces from a scenario, with the truth attached."
EXAMPLE = "echotrace synth synthetic_traces/immersion_sitting.toml -o traces.h5 --seed 1"

_BLOCK_TRACES = 64
# Compressed traces of 16 bits took 0.39 to 0.55 of their size.
_LEAST_BYTES_A_SAMPLE = 0.7


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of the command.

    Parameters
    ----------
    parser : argparse.ArgumentParser

    Examples
    --------
    >>> parser = argparse.ArgumentParser()
    >>> add_arguments(parser)
    >>> parser.parse_args(["a.toml", "-o", "a.h5", "--seed", "3"]).seed
    3
    """
    parser.add_argument(
        "scenario",
        metavar="SCENARIO",
        nargs="+",
        type=Path,
        action=InputFile,
        help="scenario (TOML file)",
    )
    parser.add_argument(
        "-o",
        "--output",
        metavar="FILE.h5|FOLDER",
        type=Path,
        required=True,
        help="recording to write; a folder takes one recording for each scenario, named after it",
    )
    add_overwrite(parser)
    parser.add_argument(
        "--count", metavar="N", type=integer(1), help="traces to make (default: one sitting)"
    )
    parser.add_argument(
        "--seed",
        metavar="S",
        type=integer(0, 2**63 - 1),
        help="seed, a whole number from 0 (default: the scenario's)",
    )


def run(args: argparse.Namespace) -> int:
    """Make the traces and write them block by block.

    Parameters
    ----------
    args : argparse.Namespace
        From :func:`add_arguments`.

    Returns
    -------
    int
        Exit code: 0.

    Raises
    ------
    ParameterError
        Arguments that do not go together, or a scenario that is not possible.

    Examples
    --------
    >>> parser = argparse.ArgumentParser()
    >>> add_arguments(parser)
    >>> words = ["synthetic_traces/aphakic.toml", "--count", "1", "-o", f"{folder}/traces.h5"]
    >>> run(parser.parse_args(words))  # doctest: +ELLIPSIS
    wrote ...traces.h5: 1 trace of ...
    0
    """
    from echotrace.files.atomic import check_outputs
    from echotrace.synthesis import Synthesis

    into_folder = args.output.is_dir()
    if len(args.scenario) > 1 and not into_folder:
        raise ParameterError(
            f"-o {args.output}: {len(args.scenario)} scenarios need an existing folder to go to"
        )
    if not into_folder and args.output.suffix.lower() != ".h5":
        raise ParameterError(f"-o {args.output}: recordings are written as .h5")
    outputs = [
        args.output / f"{path.stem}.h5" if into_folder else args.output for path in args.scenario
    ]
    check_outputs(outputs, args.scenario, overwrite=args.overwrite)
    # All scenarios are read before the first trace is made, so that a mistake shows at once.
    made = [Synthesis(path, seed=args.seed) for path in args.scenario]
    counts = [item.scenario.scans if args.count is None else args.count for item in made]
    _check_room(made, counts, outputs[0].absolute().parent)
    for synthesis, output, count in zip(made, outputs, counts, strict=True):
        _write(synthesis, output, count)
        say(
            f"wrote {output}: {count} trace{'' if count == 1 else 's'} of "
            f"{synthesis.grid.n_samples} samples, {synthesis.scenario.method.kind}, "
            f"seed {synthesis.seed}"
        )
    say(SYNTHETIC)
    say(textwrap.fill(CAUTION, 96))
    return 0


def _check_room(made: Sequence[Synthesis], counts: Sequence[int], folder: Path) -> None:
    """Refuse what the disk cannot hold before the first trace is made."""
    wanted = sum(
        _LEAST_BYTES_A_SAMPLE * count * item.grid.n_samples
        for item, count in zip(made, counts, strict=True)
    )
    free = shutil.disk_usage(folder).free
    if wanted > free:
        raise FileFormatError(
            f"--count: {sum(counts):,} traces need {wanted / 1e9:,.1f} GB or more, and the disk of "
            f"{folder} has {free / 1e9:,.1f} GB free; ask for fewer, or write elsewhere"
        )


def _write(synthesis: Synthesis, output: Path, count: int) -> None:
    from tqdm import tqdm

    from echotrace.files.native import RecordingWriter

    with (
        tqdm(
            total=count,
            unit="trace",
            unit_scale=True,
            file=sys.stderr,
            disable=not sys.stderr.isatty(),
            leave=False,
        ) as bar,
        RecordingWriter(output, expected_traces=count, compress=True) as writer,
    ):
        for block in synthesis.blocks(count, _BLOCK_TRACES):
            writer.append(block)
            bar.update(block.n_traces)
