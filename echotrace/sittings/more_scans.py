"""How many more scans a wanted precision takes, and when no number of them does."""

from __future__ import annotations

import math

from echotrace.distributions import chi_square_quantile, normal_quantile, t_quantile
from echotrace.errors import ParameterError
from echotrace.sittings.finding import SittingFinding

__all__ = ["MOST_SCANS", "more_scans_statement", "scans_needed"]

MOST_SCANS = 50
"""Nobody captures more of one eye in a sitting (common practice, no source)."""


def _half_width_mm(sd_mm: float, n: int, shared_u_mm: float, confidence: float) -> float:
    """Half width of the interval of a mean with a shared part (JCGM 100:2008, G.4)."""
    u = sd_mm / math.sqrt(n)
    combined = math.hypot(u, shared_u_mm)
    dof = (n - 1) * (combined / u) ** 4 if u > 0.0 else math.inf
    return float(t_quantile(0.5 + 0.5 * confidence, dof)) * combined


def scans_needed(
    sd_mm: float,
    n: int,
    half_width_mm: float,
    *,
    shared_u_mm: float = 0.0,
    confidence: float = 0.95,
) -> tuple[int | None, int | None] | None:
    """How many scans in all bring the interval of the length down to a half width.

    Parameters
    ----------
    sd_mm : float
        Standard deviation of ``n`` scans.
    n : int
    half_width_mm : float
        Wanted half width of the interval of the length.
    shared_u_mm : float
        Standard uncertainty that all scans share, which no number of them lowers.
    confidence : float
        Of that interval.

    Returns
    -------
    tuple of int or None, or None
        By the spread seen, and by its upper 80 % limit (chi square), for a spread from few scans
        is itself uncertain; None in it where :data:`MOST_SCANS` do not suffice. None alone where
        ``n`` scans do.

    Raises
    ------
    ParameterError
        Fewer than two scans, or no spread or half width.

    Notes
    -----
    The interval is that of Welch and Satterthwaite (JCGM 100:2008, G.4); the chi square limit of a
    standard deviation: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.8.

    Examples
    --------
    >>> from echotrace.sittings.more_scans import scans_needed
    >>> scans_needed(0.06, 5, 0.05), scans_needed(0.03, 5, 0.05)
    ((9, 16), None)
    >>> scans_needed(0.03, 5, 0.08, shared_u_mm=0.043)
    (None, None)
    """
    if n < 2 or not sd_mm >= 0.0 or not half_width_mm > 0.0 or not shared_u_mm >= 0.0:
        raise ParameterError(
            f"sd_mm={sd_mm!r}, n={n!r}, half_width_mm={half_width_mm!r}, "
            f"shared_u_mm={shared_u_mm!r}: give at least two scans, a spread, a positive half "
            "width and a shared part of zero or more"
        )

    def fewest(sd: float) -> int | None:
        enough = (
            count
            for count in range(2, MOST_SCANS + 1)
            if _half_width_mm(sd, count, shared_u_mm, confidence) <= half_width_mm
        )
        return next(enough, None)

    if _half_width_mm(sd_mm, n, shared_u_mm, confidence) <= half_width_mm:
        return None
    seen = fewest(sd_mm)
    upper = sd_mm * math.sqrt((n - 1) / chi_square_quantile(0.2, n - 1))
    return seen, fewest(upper)


def more_scans_statement(
    needed: tuple[int | None, int | None],
    *,
    sd_mm: float,
    n: int,
    half_width_mm: float,
    shared_u_mm: float,
    contact: bool,
    confidence: float = 0.95,
) -> SittingFinding:
    """How many more scans it takes, in words.

    Parameters
    ----------
    needed : tuple of int or None
        From :func:`scans_needed`.
    sd_mm, n, half_width_mm, shared_u_mm, confidence
        What it was asked for.
    contact : bool
        Pressing is a part of what the scans share.

    Returns
    -------
    SittingFinding

    Examples
    --------
    >>> from echotrace.sittings.more_scans import more_scans_statement
    >>> said = more_scans_statement(
    ...     (None, None), sd_mm=0.03, n=5, half_width_mm=0.08, shared_u_mm=0.043, contact=False)
    >>> said.text[:62]
    'No number of scans brings the length within ± 0.08 mm at 95 %:'
    """
    seen, most = needed
    percent = f"{100 * confidence:g} %"
    floor = normal_quantile(0.5 + 0.5 * confidence) * shared_u_mm
    if floor >= half_width_mm:
        source = "pressing, sound speeds" if contact else "sound speeds above all"
        do = " Immersion does not press." if contact else ""
        text = (
            f"No number of scans brings the length within ± {half_width_mm:.2f} mm at {percent}: "
            f"what all of them share ({source}) makes ± {floor:.2f} mm by itself.{do}"
        )
    elif seen is None:
        text = (
            f"More than {MOST_SCANS} scans like these would be needed for a length within ± "
            f"{half_width_mm:.2f} mm at {percent}: a better pose brings more than more scans."
        )
    else:
        up_to = f"more than {MOST_SCANS}" if most is None else f"up to {most}"
        text = (
            f"For a length within ± {half_width_mm:.2f} mm at {percent}, about {seen} scans like "
            f"these are needed in all, {up_to} since the spread ({sd_mm:.3f} mm) is that of only "
            f"{n}."
        )
        if most is None or most > 3 * n:
            text += " A better pose brings more than more scans."
    return SittingFinding("more_scans", text)
