"""Decisions by hand on the command line: gates, picks, accept, reject, and their file."""

from __future__ import annotations

import argparse
import re
from typing import TYPE_CHECKING, Any

from echotrace.commands.arguments import add_output, add_toml
from echotrace.errors import ParameterError
from echotrace.user_input import number, shorten, whole_number

if TYPE_CHECKING:
    from echotrace.decisions import Decisions
    from echotrace.recording import Recording

__all__ = ["add_hand_arguments", "hand_options", "read_hand", "write_hand"]

_EXAMPLES = {"gate": "--gate 3:retina=30.1..31.0", "pick": "--pick 3:retina=30.42"}
_OPTIONS = ("gate", "pick", "accept", "reject", "decisions", "write_decisions")


def add_hand_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options by which a person decides about single scans.

    Parameters
    ----------
    parser : argparse.ArgumentParser

    Examples
    --------
    >>> parser = argparse.ArgumentParser()
    >>> add_hand_arguments(parser)
    >>> parser.parse_args(["--reject", "3=a lid"]).reject
    ['3=a lid']
    """
    group = parser.add_argument_group(
        "by hand", "Scans are numbered from 1 as in every output; delays count from delay zero."
    )
    group.add_argument(
        "--gate",
        metavar="SCAN:INTERFACE=START..STOP",
        action="append",
        default=[],
        help="where an interface is looked for in one scan, µs; it binds; repeatable",
    )
    group.add_argument(
        "--pick",
        metavar="SCAN:INTERFACE=DELAY[+-U]",
        action="append",
        default=[],
        help="where an interface is in one scan, µs, and the standard uncertainty of that (without "
        "one: from the width of the pulse); marked in every output; it raises no probability; "
        "repeatable",
    )
    for word in ("accept", "reject"):
        group.add_argument(
            f"--{word}",
            metavar="SCAN=REASON",
            action="append",
            default=[],
            help=f"{word} a scan; the reason is kept with the results; repeatable",
        )
    add_toml(
        group,
        "--decisions",
        "read gates, picks and decisions for this recording; the options above come on top",
    )
    add_output(
        group,
        "--write-decisions",
        suffixes=(".toml",),
        metavar="FILE.toml",
        help="write all of them, bound to the traces of this recording",
    )


def hand_options(args: argparse.Namespace) -> list[str]:
    """The options of this group that were given.

    Parameters
    ----------
    args : argparse.Namespace

    Returns
    -------
    list[str]

    Examples
    --------
    >>> parser = argparse.ArgumentParser()
    >>> add_hand_arguments(parser)
    >>> hand_options(parser.parse_args(["--reject", "3=a lid"]))
    ['--reject']
    """
    return [f"--{name.replace('_', '-')}" for name in _OPTIONS if getattr(args, name)]


def read_hand(args: argparse.Namespace) -> Decisions:
    """Decisions of the file and of the command line, which come on top.

    Parameters
    ----------
    args : argparse.Namespace

    Returns
    -------
    Decisions

    Raises
    ------
    ParameterError
        One that cannot be understood, or is named twice.

    Examples
    --------
    >>> parser = argparse.ArgumentParser()
    >>> add_hand_arguments(parser)
    >>> read_hand(parser.parse_args(["--pick", "1:retina=43.11"])).picks[0]["retina"].delay_us
    43.11
    """
    from echotrace.decisions import Decisions, HandGate, HandPick
    from echotrace.files.decisions_file import read_decisions

    gates: dict[int, dict[str, HandGate]] = {}
    for item in args.gate:
        (scan, interface), value = _mark("gate", item, gates)
        start, dots, stop = value.partition("..")
        if not dots:
            raise _not_understood("gate", item)
        gates.setdefault(scan, {})[interface] = _told(
            "gate", item, HandGate, start_us=_delay("gate", item, start),
            stop_us=_delay("gate", item, stop),
        )  # fmt: skip
    picks: dict[int, dict[str, HandPick]] = {}
    for item in args.pick:
        (scan, interface), value = _mark("pick", item, picks)
        parts = re.split(r"\+-|±", value)
        if len(parts) > 2:
            raise _not_understood("pick", item)
        numbers = [_delay("pick", item, text) for text in parts]
        given = dict(zip(("delay_us", "u_us"), numbers, strict=False))
        picks.setdefault(scan, {})[interface] = _told("pick", item, HandPick, **given)
    typed = Decisions(
        gates=gates,
        picks=picks,
        accept=_verdicts("accept", args.accept),
        reject=_verdicts("reject", args.reject),
    )
    return typed if args.decisions is None else read_decisions(args.decisions).merged(typed)


def write_hand(args: argparse.Namespace, recording: Recording, decisions: Decisions) -> None:
    """Write the file of decisions, if one is asked for.

    Parameters
    ----------
    args : argparse.Namespace
    recording : Recording
    decisions : Decisions

    Examples
    --------
    >>> from pathlib import Path
    >>> import echotrace as et
    >>> source = Path("synthetic_traces/immersion_sitting.h5")
    >>> args = argparse.Namespace(recording=[source], write_decisions=folder / "mine.toml")
    >>> write_hand(args, et.read(source), et.Decisions(reject={2: "a lid"}))
    >>> "a lid" in (folder / "mine.toml").read_text(encoding="utf-8")
    True
    """
    if args.write_decisions is None:
        return
    import dataclasses

    from echotrace.files.decisions_file import write_decisions

    named = dataclasses.replace(decisions, source=args.recording[0].name)
    write_decisions(named, args.write_decisions, recording)


def _not_understood(word: str, item: str) -> ParameterError:
    return ParameterError(
        f"--{word} {shorten(item)!r}: give a scan, an interface and µs after delay zero, like "
        f"{_EXAMPLES[word]}"
    )


def _mark(word: str, item: str, known: dict[int, Any]) -> tuple[tuple[int, str], str]:
    """Scan from 0 and interface, and what is said of them."""
    place, equals, value = item.partition("=")
    scan, colon, interface = place.partition(":")
    interface = interface.strip()
    if not (equals and colon and interface):
        raise _not_understood(word, item)
    k = whole_number(scan, f"--{word} SCAN", low=1) - 1
    if interface in known.get(k, {}):
        raise ParameterError(f"--{word}: {shorten(interface)} of scan {k + 1} is given twice")
    return (k, interface), value


def _delay(word: str, item: str, text: str) -> float:
    return number(text, f"--{word} {shorten(item)!r}: µs")


def _told(word: str, item: str, kind: Any, **values: float) -> Any:
    try:
        return kind(**values)
    except ParameterError as error:
        raise ParameterError(f"--{word} {shorten(item)!r}: {error}") from None


def _verdicts(word: str, items: list[str]) -> dict[int, str]:
    found: dict[int, str] = {}
    for item in items:
        scan, _, reason = item.partition("=")
        if not reason.strip():
            raise ParameterError(
                f"--{word} {shorten(item)!r}: give the number of a scan and a reason, like "
                f'--{word} 3="lid in the way"'
            )
        k = whole_number(scan, f"--{word} SCAN", low=1) - 1
        if k in found:
            raise ParameterError(f"--{word}: scan {k + 1} is named twice")
        found[k] = reason.strip()
    return found
