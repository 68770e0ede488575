"""What a person decided about single scans: where to look, where an interface is, accept or reject.

Decisions are bound to the traces they were made on, marked wherever they were used, and kept in a
file of their own beside the results (:mod:`echotrace.files.decisions_file`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

from echotrace.errors import ParameterError
from echotrace.text_out import one_line, scan_names
from echotrace.user_input import (
    check_keys,
    given,
    number,
    shorten,
    tables_of,
    text_of,
    whole_number,
)

__all__ = ["DECISIONS_VERSION", "Decisions", "HandGate", "HandPick", "ScanMarks"]

DECISIONS_VERSION = 1

# Two-way delays of anything that is measured lie far inside these, µs.
_MOST_US = 1e6


@dataclass(frozen=True, slots=True, kw_only=True)
class HandGate:
    """Where an interface is to be looked for in one scan.

    Attributes
    ----------
    start_us, stop_us : float
        Window, µs after delay zero.
    reason : str

    Raises
    ------
    ParameterError
        A window that ends before it begins, or no number.

    Examples
    --------
    >>> from echotrace.decisions import HandGate
    >>> HandGate(start_us=30.1, stop_us=31.0).stop_us
    31.0
    """

    start_us: float
    stop_us: float
    reason: str = ""

    def __post_init__(self) -> None:
        for name in ("start_us", "stop_us"):
            value = number(
                getattr(self, name), f"gate by hand: {name}", low=-_MOST_US, high=_MOST_US
            )
            object.__setattr__(self, name, value)
        if not self.start_us < self.stop_us:
            raise ParameterError(
                f"gate by hand: stop_us={self.stop_us:g} must be more than "
                f"start_us={self.start_us:g}"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class HandPick:
    """Where an interface is in one scan.

    Attributes
    ----------
    delay_us : float
        µs after delay zero.
    u_us : float or None
        Standard uncertainty of the reading, µs; None: the width of the pulse over the square root
        of twelve, as if the interface lay anywhere within it (JCGM 100:2008, 4.3.7).
    reason : str

    Raises
    ------
    ParameterError
        No number, or an uncertainty that is not above zero.

    Examples
    --------
    >>> from echotrace.decisions import HandPick
    >>> HandPick(delay_us=30.42, u_us=0.02).reason
    ''
    """

    delay_us: float
    u_us: float | None = None
    reason: str = ""

    def __post_init__(self) -> None:
        at = number(self.delay_us, "pick by hand: delay_us", low=-_MOST_US, high=_MOST_US)
        object.__setattr__(self, "delay_us", at)
        if self.u_us is not None:
            u = number(self.u_us, "pick by hand: u_us", low=0.0, high=1e3, above=True)
            object.__setattr__(self, "u_us", u)


@dataclass(frozen=True, slots=True)
class ScanMarks:
    """Gates and picks of one scan, by interface.

    Attributes
    ----------
    gates : mapping of str to HandGate
    picks : mapping of str to HandPick

    Examples
    --------
    >>> from echotrace.decisions import Decisions
    >>> Decisions(picks={2: {"retina": 30.42}}).of_scan(2).picks["retina"].delay_us
    30.42
    """

    gates: Mapping[str, HandGate]
    picks: Mapping[str, HandPick]

    def __bool__(self) -> bool:
        return bool(self.gates or self.picks)


@dataclass(frozen=True, slots=True, kw_only=True)
class Decisions:
    """All that was decided by hand about the scans of one recording.

    Scans are counted from 0 here, as all indices in Python; files and texts count them from 1.

    Attributes
    ----------
    gates : mapping of int to mapping of str to HandGate
        By scan and interface. ``(start_us, stop_us)`` in place of a gate will do.
    picks : mapping of int to mapping of str to HandPick
        By scan and interface. A delay in µs in place of a pick will do.
    accept, reject : mapping of int to str
        The reason, by scan.
    traces_digest : str
        Of the recording they were made on (:func:`echotrace.recording.digest.traces_digest`); empty
        where they are not bound to one.
    source : str
        Name of its file, for people.

    Raises
    ------
    ParameterError
        A scan below 0, one that is both accepted and rejected, a window or delay that is not
        possible, or a pick outside the gate of the same scan.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> decisions = et.Decisions(picks={2: {"retina": 42.15}}, reject={4: "too much gain"})
    >>> result = et.measure(recording, decisions=decisions)
    >>> result.picked_by_hand(2), bool(result.accepted[4])
    (('retina',), False)
    """

    gates: Mapping[int, Mapping[str, HandGate]] = field(default_factory=dict)
    picks: Mapping[int, Mapping[str, HandPick]] = field(default_factory=dict)
    accept: Mapping[int, str] = field(default_factory=dict)
    reject: Mapping[int, str] = field(default_factory=dict)
    traces_digest: str = ""
    source: str = ""

    def __post_init__(self) -> None:
        kinds: dict[str, Any] = {"gates": _as_gate, "picks": _as_pick}
        for name, make in kinds.items():
            marks = {}
            for scan, by_interface in sorted(getattr(self, name).items()):
                where = scan_names([_scan(scan)])
                marks[int(scan)] = MappingProxyType(
                    {interface: _at(where, interface, make, value)
                     for interface, value in by_interface.items()}
                )  # fmt: skip
            object.__setattr__(self, name, MappingProxyType(marks))
        for name in ("accept", "reject"):
            reasons = {_scan(scan): str(why) for scan, why in sorted(getattr(self, name).items())}
            object.__setattr__(self, name, MappingProxyType(reasons))
        for scan in self.accept:
            if scan in self.reject:
                raise ParameterError(f"{scan_names([scan])} is both accepted and rejected by hand")
        for scan, picks in self.picks.items():
            for interface, pick in picks.items():
                gate = self.gates.get(scan, {}).get(interface)
                if gate is not None and not gate.start_us <= pick.delay_us <= gate.stop_us:
                    raise ParameterError(
                        f"{scan_names([scan])}: {interface} is picked by hand at "
                        f"{pick.delay_us:.6g} µs, outside its gate by hand, {gate.start_us:.6g} to "
                        f"{gate.stop_us:.6g} µs; leave one of them out"
                    )

    def __bool__(self) -> bool:
        return bool(self.gates or self.picks or self.accept or self.reject)

    @property
    def scans(self) -> list[int]:
        """Scans about which anything was decided, counted from 0."""
        return sorted({*self.gates, *self.picks, *self.accept, *self.reject})

    @property
    def marked(self) -> list[int]:
        """Scans with a gate or a pick by hand, counted from 0."""
        return sorted(scan for scan in {*self.gates, *self.picks} if self.of_scan(scan))

    def of_scan(self, scan: int) -> ScanMarks:
        """Gates and picks of a scan.

        Parameters
        ----------
        scan : int
            Counted from 0.

        Returns
        -------
        ScanMarks
        """
        return ScanMarks(self.gates.get(scan, {}), self.picks.get(scan, {}))

    def take(self, scans: Sequence[int]) -> Decisions:
        """The decisions about some of the scans, in their order; bound to no traces.

        Parameters
        ----------
        scans : sequence of int
            Counted from 0.

        Returns
        -------
        Decisions
        """
        fields: dict[str, Any] = {}
        for name in ("gates", "picks", "accept", "reject"):
            of = getattr(self, name)
            fields[name] = {k: of[scan] for k, scan in enumerate(scans) if scan in of}
        return replace(self, traces_digest="", **fields)

    def merged(self, later: Decisions) -> Decisions:
        """These decisions and later ones, which take the place of those about the same thing.

        Parameters
        ----------
        later : Decisions

        Returns
        -------
        Decisions
            Of the traces of the later ones, if those are bound to any.
        """
        changes: dict[str, Any] = {}
        for name in ("gates", "picks"):
            old, new = getattr(self, name), getattr(later, name)
            changes[name] = {
                scan: {**old.get(scan, {}), **new.get(scan, {})} for scan in {*old, *new}
            }
        for name, other in (("accept", "reject"), ("reject", "accept")):
            kept = {k: v for k, v in getattr(self, name).items() if k not in getattr(later, other)}
            changes[name] = {**kept, **getattr(later, name)}
        return replace(
            self,
            traces_digest=later.traces_digest or self.traces_digest,
            source=later.source or self.source,
            **changes,
        )

    def bound(self, digest: str, source: str = "", where: str = "") -> Decisions:
        """The decisions, bound to the traces that a digest tells.

        Parameters
        ----------
        digest : str
            :func:`echotrace.recording.digest.traces_digest` of their recording.
        source : str
            Name of its file; empty keeps what is known.
        where : str
            File of the decisions, for the message.

        Returns
        -------
        Decisions

        Raises
        ------
        ParameterError
            They are bound to other traces.
        """
        if self.traces_digest not in ("", digest):
            told = f" ({one_line(self.source)})" if self.source else ""
            place = f"{where}: " if where else ""
            raise ParameterError(
                f"{place}these decisions by hand were made on other traces{told}, not on this "
                "recording; give the decisions of this recording, or decide again"
            )
        return replace(self, traces_digest=digest, source=source or self.source)

    def to_table(self) -> dict[str, Any]:
        """The decisions as plain tables, as TOML and JSON have them; scans counted from 1.

        Returns
        -------
        dict of str to object
        """
        return {
            "decisions_version": DECISIONS_VERSION,
            "recording": self.source,
            "traces_digest": self.traces_digest,
            "scan": [self._scan_table(scan) for scan in self.scans],
        }

    def _scan_table(self, scan: int) -> dict[str, Any]:
        table: dict[str, Any] = {"number": scan + 1}
        for word, reasons in (("accept", self.accept), ("reject", self.reject)):
            if scan in reasons:
                table |= {"decision": word, "reason": reasons[scan]}
        for key, marks in (("gate", self.gates), ("pick", self.picks)):
            if marks.get(scan):
                table[key] = [
                    {"interface": interface}
                    | {
                        name: value
                        for name in mark.__dataclass_fields__
                        if (value := getattr(mark, name)) not in (None, "")
                    }
                    for interface, mark in marks[scan].items()
                ]
        return table

    @classmethod
    def from_table(cls, table: Mapping[str, Any], where: str = "decisions") -> Decisions:
        """Build decisions from plain tables.

        Parameters
        ----------
        table : mapping
        where : str
            What errors name as the place.

        Returns
        -------
        Decisions

        Raises
        ------
        ParameterError
            Naming place and key.
        """
        check_keys(table, ("decisions_version", "recording", "traces_digest", "scan"), where)
        version = whole_number(table.get("decisions_version"), f"{where}: decisions_version", low=1)
        if version > DECISIONS_VERSION:
            raise ParameterError(
                f"{where}: decisions_version={version} is newer than this echotrace reads "
                f"({DECISIONS_VERSION}); update echotrace"
            )
        fields: dict[str, dict[int, Any]] = {
            name: {} for name in ("gates", "picks", "accept", "reject")
        }
        for scan, name, value in _read_scans(table, where):
            fields[name][scan] = value
        try:
            return cls(
                traces_digest=text_of(table, "traces_digest", where, ""),
                source=text_of(table, "recording", where, ""),
                **fields,
            )
        except ParameterError as error:
            raise ParameterError(f"{where}: {error}") from None


def _read_scans(table: Mapping[str, Any], where: str) -> Iterator[tuple[int, str, Any]]:
    """Scan, kind and value of each decision in a table."""
    seen = set()
    for k, item in enumerate(tables_of(table, "scan", where)):
        place = f"{where}: [[scan]] {k + 1}"
        check_keys(item, ("number", "decision", "reason", "gate", "pick"), place)
        scan = whole_number(item.get("number"), f"{place}: number", low=1) - 1
        if scan in seen:
            raise ParameterError(f"{place}: scan {scan + 1} is named twice")
        seen.add(scan)
        word, reason = text_of(item, "decision", place, ""), text_of(item, "reason", place, "")
        if word not in ("accept", "reject", ""):
            raise ParameterError(f"{place}: decision={shorten(word)!r}: use 'accept' or 'reject'")
        if word and not reason.strip():
            raise ParameterError(f"{place}: give a reason for the decision")
        if word:
            yield scan, word, reason.strip()
        for key, kind in (("gate", HandGate), ("pick", HandPick)):
            marks = {}
            for j, mark in enumerate(tables_of(item, key, place)):
                spot = f"{place}: [[scan.{key}]] {j + 1}"
                names = kind.__dataclass_fields__
                check_keys(mark, ("interface", *names), spot)
                interface = text_of(mark, "interface", spot)
                if interface in marks:
                    raise ParameterError(f"{spot}: {interface} is named twice")
                text_of(mark, "reason", spot, "")
                rest = {name: value for name, value in mark.items() if name != "interface"}
                try:
                    marks[interface] = kind(**rest)
                except (ParameterError, TypeError) as error:
                    raise ParameterError(f"{spot}: {_plain_words(error, names)}") from None
            if marks:
                yield scan, f"{key}s", marks


def _plain_words(error: Exception, names: Mapping[str, Any]) -> str:
    """What is wrong with a mark; a key that was left out is a TypeError of its class."""
    if isinstance(error, ParameterError):
        return str(error)
    needed = [name for name in names if name in str(error)]
    return f"{' and '.join(needed)} must be given"


def _scan(value: Any) -> int:
    return whole_number(value, "scan", low=0)


def _at(where: str, interface: str, make: Any, value: Any) -> Any:
    try:
        return make(value)
    except ParameterError as error:
        raise ParameterError(f"{where}, {interface}: {error}") from None


def _as_gate(value: Any) -> HandGate:
    if isinstance(value, HandGate):
        return value
    try:
        start_us, stop_us = value
    except (TypeError, ValueError):
        raise ParameterError(
            f"gate by hand {given(value)}: give its start and its stop, µs"
        ) from None
    return HandGate(start_us=start_us, stop_us=stop_us)


def _as_pick(value: Any) -> HandPick:
    return value if isinstance(value, HandPick) else HandPick(delay_us=value)
