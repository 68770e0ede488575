"""The log of a block: one file, one line a check, nothing ever changed.

Each line is a JSON object that holds the digest of the line before it, so that a line that was
changed, removed or put in between is noticed. Checks are appended under a lock.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TextIO, cast

from echotrace.errors import FileFormatError
from echotrace.files.atomic import checked_target, writing
from echotrace.reference_block.chart import individuals_chart
from echotrace.reference_block.check import BlockCheck
from echotrace.text_out import visible

__all__ = ["BlockRecord", "append_record", "block_notes", "block_record", "read_block_log"]

_FIRST = "echotrace block log 1"


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockRecord:
    """One check, as it is kept.

    Attributes
    ----------
    utc : str
        When it was checked, ISO 8601.
    block, material, operator, recording : str
    temperature_c : float
    thickness_mm, error_mm, error_u_mm, tolerance_mm : float
        Of the step with the largest error; NaN where not known or not stated.
    verdict : str
        Of all steps.
    speed_m_per_s, speed_u_m_per_s : float
    face_delay_us, face_delay_u_us : float
        NaN where it was not measured.
    time_base_percent, gain_db : float
        Largest deviations from linearity; NaN where not tested.

    Examples
    --------
    >>> from echotrace.reference_block.log import BlockRecord
    >>> {"verdict", "error_mm"} <= set(BlockRecord.__slots__)
    True
    """

    utc: str
    block: str
    material: str
    operator: str
    recording: str
    temperature_c: float
    thickness_mm: float
    error_mm: float
    error_u_mm: float
    tolerance_mm: float
    verdict: str
    speed_m_per_s: float
    speed_u_m_per_s: float
    face_delay_us: float
    face_delay_u_us: float
    time_base_percent: float
    gain_db: float


def block_record(
    check: BlockCheck,
    *,
    block: str,
    material: str,
    recording: str,
    operator: str = "unnamed",
    tolerance_mm: float | None = None,
    when: datetime | None = None,
) -> BlockRecord:
    """What is kept of a check.

    Parameters
    ----------
    check : BlockCheck
    block, material, recording, operator : str
        Names: of the block, of what it is made of, of the recording's file, a code of who did it.
    tolerance_mm : float, optional
    when : datetime, optional
        With its time zone; None: now.

    Returns
    -------
    BlockRecord

    Examples
    --------
    >>> record = block_record(check, block="B1", material="steel", recording="b.h5")
    >>> record.block, record.thickness_mm
    ('B1', 10.0)
    """
    k = check.worst
    return BlockRecord(
        utc=(when or datetime.now(UTC)).astimezone(UTC).isoformat(timespec="seconds"),
        block=block,
        material=material,
        operator=operator,
        recording=recording,
        temperature_c=check.temperature_c,
        thickness_mm=float(check.thickness_mm[k]),
        error_mm=float(check.error_mm[k]),
        error_u_mm=float(check.error_u_mm[k]),
        tolerance_mm=math.nan if tolerance_mm is None else tolerance_mm,
        verdict=check.verdict,
        speed_m_per_s=check.speed_m_per_s,
        speed_u_m_per_s=check.speed_u_m_per_s,
        face_delay_us=check.intercept_us if check.touching else math.nan,
        face_delay_u_us=check.intercept_u_us if check.touching else math.nan,
        time_base_percent=math.nan if check.time_base is None else check.time_base.largest,
        gain_db=math.nan if check.gain is None else check.gain.largest,
    )


@contextmanager
def _locked(file: TextIO) -> Iterator[None]:
    """Keep other checks out; the lock ends with the process. Windows has no such lock."""
    try:
        import fcntl
    except ImportError:
        yield
        return
    fcntl.flock(file, fcntl.LOCK_EX)
    try:
        yield
    finally:
        fcntl.flock(file, fcntl.LOCK_UN)


def append_record(path: str | Path, record: BlockRecord) -> None:
    """Append a check to a log, which is made if it is not there.

    Parameters
    ----------
    path : str or Path
    record : BlockRecord

    Raises
    ------
    FileFormatError
        The file is no log, was changed, or cannot be written; it is then left as it was.

    Examples
    --------
    >>> record = block_record(check, block="B1", material="steel", recording="b.h5")
    >>> append_record(folder / "block.log", record)
    >>> len((folder / "block.log").read_text(encoding="utf-8").splitlines())
    1
    """
    target = checked_target(path)
    with writing(path), target.open("a+", encoding="utf-8") as file, _locked(file):
        file.seek(0)
        try:
            before = file.read()
        except UnicodeDecodeError:
            raise FileFormatError(f"{path}: is no log of blocks; give another name") from None
        _records(before, path)
        last = before.splitlines()[-1] if before else ""
        values = {
            name: None if isinstance(value, float) and math.isnan(value) else value
            for name, value in asdict(record).items()
        }
        line = json.dumps({"log": _FIRST, "after": _digest(last), **values}, ensure_ascii=False)
        file.write(line + "\n")
        file.flush()
        os.fsync(file.fileno())


def read_block_log(path: str | Path) -> list[BlockRecord]:
    """All checks of a log, oldest first.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    list of BlockRecord

    Raises
    ------
    FileFormatError
        The file cannot be read, is no log, or a line was changed, removed or put in between.

    Examples
    --------
    >>> record = block_record(check, block="B1", material="steel", recording="b.h5")
    >>> append_record(folder / "block.log", record)
    >>> read_block_log(folder / "block.log") == [record]
    True
    """
    try:
        text = Path(path).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "not a text file"
        raise FileFormatError(f"{path}: the log of a block cannot be read ({why})") from None
    found = _records(text, path)
    if not found:
        raise FileFormatError(f"{path}: the log of a block is empty; check the block first")
    return found


def _digest(line: str) -> str:
    return hashlib.sha256(line.encode()).hexdigest() if line else ""


def _records(text: str, path: str | Path) -> list[BlockRecord]:
    names = {item.name: item.type for item in fields(BlockRecord)}
    found, before = [], ""
    if text and not text.endswith("\n"):
        raise FileFormatError(f"{path}: its last line is not complete; the log was cut off")
    for number, line in enumerate(text.splitlines(), 1):
        try:
            table: dict[str, Any] = json.loads(line)
            values = {name: table[name] for name in names}
            whole = table["log"] == _FIRST and all(
                isinstance(value, str) if names[name] == "str" else _is_number(value)
                for name, value in values.items()
            )
        except (ValueError, KeyError, TypeError, RecursionError):
            whole = False
        if not whole:
            raise FileFormatError(f"{path}: line {number} is none of a log of blocks")
        if table["after"] != _digest(before):
            raise FileFormatError(
                f"{path}: line {number} does not follow on the one before it: the log was changed; "
                "go back to a copy of it"
            )
        before = line
        found.append(
            BlockRecord(**cast("Any", {n: math.nan if v is None else v for n, v in values.items()}))
        )
    return found


def _is_number(value: object) -> bool:
    if value is None:
        return True
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def block_notes(records: Sequence[BlockRecord], path: str | Path) -> list[str]:
    """What later measurements have to be told of a block's log.

    Parameters
    ----------
    records : sequence of BlockRecord
        Oldest first.
    path : str or Path
        The log's name.

    Returns
    -------
    list of str
        The state of each block; ``WARNING`` stands first where it was out of tolerance, not shown
        to be inside, or drifts.

    Examples
    --------
    >>> when = datetime(2026, 11, 2, tzinfo=UTC)
    >>> record = block_record(check, block="B1", material="steel", recording="b.h5", when=when)
    >>> block_notes([record], "block.log")
    ['Reference block B1 (block.log): pass on 2026-11-02, error +0.000 ± 0.010 mm (u).']
    """
    notes = []
    for block in dict.fromkeys(record.block for record in records):
        own = [record for record in records if record.block == block]
        last = own[-1]
        said = (
            f"Reference block {visible(block)} ({visible(str(path))}): {visible(last.verdict)} on "
            f"{last.utc[:10]}, error {last.error_mm:+.3f} ± {last.error_u_mm:.3f} mm (u)"
        )
        if last.verdict == "fail":
            said = f"WARNING: {said}: out of tolerance; lengths measured since then are in doubt"
        elif last.verdict == "undecided":
            said = f"WARNING: {said}: not shown to be within tolerance"
        errors = [record.error_mm for record in own if math.isfinite(record.error_mm)]
        if len(errors) >= 3:
            now = [rule for k, rule in individuals_chart(errors).broken if k == len(errors) - 1]
            if now:
                start = "" if said.startswith("WARNING") else "WARNING: "
                said = f"{start}{said}; it drifts ({', '.join(now)})"
        notes.append(f"{said}.")
    return notes
