"""Bias and limits of agreement by the design: one operator, several, or one for each method."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from echotrace.agreement.limits import (
    DIFFERENT_OPERATORS,
    ONE_OPERATOR,
    OWN_OPERATORS,
    SAME_OPERATOR,
    TOO_FEW,
    Extra,
    Limits,
    limits_of,
)
from echotrace.agreement.nested import Nested
from echotrace.agreement.operators import (
    FEWEST_OPERATORS,
    CellDifferences,
    Crossing,
    OperatorLimits,
)
from echotrace.agreement.pairing import eye_numbers, linked_pairs, method_means
from echotrace.agreement.resampling import STUDENTISED
from echotrace.agreement.robust import (
    ALPHA_NORMAL,
    limit_intervals,
    normality_p,
    quantile_limits,
    with_intervals,
)
from echotrace.agreement.student import student_intervals
from echotrace.agreement.study import LABELS, Study
from echotrace.agreement.variance import Estimate, Floats, wider

__all__ = ["Differences", "analyse_differences", "hidden_spread"]

Codes = NDArray[np.intp]

MEANS, READINGS, PAIRS = "means of a sitting", "single readings", "pairs"


@dataclass(frozen=True, slots=True)
class Differences:
    """Bias and limits of two methods.

    Attributes
    ----------
    bias : Estimate
    error, df : float
        Standard error of the bias and its degrees of freedom.
    limits : tuple of Limits
        Of every kind that the design gives, those that are to be reported first: quantile limits,
        where differences are not normal and subjects enough for their intervals.
    cells : CellDifferences or None
        Where more than one operator measured.
    bootstrap : mapping of str to Estimate
        SD and limits by the studentised bootstrap, where operators are one and subjects enough.
    quantiles : Limits or None
        Limits as quantiles, where operators are one and subjects are 39 at least.
    normality_p : float
        Of the differences; with several operators of the means by subject, operators' effects
        taken off, for cells of a subject or an operator are alike.
    warnings : tuple of str
    """

    bias: Estimate
    error: float
    df: float
    limits: tuple[Limits, ...]
    cells: CellDifferences | None = None
    bootstrap: Mapping[str, Estimate] = field(default_factory=dict)
    quantiles: Limits | None = None
    normality_p: float = math.nan
    warnings: tuple[str, ...] = ()

    def of(self, values: str, operators: str) -> Limits | None:
        """The limits of some values by some operators; of any where there is one kind only."""
        found = [item for item in self.limits if item.of == values]
        named = [item for item in found if item.operators == operators]
        return next(iter(named or found[:1]), None)


def analyse_differences(
    a: Study,
    b: Study,
    eyes: list[tuple[str, str]],
    subject: Codes,
    *,
    linked: bool = False,
    confidence: float = 0.95,
    draws: Floats | None = None,
    intervals: str = "by test",
) -> Differences:
    """Bias and limits of agreement of two methods on the same eyes.

    Parameters
    ----------
    a, b : Study
        One method each, the same eyes.
    eyes : list of (subject, eye)
    subject : ndarray of int, (n_eyes,)
        Number of the subject of each eye.
    linked : bool
        The k-th reading of an eye by A belongs to its k-th by B.
    confidence : float
    draws : ndarray of float64, (n_draws, n_subjects), optional
        Of the bootstrap by subject; none by default.
    intervals : {"by test", "wider"}
        Whether the wider intervals lead only where differences are not normal, or always.

    Returns
    -------
    Differences

    Raises
    ------
    ParameterError
        One subject only, or differences that are all the same.

    Examples
    --------
    >>> study = Study(
    ...     value=[23.0, 23.4, 24.1, 24.2, 22.0, 22.3],
    ...     subject=["a", "a", "b", "b", "c", "c"],
    ...     method=["contact", "immersion"] * 3,
    ... )
    >>> a, b = study.of_method("contact"), study.of_method("immersion")
    >>> eyes = [("a", "none"), ("b", "none"), ("c", "none")]
    >>> found = analyse_differences(a, b, eyes, np.arange(3))
    >>> round(found.bias.value, 3), [item.label for item in found.limits]
    (-0.267, ['pairs, one operator'])
    """
    operators = sorted({*a.operator.present, *b.operator.present})
    if draws is None:
        draws = np.empty((0, int(subject.max()) + 1))
    if len(operators) == 1:
        return _one_operator(a, b, eyes, subject, linked, confidence, draws, intervals)
    each = [study.operator.present for study in (a, b)]
    if len(each[0]) == len(each[1]) == 1:
        found = _one_operator(a, b, eyes, subject, linked, confidence, draws, intervals)
        limits = tuple(dataclasses.replace(item, operators=OWN_OPERATORS) for item in found.limits)
        told = (
            f"limits hold for {each[0][0]} by the one method against {each[1][0]} by the other; "
            "for other operators they cannot be told"
        )
        return dataclasses.replace(found, limits=limits, warnings=(*found.warnings, told))
    return _several_operators(a, b, eyes, subject, operators, linked, confidence)


def hidden_spread(nested: Nested, study: Study, *, reading: bool) -> Extra:
    """What a single reading, or a sitting's mean, varies more than the mean of its eye or cell.

    A mean of several sittings hides part of their spread; a mean of readings hides part of theirs.

    Parameters
    ----------
    nested : Nested
        Readings in sittings in eyes (or cells).
    study : Study
        The same readings.
    reading : bool
        Of single readings; otherwise of the mean of a sitting.

    Returns
    -------
    Extra

    Examples
    --------
    >>> study = Study(value=[23.0, 23.2, 24.0, 24.1], subject=list("aabb"), method="contact")
    >>> nested = Nested(study.value, [("eye", study.group("subject"))])
    >>> hidden_spread(nested, study, reading=True).parts
    array([0. , 0.5])
    """
    content = nested.mean_squares()[2]
    hidden = content[0].copy()
    hidden[0] = 0.0
    parts = np.zeros(nested.depth)
    if nested.depth == 3:
        parts[1] = 1.0 - hidden[1]
    last = nested.depth - 1
    n = np.bincount(study.group(*LABELS))
    wanted = 1.0 if reading else float(np.mean(1.0 / n))
    if nested.mean_squares()[1][last] > 0:
        parts[last] = wanted - hidden[last]
    parts[np.abs(parts) < 1e-12] = 0.0
    return Extra(nested, parts, alike=bool(np.ptp(n) == 0) and nested.depth < 3)


def _replicated(*nested: Nested) -> bool:
    return any(bool((item.mean_squares()[1][1:] > 0).any()) for item in nested)


def _one_operator(
    a: Study,
    b: Study,
    eyes: list[tuple[str, str]],
    subject: Codes,
    linked: bool,
    confidence: float,
    draws: Floats,
    intervals: str = "by test",
) -> Differences:
    nested = [method_means(study, eyes) for study in (a, b)]
    warnings: list[str] = []
    kinds: list[tuple[str, tuple[Extra | None, Extra | None]]] = []
    plain = nested[0].mean - nested[1].mean
    if linked:
        home_a, home_b = (eye_numbers(study, eyes) for study in (a, b))
        pairs, home, dropped = linked_pairs(a, b, home_a, home_b, len(eyes))
        if dropped:
            warnings.append(f"{dropped} readings without a partner were left out of the pairs")
        difference = Nested(pairs, [("subject", subject[home]), ("eye", home)])
        kinds = [(READINGS, (None, None))]
    else:
        difference = Nested(plain, [("subject", subject)])
        replicated = _replicated(*nested)
        for of, reading in ((MEANS if replicated else PAIRS, False), (READINGS, True)):
            if reading and not replicated:
                continue
            one, other = (
                hidden_spread(item, study, reading=reading)
                for item, study in zip(nested, (a, b), strict=True)
            )
            kinds.append((of, (one, other)))
    p = normality_p(plain)
    found: list[Limits] = []
    bootstrap: dict[str, Estimate] = {}
    for of, extras in kinds:
        bias, limits = limits_of(difference, *extras, of, confidence)
        other_intervals = limit_intervals(difference, extras, subject, draws, confidence)
        for name, item in other_intervals.items():
            if item.how == STUDENTISED:
                bootstrap[f"{name}, {of}"] = item
        student = student_intervals(difference, bias, limits, confidence)
        others = [student, other_intervals] if p < ALPHA_NORMAL or not student else [student]
        wide = {
            name: wider(getattr(limits, name), *(ends[name] for ends in others if ends))
            for name in student or other_intervals
        }
        limits = dataclasses.replace(limits, wider=wide)
        if wide and (p < ALPHA_NORMAL or intervals == "wider"):
            limits = with_intervals(limits, wide)
        found.append(limits)
    n = difference.n_top
    error = math.sqrt(difference.mean_squares()[0][0] / n)
    quantiles = None
    if not linked:
        quantiles = quantile_limits(plain, subject, kinds[0][0], ONE_OPERATOR, confidence)
        if p < ALPHA_NORMAL and quantiles is not None and not math.isnan(quantiles.lower.low):
            found.insert(0, quantiles)
    return Differences(
        bias,
        error,
        n - 1.0,
        tuple(found),
        bootstrap=bootstrap,
        quantiles=quantiles,
        normality_p=p,
        warnings=tuple(warnings),
    )


def _several_operators(
    a: Study,
    b: Study,
    eyes: list[tuple[str, str]],
    subject: Codes,
    operators: list[str],
    linked: bool,
    confidence: float,
) -> Differences:
    nothing = np.empty((0, int(subject.max()) + 1))
    number = {name: k for k, name in enumerate(operators)}
    studies, codes = [a, b], []
    for study in studies:
        lookup = np.array([number.get(label, -1) for label in study.operator.labels])
        codes.append(eye_numbers(study, eyes) * len(operators) + lookup[study.operator.codes])
    shared = np.intersect1d(*codes)
    present = np.unique(shared % len(operators))
    if present.size < 2 or np.unique(subject[shared // len(operators)]).size < 3:
        return _without_intervals(
            _one_operator(a, b, eyes, subject, linked, confidence, nothing),
            DIFFERENT_OPERATORS,
            "the methods were taken by different operators in most eyes, and not so that the "
            "operators could be counted: limits are given without intervals",
        )
    warnings = []
    left_out = len(eyes) - np.unique(shared // len(operators)).size
    if left_out:
        warnings.append(
            f"{left_out} eyes have no operator who took both methods; limits of agreement are made "
            "without them"
        )
    kept = [np.isin(code, shared) for code in codes]
    studies = [study.select(rows) for study, rows in zip(studies, kept, strict=True)]
    cell = [
        np.searchsorted(shared, code[rows]).astype(np.intp)
        for code, rows in zip(codes, kept, strict=True)
    ]
    eye = np.unique(shared // len(operators), return_inverse=True)[1].reshape(-1).astype(np.intp)
    extras, of = _cell_extras(studies, cell, linked, shared.size)
    means = [item[0].nested.mean for item in extras]
    if linked:
        # The means of the pairs are differences already.
        means[1] = np.zeros_like(means[0])
    cells = CellDifferences(
        subject=np.unique(subject[shared // len(operators)], return_inverse=True)[1].reshape(-1),
        eye=eye,
        operator=np.searchsorted(present, shared % len(operators)).astype(np.intp),
        mean_a=means[0],
        mean_b=means[1],
        operators=tuple(operators[k] for k in present),
    )
    crossing = Crossing(cells.eye, cells.operator)
    crossed = crossing.connected and crossing.df > 0
    apart = np.unique(np.stack([cells.subject, cells.operator]), axis=1).shape[1]
    if not crossed and apart > int(cells.subject.max()) + 1:
        return _without_intervals(
            _one_operator(a, b, eyes, subject, linked, confidence, nothing),
            SAME_OPERATOR,
            "some subjects were measured by several operators, but not so that all operators could "
            "be compared: limits are given without intervals",
        )
    analysis = OperatorLimits(cells, crossed=crossed, confidence=confidence, paired=linked)
    found: list[Limits] = []
    for values, pair in zip(of, zip(*extras, strict=True), strict=True):
        found += analysis.limits(pair, values)
    if len(cells.operators) < FEWEST_OPERATORS:
        warnings.append(
            f"{len(cells.operators)} operators are too few to tell how operators differ: limits of "
            "agreement are given without intervals; each operator's own limits are listed by "
            "operator"
        )
    return Differences(
        analysis.bias,
        analysis.error,
        analysis.error_df,
        tuple(found),
        None if linked else cells,
        normality_p=normality_p(_by_subject(cells, crossing if crossed else None)),
        warnings=tuple(warnings),
    )


def _by_subject(cells: CellDifferences, crossing: Crossing | None) -> Floats:
    """Mean difference of each subject without what operators add, (n_subjects,).

    Cells of a subject, or of an operator, are alike: a test that takes them for independent calls
    normal ones something else, and the more often the more operators seem to differ.
    """
    value, operator = cells.difference, cells.operator
    if crossing is None:
        effects = np.bincount(operator, value) / np.bincount(operator)
    else:
        effects = crossing.effects(value)
    left = value - effects[operator]
    return np.asarray(np.bincount(cells.subject, left) / np.bincount(cells.subject))


def _cell_extras(
    studies: list[Study], cell: list[Codes], linked: bool, n_cells: int
) -> tuple[list[list[Extra]], tuple[str, ...]]:
    """Spread that the cells' means hide, for each method and each kind of value."""
    if linked:
        pairs, home, _ = linked_pairs(studies[0], studies[1], cell[0], cell[1], n_cells)
        nested = Nested(pairs, [("cell", home)])
        parts = np.array([0.0, 1.0 - nested.mean_squares()[2][0, 1]])[: nested.depth]
        return [[Extra(nested, parts)], [Extra(nested, np.zeros(nested.depth))]], (READINGS,)
    nested_ab = [
        Nested(study.value, [("cell", code), ("sitting", study.group(*LABELS))])
        for study, code in zip(studies, cell, strict=True)
    ]
    replicated = _replicated(*nested_ab)
    of = (MEANS, READINGS) if replicated else (PAIRS,)
    extras = [
        [hidden_spread(nested, study, reading=values == READINGS) for values in of]
        for nested, study in zip(nested_ab, studies, strict=True)
    ]
    return extras, of


def _without_intervals(found: Differences, operators: str, warning: str) -> Differences:
    """The same values, but for what operators decide no interval is given."""

    def bare(item: Limits) -> Limits:
        return Limits(
            of=item.of,
            operators=operators,
            sd=Estimate(item.sd.value, how=TOO_FEW),
            lower=Estimate(item.lower.value, how=TOO_FEW),
            upper=Estimate(item.upper.value, how=TOO_FEW),
        )

    return dataclasses.replace(
        found,
        bias=dataclasses.replace(found.bias, how="t, for these operators"),
        quantiles=None,
        limits=tuple(bare(item) for item in found.limits if not item.as_quantiles),
        warnings=(*found.warnings, warning),
    )
