"""What the arguments of ``echotrace power`` say of the eyes: lengths, cornea, lens and history."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Mapping, Sequence

from echotrace.errors import ParameterError
from echotrace.files.measurement_table import read_measurement_table
from echotrace.files.native import read_measurement
from echotrace.power.biometry import Biometry, check_axial_length_mm
from echotrace.power.constants import parse_constant, start_values
from echotrace.power.eye_length import EyeLength, lengths_of
from echotrace.power.eye_record import EyeRecord
from echotrace.power.formulas import KERATOMETRIC_INDEX
from echotrace.power.history import EyeHistory, parse_history
from echotrace.power.plausibility_limits import LIMITS, read_limits
from echotrace.power.settings import PowerSettings
from echotrace.power.uncertainty import PUBLISHED
from echotrace.user_input import number

__all__ = ["eye_lengths", "power_settings"]


def eye_lengths(args: argparse.Namespace) -> list[EyeLength]:
    """Lengths of one subject: the sittings of the file, or those given as numbers.

    Parameters
    ----------
    args : argparse.Namespace
        As parsed.

    Returns
    -------
    list of EyeLength

    Raises
    ------
    ParameterError
        Naming the option or the file, and the remedy.

    Examples
    --------
    >>> from echotrace.commands.power import add_arguments
    >>> parser = argparse.ArgumentParser()
    >>> add_arguments(parser)
    >>> args = parser.parse_args([
    ...     "--axial-length-mm", "right=23.4", "--axial-length-u-mm", "right=0.03",
    ...     "--k1", "right=43.5", "--k2", "right=44.5", "--constant", "srk_t=118.4",
    ...     "--target", "0",
    ... ])
    >>> [(item.eye, item.mean_mm) for item in eye_lengths(args)]
    [('right', 23.4)]
    """
    if (args.measured is None) == (args.axial_length_mm is None):
        raise ParameterError("give either a measurement file or --axial-length-mm")
    if args.axial_length_mm is not None:
        return _given_lengths(args)
    for option in ("axial_length_u_mm", "scans"):
        if getattr(args, option):
            raise ParameterError(
                f"--{option.replace('_', '-')} goes with --axial-length-mm; the file has its own"
            )
    read = read_measurement_table if args.measured.suffix.lower() == ".csv" else read_measurement
    lengths = lengths_of(read(args.measured))
    wanted = {"subject": args.subject, "eye": args.eye, "method": args.method}
    for name, value in wanted.items():
        if value is None:
            continue
        there = sorted({getattr(item, name) for item in lengths})
        lengths = [item for item in lengths if getattr(item, name) == value]
        if not lengths:
            raise ParameterError(
                f"{args.measured}: no sitting with {name} {value!r}; there is {', '.join(there)}"
            )
    subjects = sorted({item.subject for item in lengths})
    if len(subjects) > 1:
        raise ParameterError(
            f"{args.measured}: holds {len(subjects)} subjects, keratometry belongs to one: choose "
            f"with --subject ({', '.join(subjects[:5])})"
        )
    return lengths


def _given_lengths(args: argparse.Namespace) -> list[EyeLength]:
    eyes = [args.eye] if args.eye else []
    lengths = _per_eye(args.axial_length_mm, "--axial-length-mm", eyes)
    if args.eye and set(lengths) != {args.eye}:
        raise ParameterError(f"--axial-length-mm: give the {args.eye} eye only, or leave --eye out")
    for length in lengths.values():
        check_axial_length_mm(length)
    spreads = _per_eye(args.axial_length_u_mm, "--axial-length-u-mm", list(lengths))
    missing = [eye for eye in lengths if eye not in spreads]
    if missing:
        raise ParameterError(
            f"--axial-length-u-mm: the {missing[0]} eye lacks it; without the standard uncertainty "
            "of the length nothing can be said about the outcome"
        )
    return [
        EyeLength(
            eye=eye,
            mean_mm=length,
            u_mm=spreads[eye],
            n=args.scans,
            n_accepted=args.scans,
            method=args.method or "",
            subject=args.subject or "",
        )
        for eye, length in lengths.items()
    ]


def power_settings(args: argparse.Namespace, lengths: Sequence[EyeLength]) -> PowerSettings:
    """Everything but the lengths, for the eyes that have one.

    Parameters
    ----------
    args : argparse.Namespace
        As parsed.
    lengths : sequence of EyeLength

    Returns
    -------
    PowerSettings

    Raises
    ------
    ParameterError
        Naming the option and the remedy.

    Examples
    --------
    >>> from echotrace.commands.power import add_arguments
    >>> parser = argparse.ArgumentParser()
    >>> add_arguments(parser)
    >>> args = parser.parse_args([
    ...     "--axial-length-mm", "right=23.4", "--axial-length-u-mm", "right=0.03",
    ...     "--k1", "right=43.5", "--k2", "right=44.5", "--constant", "srk_t=118.4",
    ...     "--target", "0",
    ... ])
    >>> power_settings(args, eye_lengths(args)).k1_d
    {'right': 43.5}
    """
    eyes = list(dict.fromkeys(item.eye for item in lengths))
    constants = tuple(parse_constant(text) for text in args.constant)
    if args.convert:
        constants = start_values(constants)
    k1, k2, index = _keratometry(args, eyes)
    own = {
        "k_d": args.k_u,
        "chamber_mm": args.chamber_u_mm,
        "lens_position_mm": args.lens_position_u_mm,
        "lens_power_d": args.lens_power_u,
        "refraction_d": args.refraction_u,
    }
    given = {name: value for name, value in own.items() if value is not None}
    return PowerSettings(
        constants=constants,
        target_d=args.target,
        k1_d=k1,
        k2_d=k2,
        keratometric_index=index,
        vertex_mm=args.vertex_mm,
        chamber_mm=_per_eye(args.chamber_mm, "--chamber-mm", eyes),
        refraction_d=_per_eye(args.refraction, "--refraction", eyes),
        age_years=args.age,
        history=_history(args.history, eyes),
        constant_method=args.constant_method,
        uncertainty={name: value for name, (value, _) in PUBLISHED.items()} | given,
        uncertainty_given=frozenset(given),
        coverage=args.coverage,
        n_each_side=args.steps,
        earlier=_earlier(_per_eye(args.earlier_mm, "--earlier-mm", eyes)),
        limits=LIMITS if args.limits is None else read_limits(args.limits),
    )


def _per_eye(values: Sequence[str] | None, option: str, eyes: Sequence[str]) -> dict[str, float]:
    """``44.0`` for the one eye worked on, or ``right=44.0 left=44.5``."""
    found: dict[str, float] = {}
    for text in values or ():
        side, sign, digits = text.rpartition("=")
        try:
            value = number(digits, low=-100.0, high=100.0)
        except ParameterError as error:
            hint = "; name the file before the options" if "." in digits[-4:] else ""
            raise ParameterError(f"{option}: {error}{hint}") from None
        if sign and side not in ("right", "left"):
            raise ParameterError(f"{option}: {side!r} is not an eye; write right= or left=")
        if not sign:
            if len(eyes) != 1 or len(values or ()) != 1:
                raise ParameterError(
                    f"{option}: say whose it is, {option} right=... left=..., or choose one eye "
                    "with --eye"
                )
            side = eyes[0]
        if side in found:
            raise ParameterError(f"{option}: two values for the {side} eye")
        found[side] = value
    return found


def _keratometry(
    args: argparse.Namespace, eyes: Sequence[str]
) -> tuple[dict[str, float], dict[str, float], float]:
    readings = args.k1 is not None or args.k2 is not None
    radii = args.r1_mm is not None or args.r2_mm is not None
    if readings == radii:
        raise ParameterError("give keratometry as --k1 and --k2, or as --r1-mm and --r2-mm")
    names = ("--k1", "--k2") if readings else ("--r1-mm", "--r2-mm")
    values = (args.k1, args.k2) if readings else (args.r1_mm, args.r2_mm)
    first, second = (_per_eye(item, name, eyes) for item, name in zip(values, names, strict=True))
    for eye in eyes:
        for name, side in zip(names, (first, second), strict=True):
            if eye not in side:
                raise ParameterError(f"{name}: the {eye} eye lacks it")
    if readings:
        return first, second, args.keratometric_index
    for eye in eyes:
        # Radii are turned into readings of the standard index, which the formulas turn back.
        one = Biometry.from_radii(axial_length_mm=23.5, r1_mm=first[eye], r2_mm=second[eye])
        first[eye], second[eye] = one.k1_d.item(), one.k2_d.item()
    return first, second, KERATOMETRIC_INDEX


def _history(words: Iterable[str], eyes: Sequence[str]) -> dict[str, tuple[EyeHistory, ...]]:
    found: dict[str, tuple[EyeHistory, ...]] = {}
    for text in words:
        side, sign, word = text.rpartition("=")
        if sign and side not in ("right", "left"):
            raise ParameterError(f"--history: {side!r} is not an eye; write right= or left=")
        for eye in [side] if sign else eyes:
            found[eye] = (*found.get(eye, ()), parse_history(word))
    for eye, declared in found.items():
        if EyeHistory.NONE in declared and len(declared) > 1:
            raise ParameterError(f"--history: {', '.join(declared)} for the {eye} eye contradict")
    return found


def _earlier(lengths: Mapping[str, float]) -> tuple[EyeRecord, ...]:
    return tuple(EyeRecord(eye=eye, length_mm=value) for eye, value in lengths.items())
