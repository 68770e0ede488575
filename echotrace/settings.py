"""The one tree of settings: read from TOML, written back losslessly."""

from __future__ import annotations

import dataclasses
import json
import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, get_args, get_type_hints

from echotrace._renamed import old_fields, renamed_keys
from echotrace.errors import EchotraceWarning, ParameterError
from echotrace.quality.limits import QualityLimits
from echotrace.signal.candidates import false_alarm_threshold_db
from echotrace.signal.choice_plan import JointChoiceSettings
from echotrace.signal.echo_template import EchoTemplate, read_template
from echotrace.signal.envelope import EnvelopeMethod
from echotrace.signal.gates import Gate
from echotrace.signal.lengths import LengthSettings
from echotrace.signal.picking import PickerSettings, picker_named
from echotrace.signal.pulse import Pulse
from echotrace.sitting_limits import SittingLimits
from echotrace.user_input import (
    check_keys,
    given,
    number,
    parsing,
    read_toml,
    table_of,
    tables_of,
    text_of,
    truth_of,
    whole_number,
)

__all__ = [
    "EnvelopeSettings",
    "PickingSettings",
    "Settings",
    "SittingLimits",
    "TargetGate",
    "read_settings",
    "settings_toml",
]


Engine = Literal["auto", "fused", "plain"]

