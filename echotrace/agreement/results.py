"""What an agreement analysis gives: plain values, without the way they were found."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from echotrace.agreement.design import Design
from echotrace.agreement.limits import Limits
from echotrace.agreement.operators import CellDifferences
from echotrace.agreement.places import SourceFile
from echotrace.agreement.regression import Line
from echotrace.agreement.repeatability import Repeatability
from echotrace.agreement.spreads import SpreadRatio
from echotrace.agreement.variance import Estimate, Floats

__all__ = ["BEYOND", "NOT_SHOWN", "WITHIN", "Agreement", "Equivalence", "OperatorBias", "plain"]


WITHIN, NOT_SHOWN, BEYOND = "within", "not shown to lie within", "beyond"
"""What limits of agreement are against a margin."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Equivalence:
    """Bias and limits of agreement against a margin.

    The bias by two one-sided tests (Schuirmann 1987, J Pharmacokinet Biopharm 15:657). A bias
    within the margin says that the methods agree on average; only limits within it say that the
    values of one eye do.

    Attributes
    ----------
    margin : float
        In the unit of the readings.
    p : float
        The larger of both one-sided p-values of the bias.
    low, high : float
        Interval of the bias of confidence 1 - 2 alpha, which lies within the margin exactly if
        p < alpha.
    limits : mapping of str to str
        For each kind of limits: ``"within"`` the margin with the outer ends of their intervals,
        ``"beyond"`` where a limit itself is, ``"not shown to lie within"`` between the two.
    equivalent : mapping of str to bool
        Whether it is shown, for ``"bias"`` and for each kind of limits.
    """

    margin: float
    p: float
    low: float
    high: float
    limits: Mapping[str, str]
    equivalent: Mapping[str, bool]


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatorBias:
    """Agreement in the eyes that one operator measured by both methods.

    Attributes
    ----------
    operator : str
    n_eyes : int
    bias : Estimate
    limits : Limits or None
        Of the means of a sitting by this operator; they hold for this operator only.
    within_sd_a, within_sd_b : float
        SD within sittings by either method; NaN with single readings.
    """

    operator: str
    n_eyes: int
    bias: Estimate
    limits: Limits | None
    within_sd_a: float
    within_sd_b: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Agreement:
    """Agreement of method A with method B; differences are A minus B.

    Attributes
    ----------
    label_a, label_b, unit : str
    confidence : float
    subject, eye : tuple of str
        One label for each eye measured by both methods.
    mean_a, mean_b, difference, average : ndarray of float64, (n_eyes,)
    sd_a, sd_b : ndarray of float64, (n_eyes,)
        SD of the readings within the sittings of each eye; NaN with one reading a sitting.
    n_subjects, n_eyes : int
    bias : Estimate
    bias_p : float
        Two-sided, for no bias.
    limits : Limits
        Of the values handed over: means of a sitting (or the single pairs), by the operators that
        were asked for; its ``operators`` says which they are.
    limits_reading : Limits or None
        Of single readings; None where the readings are single anyway.
    all_limits : tuple of Limits
        Limits of every kind that the design gives.
    quantile_limits : Limits or None
        Limits as quantiles of the differences, which assume no distribution.
    cells : CellDifferences or None
        Both methods for each eye and operator, where several operators measured.
    slope_on_average : Estimate
        Change of the difference per unit of the average.
    slope_p : float
    deming, passing_bablok : Line or None
    concordance : Estimate
    equivalence : Equivalence or None
    spread : SpreadRatio or None
        Repeatability of A over that of B; None where a method has single readings.
    repeatability_a, repeatability_b : Repeatability or None
    by_operator : tuple of OperatorBias
    normality_p : float
        Shapiro-Wilk test of the differences.
    skewness, excess_kurtosis : float
        Of the differences.
    bootstrap : mapping of str to Estimate
        Intervals by the studentised bootstrap by subject: a check on the intervals above that
        assumes no distribution. Empty with fewer than 20 subjects, where it falls short.
    tails : str
        What a study of so many subjects cannot tell of heavy tails, in words; empty where the test
        found that differences are not normal, and from 146 subjects on.
    intervals : str
        ``"by test"`` or ``"wider"``: what decided which intervals lead.
    design : Design
    bias_df : float
        Degrees of freedom of the bias.
    difference_tau, difference_tau_p : float
        Kendall's rank correlation of the size of a difference (from the bias) with the average of
        both methods, and its p-value: whether differences spread alike at all lengths.
    readings_per_mean_a, readings_per_mean_b : tuple of int
        Fewest and most readings that a sitting's mean is made of.
    n_bootstrap, seed : int
        Draws of the bootstrap, and what they were drawn with.
    files : tuple of SourceFile
        That the readings come from.
    left_out : tuple of str
        Which readings were left out and why.
    synthetic : bool
        A source says that its traces are invented.
    warnings : tuple of str
    paragraph : str
        The results in words.
    """

    label_a: str
    label_b: str
    unit: str
    confidence: float
    subject: tuple[str, ...]
    eye: tuple[str, ...]
    mean_a: Floats
    mean_b: Floats
    difference: Floats
    average: Floats
    sd_a: Floats
    sd_b: Floats
    n_subjects: int
    n_eyes: int
    bias: Estimate
    bias_p: float
    limits: Limits
    limits_reading: Limits | None
    all_limits: tuple[Limits, ...]
    quantile_limits: Limits | None
    cells: CellDifferences | None
    slope_on_average: Estimate
    slope_p: float
    deming: Line | None
    passing_bablok: Line | None
    concordance: Estimate
    equivalence: Equivalence | None
    spread: SpreadRatio | None
    repeatability_a: Repeatability | None
    repeatability_b: Repeatability | None
    by_operator: tuple[OperatorBias, ...]
    normality_p: float
    skewness: float
    excess_kurtosis: float
    bootstrap: Mapping[str, Estimate]
    tails: str
    intervals: str
    design: Design
    bias_df: float
    difference_tau: float
    difference_tau_p: float
    readings_per_mean_a: tuple[int, int]
    readings_per_mean_b: tuple[int, int]
    n_bootstrap: int
    seed: int
    files: tuple[SourceFile, ...]
    left_out: tuple[str, ...]
    synthetic: bool
    warnings: tuple[str, ...]
    paragraph: str = ""

    def text(self) -> str:
        """The results as a paragraph."""
        return self.paragraph

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, strings and lists, as for JSON; what is not estimable is None.

        Numbers are rounded to ten digits, far beyond what any of them is known to.
        """
        values = {item.name: plain(getattr(self, item.name)) for item in dataclasses.fields(self)}
        return {"text": values.pop("paragraph"), **values}


def plain(value: Any) -> Any:
    """Turn a result into dicts, lists, strings and numbers, as for JSON.

    Parameters
    ----------
    value : object
        A result of this package, or anything it holds.

    Returns
    -------
    object
        Numbers that are not finite are None.

    Examples
    --------
    >>> plain(Estimate(1.5, how="t"))
    {'value': 1.5, 'low': None, 'high': None, 'how': 't'}
    """
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        values = {item.name: plain(getattr(value, item.name)) for item in dataclasses.fields(value)}
        if isinstance(value, Design):
            values["paragraph"] = value.paragraph
        return values
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray | tuple | list):
        return [plain(item) for item in value]
    if isinstance(value, np.bool_):
        return bool(value)
    if isinstance(value, float | np.floating):
        return float(f"{value:.10g}") if math.isfinite(value) else None
    return int(value) if isinstance(value, np.integer) else value
