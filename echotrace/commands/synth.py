"""``echotrace synth``: traces from a scenario, with their truth."""

from __future__ import annotations

import argparse
import signal
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

from echotrace.errors import ParameterError

if TYPE_CHECKING:
    from echotrace.synthesis import Synthesis

SUMMARY = "Make synthetic traces from a scenario, with the truth attached."
EXAMPLE = "echotrace synth synthetic_traces/immersion_sitting.toml -o traces.h5 --seed 1"

_BLOCK_TRACES = 64


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
        _Stop() as stop,
        RecordingWriter(output, expected_traces=count, compress=True) as writer,
    ):
        for block in synthesis.blocks(count, _BLOCK_TRACES):
            writer.append(block)
            bar.update(block.n_traces)
            stop.check()


class _Stop:
    """Makes sure that a request to stop is not lost, and that the half file then goes.

    Python swallows a KeyboardInterrupt that happens to be raised inside a destructor or a weak
    reference's callback (h5py runs many of both), and a plain termination would leave the
    temporary file behind. So the request is remembered too, and raised again between blocks.
    """

    def __init__(self) -> None:
        self._asked = False
        self._before: dict[int, Any] = {}

    def __enter__(self) -> _Stop:
        # Only the main thread may set handlers; elsewhere interrupts are not ours to handle.
        if threading.current_thread() is threading.main_thread():
            for number in (signal.SIGINT, signal.SIGTERM):
                # An ignored signal (a job in the background) stays ignored.
                if signal.getsignal(number) != signal.SIG_IGN:
                    self._before[number] = signal.signal(number, self._ask)
        return self

    def _ask(self, number: int, frame: object) -> None:
        del number, frame
        self._asked = True
        raise KeyboardInterrupt

    def check(self) -> None:
        """Stop here if that was asked for."""
        if self._asked:
            raise KeyboardInterrupt

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)