OLD_TABLES = {"picker_options": "pickers", "joint_weights": "joint_choice"}
"""Tables of version 0.1, which files keep being read with, to their names of today."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EnvelopeSettings:
    """How the plain envelope is made.

    Attributes
    ----------
    method : {"analytic", "quadrature", "rectified"}
    bandwidth : float
        Its band as a multiple of the probe's -6 dB band.

    Raises
    ------
    ParameterError
        An unknown method, or a band out of range.

    Examples
    --------
    >>> from echotrace.settings import EnvelopeSettings
    >>> EnvelopeSettings(method="rectified").bandwidth
    1.5
    """

    method: EnvelopeMethod = "quadrature"
    bandwidth: float = 1.5

    def __post_init__(self) -> None:
        if self.method not in ("analytic", "quadrature", "rectified"):
            raise ParameterError(
                f"envelope method {self.method!r}: use analytic, quadrature or rectified"
            )
        if not 0.3 <= self.bandwidth <= 5.0:
            raise ParameterError(
                f"envelope bandwidth={self.bandwidth!r} must lie between 0.3 and 5"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class PickingSettings:
    """How interfaces are found and read.

    Attributes
    ----------
    picker : str
        One of :data:`echotrace.signal.picking.PICKERS`, or one registered.
    choice : {"jointly", "gate_by_gate"}
    template : {"probe", "recording"}
        Pulse of the matched filter: from the probe's description, or the average of the
        recording's own strongest unclipped echoes.
    search_threshold_db : float
        Least height over the noise of anything called an echo, dB; a gate may have its own. It is
        a level, the same for every probe and length of trace, and no rate of false alarms: noise
        alone passes 13 dB in 3, 6 and 8 of a hundred traces of 52 µs at 30, 60 and 90 % of 10 MHz
        (:func:`echotrace.signal.candidates.false_alarm_rate_of`). That is harmless for a choice
        that weighs echoes against one another.
    false_alarm_rate : float
        Over zero, it takes the place of ``search_threshold_db``: share of traces of noise alone in
        which anything is called an echo, for the template and the length of the traces.

    Raises
    ------
    ParameterError
        An unknown picker, choice or template, or a threshold out of range.

    Examples
    --------
    >>> from echotrace.settings import PickingSettings
    >>> PickingSettings(picker="envelope_peak").choice
    'jointly'
    """

    picker: str = "matched_filter"
    choice: Literal["jointly", "gate_by_gate"] = "jointly"
    template: Literal["probe", "recording"] = "probe"
    search_threshold_db: float = 13.0
    false_alarm_rate: float = 0.0

    def __post_init__(self) -> None:
        picker_named(self.picker)
        if self.choice not in ("jointly", "gate_by_gate"):
            raise ParameterError(f"choice={self.choice!r}: use 'jointly' or 'gate_by_gate'")
        if self.template not in ("probe", "recording"):
            raise ParameterError(f"template={self.template!r}: use 'probe' or 'recording'")
        if not 6.0 <= self.search_threshold_db <= 60.0:
            raise ParameterError(
                f"search_threshold_db={self.search_threshold_db!r} must lie between 6 and 60 dB"
            )
        if not 0.0 <= self.false_alarm_rate <= 0.5:
            raise ParameterError(
                f"false_alarm_rate={self.false_alarm_rate!r} must lie between 0 and 0.5; 0 leaves "
                "the threshold to search_threshold_db"
            )

    def threshold_db(self, pulse: Pulse, n_samples: int) -> float:
        """Least height over the noise of anything called an echo, dB.

        Parameters
        ----------
        pulse : Pulse
            Template, at the sampling rate of the traces.
        n_samples : int
            Of a trace.

        Returns
        -------
        float

        Examples
        --------
        >>> from echotrace.settings import PickingSettings
        >>> from echotrace.signal.pulse import gaussian_pulse
        >>> pulse = gaussian_pulse(100e6, 10e6, 0.6)
        >>> for rate in (0.0, 0.01, 0.001):
        ...     print(round(PickingSettings(false_alarm_rate=rate).threshold_db(pulse, 4096), 1))
        13.0
        13.7
        14.5
        """
        if self.false_alarm_rate == 0.0:
            return self.search_threshold_db
        return false_alarm_threshold_db(pulse, n_samples, self.false_alarm_rate)


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetGate:
    """A gate of the user's, and where it applies.

    Attributes
    ----------
    method : str
        ``contact``, ``immersion``, ``other``, or ``any``.
    target : str
        Name of the target (``phakic``, ``pseudophakic_acrylic``, a user's own), or ``any``.
    gate : Gate

    Examples
    --------
    >>> from echotrace.settings import TargetGate
    >>> from echotrace.signal.gates import Gate
    >>> gate = Gate(interface="retina", start_us=28.0, stop_us=34.0)
    >>> TargetGate(method="immersion", target="phakic", gate=gate).gate.stop_us
    34.0
    """

    method: str
    target: str
    gate: Gate


def _plain(options: Any) -> dict[str, Any]:
    """The fields of options that hold no other options."""
    return {item.name: getattr(options, item.name) for item in dataclasses.fields(options)}


@old_fields(**OLD_TABLES)
@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Everything that decides how a recording is measured.

    Attributes
    ----------
    engine : {"auto", "fused", "plain"}
        What reads the traces: ``fused`` in one walk over each trace, ``plain`` step by step (the
        reference path, which serves every picker and envelope), ``auto`` the first where it
        applies and else the second. The measurement says which it was.
    envelope, picking, pickers, joint_choice, lengths, quality, sitting
        One table each; ``pickers`` holds what single pickers ask for.
    template : EchoTemplate or None
        Measured pulse of the matched filter; in a settings file ``[template]`` with its samples, or
        with ``file``, a file of its own beside it. None: what ``picking.template`` says.
    gates : tuple of TargetGate
        Where one applies to an interface, it replaces the preset, and binds; other interfaces keep
        theirs. Of several that apply, the last one does.

    Raises
    ------
    ParameterError
        An unknown engine, or a template that is both given and to be estimated.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.settings import PickingSettings
    >>> settings = et.Settings(picking=PickingSettings(choice="gate_by_gate"))
    >>> settings.engine, et.Settings.from_table(settings.to_table()) == settings
    ('auto', True)
    """

    engine: Engine = "auto"
    envelope: EnvelopeSettings = field(default_factory=EnvelopeSettings)
    picking: PickingSettings = field(default_factory=PickingSettings)
    pickers: PickerSettings = field(default_factory=PickerSettings)
    joint_choice: JointChoiceSettings = field(default_factory=JointChoiceSettings)
    lengths: LengthSettings = field(default_factory=LengthSettings)
    quality: QualityLimits = field(default_factory=QualityLimits)
    sitting: SittingLimits = field(default_factory=SittingLimits)
    template: EchoTemplate | None = None
    gates: tuple[TargetGate, ...] = ()

    def __post_init__(self) -> None:
        if self.engine not in get_args(Engine):
            raise ParameterError(f"engine={self.engine!r}: use auto, fused or plain")
        if self.template is not None and self.picking.template == "recording":
            raise ParameterError(
                "a template is given, and picking.template = 'recording' asks to estimate one; "
                "take one of the two out"
            )

    def to_table(self) -> dict[str, Any]:
        """The tree as plain tables, as TOML and JSON have them.

        Returns
        -------
        dict of str to object
        """
        table: dict[str, Any] = {}
        for item in dataclasses.fields(self):
            value = getattr(self, item.name)
            if item.name == "template":
                if value is not None:
                    table[item.name] = value.to_table()
            elif item.name != "gates":
                table[item.name] = _plain(value) if item.name != "engine" else value
        table["gate"] = [
            {"method": g.method, "target": g.target}
            | {k: v for k, v in _plain(g.gate).items() if v is not None}
            for g in self.gates
        ]
        return table

    def to_json(self) -> str:
        """The tree as JSON, for provenance.

        Returns
        -------
        str
        """
        return json.dumps(self.to_table(), ensure_ascii=False)

    @classmethod
    def from_table(
        cls, table: Mapping[str, Any], where: str = "settings", folder: Path | None = None
    ) -> Settings:
        """Build settings from plain tables; what is not given keeps its default.

        Parameters
        ----------
        table : mapping
        where : str
            What errors name as the place.
        folder : Path, optional
            In which the file of a template is looked for; None: the current one.

        Returns
        -------
        Settings

        Raises
        ------
        ParameterError
            Naming the table and key; an unknown key is told its nearest neighbour.
        """
        sections = {f.name: f for f in dataclasses.fields(cls) if f.name != "gates"}
        hints = get_type_hints(cls)
        values: dict[str, Any] = {}
        table = renamed_keys(table, OLD_TABLES, where)
        check_keys(table, [*sections, "gate"], where)
        for key, value in table.items():
            if key == "gate":
                continue
            if key == "engine":
                values[key] = value
                continue
            place = f"{where}: [{key}]"
            if key == "template":
                values[key] = _template(table_of(value, place), place, folder)
                continue
            section = _without_gone(key, table_of(value, place), place)
            values[key] = _fill(hints[key], section, place)
        parsed = []
        for k, item in enumerate(tables_of(table, "gate", where)):
            place = f"{where}: [[gate]] {k + 1}"
            method, target = (text_of(item, key, place, "any") for key in ("method", "target"))
            rest = {key: value for key, value in item.items() if key not in ("method", "target")}
            if method not in ("any", "contact", "immersion", "other"):
                raise ParameterError(
                    f"{place}: method={method!r}: use contact, immersion, other or any"
                )
            parsed.append(TargetGate(method=method, target=target, gate=_fill(Gate, rest, place)))
        try:
            return cls(**values, gates=tuple(parsed))
        except ParameterError as error:
            raise ParameterError(f"{where}: {error}") from None


# Limits of probabilities that are no more, and what stands in their place: no number is taken over.
_GONE = {
    "quality": {"min_score": "min_length_right", "min_on_axis_probability": "min_aligned"},
}


def _without_gone(section: str, table: Mapping[str, Any], where: str) -> Mapping[str, Any]:
    gone = _GONE.get(section, {})
    for key in table.keys() & gone.keys():
        warnings.warn(
            f"{where}: {key} is not used any more: {gone[key]} is the limit of another probability "
            "and keeps its preset; take the old line out",
            EchotraceWarning,
            stacklevel=3,
        )
    return {key: value for key, value in table.items() if key not in gone}


def _template(table: Mapping[str, Any], where: str, folder: Path | None) -> EchoTemplate:
    """A measured pulse, by its samples or by the name of its file."""
    if "file" not in table:
        return EchoTemplate.from_table(table, where)
    check_keys(table, ("file",), where)
    return read_template((folder or Path()) / text_of(table, "file", where))


def _range_of(key: str) -> tuple[float, float]:
    """What a number may be at most, by its name; its own table may allow less."""
    last = key.rpartition("_")[2]
    if key in ("min_length_right", "min_length_right_in_sitting", "min_aligned"):
        return 0.0, 1.0
    if last in ("score", "probability", "fraction", "confidence", "alpha"):
        return 0.0, 1.0
    return (-200.0, 200.0) if last == "db" else (-1e6, 1e6)


def _fill(cls: type, table: Mapping[str, Any], where: str) -> Any:
    """Make a dataclass of a table, with names and types checked."""
    known = {f.name: f for f in dataclasses.fields(cls)}
    hints = get_type_hints(cls)
    values: dict[str, Any] = {}
    check_keys(table, known, where)
    for key, value in table.items():
        wanted = hints[key]
        if wanted == float | None:
            wanted = float
        if wanted in (float, int) and isinstance(value, str):
            raise ParameterError(f"{where}: {key} must be a number, got {given(value)}")
        if wanted is float:
            low, high = _range_of(key)
            values[key] = number(value, f"{where}: {key}", low=low, high=high)
        elif wanted is bool:
            values[key] = truth_of(table, key, where)
        elif wanted is int:
            values[key] = whole_number(value, f"{where}: {key}", low=0, high=1_000_000_000)
        else:
            values[key] = text_of(table, key, where)
    missing = [
        f.name
        for f in known.values()
        if f.name not in values
        and f.default is dataclasses.MISSING
        and f.default_factory is dataclasses.MISSING
    ]
    if missing:
        raise ParameterError(f"{where}: {', '.join(missing)} must be given")
    try:
        return cls(**values)
    except ParameterError as error:
        raise ParameterError(f"{where}: {error}") from None


def read_settings(path: str | Path) -> Settings:
    r"""Read settings from a TOML file.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Settings

    Raises
    ------
    ParameterError
        Naming the file, the table and the key.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import echotrace as et
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "settings.toml"
    >>> _ = path.write_text("[picking]\nsearch_threshold_db = 16.0\n")
    >>> et.read_settings(path).picking.search_threshold_db
    16.0
    """
    path = Path(path)
    table = read_toml(path)
    with parsing(path, "a file of settings", error=ParameterError):
        return Settings.from_table(table, str(path), path.parent)


def settings_toml(settings: Settings) -> str:
    """The settings as TOML text; reading it back gives equal settings.

    Parameters
    ----------
    settings : Settings

    Returns
    -------
    str

    Examples
    --------
    >>> from echotrace.settings import Settings, settings_toml
    >>> print(settings_toml(Settings()).splitlines()[0])
    engine = "auto"
    """
    import tomli_w

    return tomli_w.dumps(settings.to_table())
