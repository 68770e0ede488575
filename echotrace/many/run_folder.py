"""The folder beside a result that is being written: its manifest, its finished parts, its lock."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import echotrace
from echotrace.chain.block import Prepared
from echotrace.errors import ParameterError
from echotrace.files.atomic import LEFT_BEHIND, save_text, writing
from echotrace.files.native import StoredSamples
from echotrace.files.parts import read_part, write_part
from echotrace.measurement import Measurement
from echotrace.recording import Recording
from echotrace.target import Target

__all__ = ["RunFolder", "manifest_of", "parts_folder"]

_MANIFEST = "manifest.json"
# What version 0.1 called it; its parts are of a form that is no longer read.
_OLD_MANIFEST = "order.json"


def parts_folder(path: str | Path) -> Path:
    """Where :func:`echotrace.measure_to_file` keeps finished parts until ``path`` is complete.

    Parameters
    ----------
    path : str or Path
        Of the result; a link is followed.

    Returns
    -------
    Path

    Examples
    --------
    >>> from echotrace.many.run_folder import parts_folder
    >>> parts_folder("lengths.h5").name
    'lengths.h5.parts'
    """
    path = Path(path)
    # Beside the file itself: parts and file are of one drive.
    path = path.resolve() if path.is_symlink() else path
    return path.with_name(f"{path.name}.parts")


def manifest_of(recording: Recording, prepared: Prepared, target: Target | None) -> str:
    """What a run was asked for, as text: only the same run can be resumed.

    Parameters
    ----------
    recording : Recording
    prepared : Prepared
    target : Target or None

    Returns
    -------
    str
        JSON.

    Examples
    --------
    >>> import json
    >>> import echotrace as et
    >>> from echotrace.chain.block import prepare
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> json.loads(manifest_of(recording, prepare(recording), None))["shape"][0]
    6
    """
    manifest: dict[str, Any] = {
        "version": echotrace.__version__,
        "settings": prepared.settings_json,
        "target": repr(target),
        "decisions": prepared.notes.get("decisions", ""),
        "shape": list(recording.samples.shape),
        "sampling_rate_hz": recording.sampling_rate_hz,
        "block_traces": prepared.block_traces,
    }
    samples = recording.samples
    if isinstance(samples, StoredSamples):
        size, changed_ns = samples.state[2:]
        manifest |= {"source": str(samples.path), "size": size, "changed_ns": changed_ns}
    return json.dumps(manifest, indent=1)


class RunFolder:
    """The folder of one run: finished parts, and the manifest that says of what.

    Parameters
    ----------
    target : Path
        The file that is being written; the folder lies beside it.
    manifest : str
        Of this run.
    """

    def __init__(self, target: Path, manifest: str) -> None:
        self.path = parts_folder(target)
        self._target = target
        self._manifest = manifest
        self._run = hashlib.sha256(manifest.encode()).hexdigest()

    @contextmanager
    def alone(self) -> Iterator[None]:
        """Make the folder and keep other runs out of it for as long as the block lasts.

        The system ends the lock with the process, however that ends. Windows and some network
        drives have no such locks; there it is for the user to start one run only.

        Yields
        ------
        None

        Raises
        ------
        ParameterError
            Another run is writing the file.
        FileFormatError
            The folder cannot be written.
        """
        with writing(self.path):
            self.path.mkdir(exist_ok=True)
        try:
            import fcntl
        except ImportError:
            yield
            return
        with writing(self.path):
            file = (self.path / "run.lock").open("ab")
        with file:
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                taken = False
            except OSError as error:
                taken = isinstance(error, BlockingIOError)
            # Or the other run has just ended, and deleted the file between the two calls.
            if taken or not os.fstat(file.fileno()).st_nlink:
                raise ParameterError(
                    f"{self._target}: another run is writing this file; wait until it ends"
                )
            yield

    def take_up(self, resume: bool) -> None:
        """Leave the manifest in a new folder, or see that an earlier run had the same.

        Parameters
        ----------
        resume : bool
            An earlier run may be taken up.

        Raises
        ------
        ParameterError
            An earlier run was interrupted and is not to be resumed, or was another one.
        FileFormatError
            The folder cannot be written.
        """
        note = self.path / _MANIFEST
        with writing(self.path):
            if (self.path / _OLD_MANIFEST).exists():
                raise ParameterError(
                    f"{self.path}: was left by a run of an earlier version of echotrace, which "
                    "cannot be resumed; delete the folder to begin again"
                )
            if not note.exists():
                # Left over where the folder of a finished run could not wholly be deleted.
                for file in self._files():
                    file.unlink()
                save_text(note, self._manifest)
            elif not resume:
                raise ParameterError(
                    f"{self.path}: an earlier run was interrupted; resume it (--resume), or delete "
                    "the folder to begin again"
                )
            elif note.read_text(encoding="utf-8", errors="replace") != self._manifest:
                raise ParameterError(
                    f"{self.path}: the interrupted run had another recording, other settings or "
                    f"another version of echotrace, or its {_MANIFEST} is damaged; delete the "
                    "folder to begin again"
                )
            for file in self.path.glob(LEFT_BEHIND):
                file.unlink()

    def save(self, part: Measurement, first: int) -> None:
        """Keep a finished part.

        Parameters
        ----------
        part : Measurement
        first : int
            Number of its first scan.
        """
        write_part(part, self.path / f"{first:012d}.part", self._place(first))

    def finished(self) -> Iterator[Measurement]:
        """Parts that an earlier run has finished, in order.

        Yields
        ------
        Measurement

        Raises
        ------
        FileFormatError
            One is damaged, or is not the one that belongs there.
        """
        done = 0
        for file in self._files():
            # A part that does not follow on the one before is of no use.
            if int(file.stem) != done:
                with writing(self.path):
                    file.unlink()
                continue
            part = read_part(file, self._place(done))
            done += part.n_traces
            yield part

    def remove(self) -> None:
        """Delete the folder of a complete result, as far as the system lets it."""
        # Without its manifest the next run deletes what may stay.
        with suppress(OSError):
            (self.path / _MANIFEST).unlink()
            shutil.rmtree(self.path)

    def _place(self, first: int) -> str:
        return f"scans from {first} of run {self._run}"

    def _files(self) -> list[Path]:
        return sorted(self.path.glob("[0-9]" * 12 + ".part"))
