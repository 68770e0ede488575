"""``echotrace power``: what the measured lengths mean for the power of an implant."""

from __future__ import annotations

import argparse
import math
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from echotrace.commands.arguments import InputFile, OutputFile, add_overwrite, floating, integer
from echotrace.commands.process import say, say_json
from echotrace.user_input import number as checked_number

if TYPE_CHECKING:
    from echotrace.power.cautions import EyeHistory
    from echotrace.power.plausibility import EyeRecord
    from echotrace.power.study import EyeLength, EyeStudy, PowerInputs

SUMMARY = "Say what a measured length means for an implant: power, refraction, how sure."
EXAMPLE = (
    "echotrace power measured.h5 --eye right --k1 43.50 --k2 44.25 --constant srk_t=118.4 "
    "--target -0.25 --history none"
)

_WIDTH = 100


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of the command."""
    per_eye = "one number, or right=NUMBER left=NUMBER where both eyes are worked on"
    source = parser.add_argument_group("length")
    source.add_argument(
        "measured",
        metavar="MEASURED",
        nargs="?",
        type=Path,
        action=InputFile,
        help="measurement file (.h5), or its table (.csv)",
    )
    source.add_argument(
        "--axial-length-mm", nargs="+", metavar="MM", help=f"in place of a file: {per_eye}; mm"
    )
    source.add_argument(
        "--axial-length-u-mm",
        nargs="+",
        metavar="MM",
        help=f"its standard uncertainty: {per_eye}; mm",
    )
    source.add_argument(
        "--scans", type=integer(0, 1_000_000), default=0, help="accepted scans behind that length"
    )
    source.add_argument("--subject", help="code of the subject, where the file holds several")
    source.add_argument("--eye", choices=("right", "left"), help="work on this eye only")
    source.add_argument(
        "--method",
        choices=("contact", "immersion"),
        help="work on this method only; how a length given by --axial-length-mm was measured",
    )
    cornea = parser.add_argument_group("cornea and chamber")
    for name in ("k1", "k2"):
        cornea.add_argument(
            f"--{name}", nargs="+", metavar="D", help=f"keratometry as read: {per_eye}; D"
        )
    for name in ("r1", "r2"):
        cornea.add_argument(
            f"--{name}-mm", nargs="+", metavar="MM", help=f"or corneal radius: {per_eye}; mm"
        )
    cornea.add_argument(
        "--keratometric-index",
        type=floating(1.3, 1.4),
        default=1.3375,
        metavar="N",
        help="index with which the keratometer makes dioptres (default 1.3375)",
    )
    cornea.add_argument(
        "--chamber-mm",
        nargs="+",
        metavar="MM",
        help=f"chamber depth, corneal front to lens front, in place of the scans' own: {per_eye}",
    )
    lens = parser.add_argument_group("lens and target")
    lens.add_argument(
        "--constant",
        nargs="+",
        action="extend",
        required=True,
        metavar="FORMULA=VALUE",
        help="srk_t=A, hoffer_q=pACD, holladay_1=SF, haigis=a0,a1,a2, vergence=ELP; of the lens "
        "in question and of the way the length was measured",
    )
    lens.add_argument(
        "--convert",
        action="store_true",
        help="fill the other formulas with start values converted from the first constant",
    )
    lens.add_argument(
        "--constant-method",
        choices=("optical", "immersion", "contact"),
        default="",
        help="how the lengths were measured on which the constants were optimised",
    )
    lens.add_argument(
        "--target",
        type=floating(-30, 30, "D"),
        required=True,
        metavar="D",
        help="wanted refraction in the spectacle plane, D; minus is myopic",
    )
    lens.add_argument("--vertex-mm", type=floating(0, 30, "mm"), default=12.0, metavar="MM")
    lens.add_argument(
        "--steps", type=integer(0, 20), default=3, metavar="N", help="steps of 0.5 D on either side"
    )
    about = parser.add_argument_group("what else is known of the eyes")
    about.add_argument(
        "--history",
        nargs="+",
        action="extend",
        default=[],
        metavar="WORD",
        help="what was found on asking: none, corneal_refractive_surgery, keratoconus, "
        "corneal_graft, silicone_oil, gas, aphakia, existing_implant, phakic_implant, piggyback; "
        "right=WORD for one eye",
    )
    about.add_argument(
        "--refraction", nargs="+", metavar="D", help=f"spherical equivalent now: {per_eye}; D"
    )
    about.add_argument("--age", type=floating(0, 130, "years"), default=math.nan, metavar="YEARS")
    about.add_argument(
        "--earlier-mm", nargs="+", metavar="MM", help=f"length in an earlier record: {per_eye}"
    )
    about.add_argument(
        "--limits",
        type=Path,
        action=InputFile,
        metavar="FILE",
        help="TOML file of changed plausibility limits",
    )
    spread = parser.add_argument_group(
        "standard uncertainty of the other inputs (published values where not given; 0 leaves out)"
    )
    spread.add_argument("--k-u", type=floating(0, 20, "D"), metavar="D")
    spread.add_argument("--chamber-u-mm", type=floating(0, 10, "mm"), metavar="MM")
    spread.add_argument("--lens-position-u-mm", type=floating(0, 10, "mm"), metavar="MM")
    spread.add_argument("--lens-power-u", type=floating(0, 20, "D"), metavar="D")
    spread.add_argument("--refraction-u", type=floating(0, 20, "D"), metavar="D")
    spread.add_argument(
        "--coverage",
        type=floating(0.5, 0.9999),
        default=0.95,
        help="content of the intervals (default 0.95)",
    )
    output = parser.add_argument_group("output")
    output.add_argument("--json", action="store_true", help="machine-readable output")
    output.add_argument(
        "--report",
        type=Path,
        action=OutputFile,
        suffixes=(".html", ".htm"),
        metavar="PAGE.html",
        help="write a page as well",
    )
    add_overwrite(output)


def run(args: argparse.Namespace) -> int:
    """Work the eyes out and print them."""
    from echotrace.power.study import study_eyes

    lengths = _lengths(args)
    inputs = _inputs(args, lengths)
    studies = study_eyes(lengths, inputs)
    if args.report is not None:
        from echotrace.files.atomic import save_text
        from echotrace.report.power_page import power_page

        save_text(args.report, power_page(studies, inputs))
    if args.json:
        from echotrace.power.cautions import FULL_CAUTION

        say_json({"caution": FULL_CAUTION, "eyes": [item.to_dict() for item in studies]})
    else:
        say("\n".join(_text(studies, inputs)))
        if args.report is not None:
            say(f"\nwrote {args.report}")
    return 0 if all(item.acceptable for item in studies) else 1


def _per_eye(values: Sequence[str] | None, option: str, eyes: Sequence[str]) -> dict[str, float]:
    """``44.0`` for the one eye worked on, or ``right=44.0 left=44.5``."""
    from echotrace.errors import ParameterError

    found: dict[str, float] = {}
    for text in values or ():
        side, sign, number = text.rpartition("=")
        try:
            value = checked_number(number, low=-100.0, high=100.0)
        except ParameterError as error:
            hint = "; name the file before the options" if "." in number[-4:] else ""
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


def _lengths(args: argparse.Namespace) -> list[EyeLength]:
    from echotrace.errors import ParameterError

    if (args.measured is None) == (args.axial_length_mm is None):
        raise ParameterError("give either a measurement file or --axial-length-mm")
    if args.axial_length_mm is not None:
        return _given_lengths(args)
    for option in ("axial_length_u_mm", "scans"):
        if getattr(args, option):
            raise ParameterError(
                f"--{option.replace('_', '-')} goes with --axial-length-mm; the file has its own"
            )
    from echotrace.files.measurement_table import read_measurement_table
    from echotrace.files.native import read_measurement
    from echotrace.power.study import lengths_of

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
    from echotrace.errors import ParameterError
    from echotrace.power.lens_power import check_axial_length_mm
    from echotrace.power.study import EyeLength

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


def _inputs(args: argparse.Namespace, lengths: Sequence[EyeLength]) -> PowerInputs:
    from echotrace.power.lens_power import parse_constant, start_values
    from echotrace.power.plausibility import LIMITS, read_limits
    from echotrace.power.propagation import PUBLISHED
    from echotrace.power.study import PowerInputs

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
    return PowerInputs(
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


def _keratometry(
    args: argparse.Namespace, eyes: Sequence[str]
) -> tuple[dict[str, float], dict[str, float], float]:
    from echotrace.errors import ParameterError
    from echotrace.power.lens_power import KERATOMETRIC_INDEX, Biometry

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
    from echotrace.errors import ParameterError
    from echotrace.power.cautions import EyeHistory, parse_history

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
    from echotrace.power.plausibility import EyeRecord

    return tuple(EyeRecord(eye=eye, length_mm=value) for eye, value in lengths.items())


# --- text ----------------------------------------------------------------------------------------


def _text(studies: Sequence[EyeStudy], inputs: PowerInputs) -> list[str]:
    from echotrace.power.cautions import FULL_CAUTION

    lines = _wrapped("", FULL_CAUTION)
    for study in studies:
        lines += ["", *_eye_text(study, inputs)]
    if any(item.table is not None for item in studies):
        lines += ["", *_origin_text(inputs)]
    return lines


def _wrapped(mark: str, text: str) -> list[str]:
    return textwrap.wrap(
        text, _WIDTH, initial_indent=mark, subsequent_indent=" " * len(mark), break_on_hyphens=False
    )


def _eye_text(study: EyeStudy, inputs: PowerInputs) -> list[str]:
    length = study.length
    title = f"{length.name} (subject {length.subject})" if length.subject else length.name
    lines = [title, "=" * len(title)]
    if not math.isnan(length.mean_mm):
        u = math.hypot(length.u_mm, length.u_shared_mm)
        scans = f", {length.n_accepted} of {length.n} scans accepted" if length.n else ""
        lines.append(
            f"axial length {length.mean_mm:.2f} mm, standard uncertainty {u:.3f} mm "
            f"(scatter {length.u_mm:.3f}, common to all scans {length.u_shared_mm:.3f}){scans}"
        )
    if study.refused:
        lines += _wrapped("REFUSED  ", _sentence(study.refused))
    for text in study.warnings:
        lines += _wrapped("WARNING  ", text)
    if study.table is None or study.biometry is None:
        return lines
    eye = study.biometry
    chamber = eye.chamber_depth_mm.item()
    lines.append(
        f"K {eye.k1_d.item():.2f} / {eye.k2_d.item():.2f} D (index {eye.keratometric_index:g}), "
        + (
            f"chamber depth {study.chamber_origin}"
            if math.isnan(chamber)
            else f"chamber {chamber:.2f} mm ({study.chamber_origin})"
        )
        + f", target {study.table.target_d:+.2f} D at {eye.vertex_mm:g} mm"
    )
    lines += ["", *_table_text(study), ""]
    lines += _summary_text(study)
    lines += ["", *_budget_text(study, inputs)]
    if study.notes:
        lines.append("")
    for text in study.notes:
        lines += _wrapped("note  ", text)
    return lines


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}" + ("" if text.endswith(".") else ".")


def _table_text(study: EyeStudy) -> list[str]:
    from echotrace.power.study import signed

    table = study.table
    assert table is not None
    n = len(study.warnings)
    content = 100 * study.coverage
    heads = [[item.formula.label, str(item).split(" (start")[0]] for item in table.constants]
    cells = [
        [
            f"{signed(result.refraction_d[row]):>6}{'*' if row == table.nearest(k) else ' '} "
            f"({signed(result.low_d[row])} to {signed(result.high_d[row])})"
            for k, result in enumerate(table.outcomes)
        ]
        for row in range(table.power_d.size)
    ]
    widths = [
        max(len(text) for text in (*heads[k], *(row[k] for row in cells)))
        for k in range(len(heads))
    ]
    lines = [
        f"predicted refraction, D, and its {content:g} % interval"
        + (f"; under {n} warning{'s' if n > 1 else ''} above" if n else "")
    ]
    for line, left in enumerate(("power", "")):
        lines.append(
            f"{left:>7}  " + "   ".join(f"{heads[k][line]:<{widths[k]}}" for k in range(len(heads)))
        )
    for power, row in zip(table.power_d, cells, strict=True):
        lines.append(
            f"{power:7.1f}  " + "   ".join(f"{text:<{widths[k]}}" for k, text in enumerate(row))
        )
    lines.append("* nearest to the target by this formula; not a recommendation")
    return [line.rstrip() for line in lines]


def _summary_text(study: EyeStudy) -> list[str]:
    from echotrace.power.study import signed

    table = study.table
    assert table is not None
    lines: list[str] = []
    exact = ", ".join(
        f"{item.formula.label} {power:.2f}"
        for item, power in zip(table.constants, table.for_target_d, strict=True)
    )
    lines.append(f"power for exactly the target, D: {exact}")
    if len(table.constants) > 1:
        spread = float(table.for_target_d.max() - table.for_target_d.min())
        row = table.nearest(0)
        low, high = (end[row] for end in table.disagreement_d())
        lines.append(
            f"the formulas differ by {spread:.2f} D of lens power; for {table.power_d[row]:.1f} D "
            f"they predict {signed(low)} to {signed(high)} D"
        )
    row = table.nearest(0)
    lines.append(
        f"the uncertainty of the length alone (one standard uncertainty) is worth "
        f"{table.outcomes[0].u_length_d[row]:.2f} D"
    )
    for k, constant in enumerate(table.constants):
        row = table.nearest(k)
        quarter, half, one = (100.0 * value for value in table.chance[k, row])
        lines.append(
            f"{constant.formula.label} {table.power_d[row]:.1f} D: chance of ending within 0.25 D "
            f"{quarter:.0f} %, 0.5 D {half:.0f} %, 1 D {one:.0f} % of the target"
        )
    return lines


def _budget_text(study: EyeStudy, inputs: PowerInputs) -> list[str]:
    from echotrace.power.propagation import PARTS
    from echotrace.power.study import signed

    table = study.table
    assert table is not None
    assert study.uncertainty is not None
    first, power = study.budgets[0], table.power_d[table.nearest(0)]
    low, high = study.drawn_d[0]
    lines = [
        f"where the uncertainty comes from ({table.constants[0].formula.label}, {power:.1f} D)",
        f"  {'input':<36}{'standard uncertainty':>22}{'of refraction':>16}{'share':>8}",
    ]
    for name, share in first.shares.items():
        value, part = getattr(study.uncertainty, name), first.parts_d[name]
        unit = name.rsplit("_", 1)[1].replace("d", "D")
        own = "" if name.startswith("length") or name in inputs.uncertainty_given else "†"
        if part >= 0.005:
            lines.append(
                f"  {PARTS[name][0]:<36}{f'{value:.3f} {unit}{own}':>22}{f'{part:.2f} D':>16}"
                f"{f'{100 * share:.0f} %':>8}"
            )
    lines.append(f"  {'all together':<36}{'':>22}{f'{first.total_d:.2f} D':>16}")
    lines.append(
        f"  {100 * study.coverage:g} % interval by drawing: {signed(low)} to {signed(high)} D"
    )
    lines += _wrapped("  ", first.advice)
    if study.gain is not None:
        lines += _wrapped("  ", study.gain.sentence)
    return lines


def _origin_text(inputs: PowerInputs) -> list[str]:
    from echotrace.power.propagation import PARTS, PUBLISHED

    lines = []
    names = [
        name
        for name in PUBLISHED
        if name not in inputs.uncertainty_given and inputs.uncertainty[name] > 0.0
    ]
    if names:
        lines.append("† published, not of this clinic:")
    for name in names:
        lines += _wrapped("  ", f"{PARTS[name][0]}: {PUBLISHED[name][1]}")
    return lines
