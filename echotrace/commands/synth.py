"""``echotrace synth``: traces from a scenario, with their truth."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from echotrace.errors import ParameterError

if TYPE_CHECKING:
    from echotrace.synthesis import Synthesis

SUMMARY = "Make synthetic traces from a scenario, with the truth attached."
EXAMPLE = "echotrace synth synthetic_traces/immersion_sitting.toml -o traces.h5 --seed 1"

_BLOCK_TRACES = 256


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of the command."""
    parser.add_argument(
        "scenario", metavar="SCENARIO", nargs="+", type=Path, help="scenario (TOML file)"
    )
    parser.add_argument(
        "-o",
        "--output",
        metavar="FILE.h5|FOLDER",
        type=Path,
        required=True,
        help="recording to write; a folder takes one recording for each scenario, named after it",
    )
    parser.add_argument(
        "--count", metavar="N", type=int, help="traces to make (default: one sitting)"
    )
    parser.add_argument("--seed", metavar="S", type=int, help="seed (default: the scenario's)")


def run(args: argparse.Namespace) -> int:
    """Make the traces and write them block by block."""
    from echotrace.synthesis import Synthesis

    if args.count is not None and args.count < 1:
        raise ParameterError(f"--count {args.count}: must be at least 1")
    into_folder = args.output.is_dir()
    if len(args.scenario) > 1 and not into_folder:
        raise ParameterError(
            f"-o {args.output}: {len(args.scenario)} scenarios need an existing folder to go to"
        )
    if not into_folder and args.output.suffix.lower() != ".h5":
        raise ParameterError(f"-o {args.output}: recordings are written as .h5")
    # All scenarios are read before the first trace is made, so that a mistake shows at once.
    made = [(path, Synthesis(path, seed=args.seed)) for path in args.scenario]
    for path, synthesis in made:
        output = args.output / f"{path.stem}.h5" if into_folder else args.output
        count = synthesis.scenario.scans if args.count is None else args.count
        _write(synthesis, output, count)
        print(
            f"wrote {output}: {count} traces of {synthesis.grid.n_samples} samples, "
            f"{synthesis.scenario.method.kind}, seed {synthesis.seed}"
        )
    return 0


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
