"""The file of decisions by hand: TOML, a page that a person can read and change."""

from __future__ import annotations

from pathlib import Path

from echotrace.decisions import Decisions
from echotrace.errors import ParameterError
from echotrace.files.atomic import save_text
from echotrace.recording import Recording
from echotrace.recording.digest import traces_digest
from echotrace.user_input import parsing, read_toml

__all__ = ["bound_to", "read_decisions", "write_decisions"]


def read_decisions(path: str | Path) -> Decisions:
    """Read decisions by hand from a TOML file.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Decisions
        Bound to the recording they were made on: measuring another with them is refused.

    Raises
    ------
    ParameterError
        Naming the file, the table and the key.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "decisions.toml"
    >>> et.write_decisions(et.Decisions(gates={2: {"retina": (41.5, 43.0)}}), path, recording)
    >>> et.read_decisions(path).gates[2]["retina"].start_us
    41.5
    """
    path = Path(path)
    table = read_toml(path)
    with parsing(path, "a file of decisions", error=ParameterError):
        found = Decisions.from_table(table, str(path))
    if not found.traces_digest:
        raise ParameterError(
            f"{path}: has no traces_digest, so it is not bound to a recording; write it with "
            "--write-decisions, or copy the line from a file that was"
        )
    return found


def write_decisions(decisions: Decisions, path: str | Path, recording: Recording) -> None:
    """Write decisions by hand, bound to the traces of a recording, as a TOML file.

    Parameters
    ----------
    decisions : Decisions
    path : str or Path
    recording : Recording
        The one they were made on.

    Raises
    ------
    ParameterError
        They are bound to other traces.
    FileFormatError
        The file cannot be written.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "decisions.toml"
    >>> et.write_decisions(et.Decisions(reject={4: "too much gain"}), path, recording)
    >>> dict(et.read_decisions(path).reject)
    {4: 'too much gain'}
    """
    import tomli_w

    bound = bound_to(decisions, recording)
    save_text(Path(path), tomli_w.dumps(bound.to_table()))


def bound_to(
    decisions: Decisions, recording: Recording, source: str = "", where: str = ""
) -> Decisions:
    """The decisions, bound to the traces of a recording.

    Parameters
    ----------
    decisions : Decisions
    recording : Recording
    source : str
        Name of its file, for people; empty where it is not known or known already.
    where : str
        File of the decisions, for the message.

    Returns
    -------
    Decisions

    Raises
    ------
    ParameterError
        They are bound to other traces.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.files.decisions_file import bound_to
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> len(bound_to(et.Decisions(), recording).traces_digest)
    32
    """
    return decisions.bound(traces_digest(recording), source, where)
