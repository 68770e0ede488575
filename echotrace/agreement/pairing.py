"""Which readings belong together: two methods on the same eyes, and reading with reading."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from echotrace.agreement.nested import Nested
from echotrace.agreement.spreads import within_sums
from echotrace.agreement.study import LABELS, Study
from echotrace.agreement.variance import Floats
from echotrace.errors import ParameterError

if TYPE_CHECKING:
    from echotrace.measurement import Measurement

__all__ = [
    "common_eyes",
    "eye_keys",
    "eye_numbers",
    "eye_sd",
    "linked_pairs",
    "method_means",
    "two_methods",
]


def two_methods(
    a: Study | Measurement, b: Study | Measurement | None, methods: tuple[str, str] | None
) -> tuple[Study, Study, Study]:
    """Readings of method A, of method B, and of both in one study.

    Parameters
    ----------
    a, b : Study or Measurement
        One method each, or ``a`` alone that holds both.
    methods : tuple of str, optional
        Which methods A and B are, or names for them.

    Returns
    -------
    a, b, both : Study

    Raises
    ------
    ParameterError
        It is not clear which methods are meant, or they are one.

    Examples
    --------
    >>> study = Study(
    ...     value=[23.0, 23.4, 24.1, 24.2, 22.0, 22.3],
    ...     subject=["a", "a", "b", "b", "c", "c"],
    ...     method=["contact", "immersion"] * 3,
    ... )
    >>> a, b, both = two_methods(study, None, ("contact", "immersion"))
    >>> a.n_readings, b.n_readings, both.n_readings
    (3, 3, 6)
    """
    study = _as_study(a)
    if b is None:
        present = study.method.present
        if methods is None:
            if len(present) != 2:
                where = [np.flatnonzero(study.method.where(name)) for name in present]
                held = [
                    f"{name} ({study.places.names(rows, most=1)})"
                    for name, rows in zip(present, where, strict=True)
                ]
                raise ParameterError(
                    f"{study.source}: holds {', '.join(held)}; "
                    + (
                        "a second method is needed"
                        if len(present) < 2
                        else "say which two methods, or spell each alike"
                    )
                )
            methods = (present[0], present[1])
        if methods[0] == methods[1]:
            raise ParameterError(f"method {methods[0]!r} cannot be compared with itself")
        parts = (study.of_method(methods[0]), study.of_method(methods[1]))
        both = study.method.where(methods[0]) | study.method.where(methods[1])
        return (*parts, study.select(both))
    other = _as_study(b)
    found = []
    for part, which in ((study, "A"), (other, "B")):
        present = part.method.present
        wanted = methods[0 if which == "A" else 1] if methods else None
        if len(present) != 1:
            if wanted is None:
                raise ParameterError(
                    f"{part.source}: holds {', '.join(present) or 'no readings'}; say which method "
                    f"is {which}"
                )
            part = part.of_method(wanted)
        elif wanted is not None:
            part = part.relabelled(wanted)
        found.append(part)
    if found[0].method.present == found[1].method.present:
        name = found[0].method.present[0]
        found = [part.relabelled(f"{name} {x}") for part, x in zip(found, "AB", strict=True)]
    return found[0], found[1], Study.join(found)


def _as_study(item: Study | Measurement) -> Study:
    return item if isinstance(item, Study) else Study.from_measurements(item)


def eye_keys(study: Study) -> tuple[list[tuple[str, str]], NDArray[np.intp]]:
    """Subject and eye of each eye of a study, and the number of its eye for each reading.

    Parameters
    ----------
    study : Study

    Returns
    -------
    keys : list of (subject, eye)
    number : ndarray of int, (n_readings,)

    Examples
    --------
    >>> eye_keys(Study(value=[23.0, 24.0], subject=["a", "b"], method="contact"))[0]
    [('a', 'none'), ('b', 'none')]
    """
    codes = study.group("subject", "eye")
    first = np.unique(codes, return_index=True)[1]
    return [(study.subject[int(k)], study.eye[int(k)]) for k in first], codes


def common_eyes(a: Study, b: Study) -> tuple[Study, Study, list[tuple[str, str]], list[str]]:
    """Readings of the eyes that both studies have.

    Parameters
    ----------
    a, b : Study

    Returns
    -------
    a, b : Study
    eyes : list of (subject, eye)
    left_out : list of str
        Eyes that only one of them has.

    Raises
    ------
    ParameterError
        No eye in common.

    Examples
    --------
    >>> study = Study(
    ...     value=[23.0, 23.4, 24.1, 24.2, 22.0, 22.3],
    ...     subject=["a", "a", "b", "b", "c", "c"],
    ...     method=["contact", "immersion"] * 3,
    ... )
    >>> a, b = study.of_method("contact"), study.of_method("immersion")
    >>> common_eyes(a.select(a.subject.where("b")), b)[2:]
    ([('b', 'none')], ['a', 'c'])
    """
    (keys_a, codes_a), (keys_b, codes_b) = eye_keys(a), eye_keys(b)
    shared = set(keys_a) & set(keys_b)
    if not shared:
        raise ParameterError(
            f"no eye was measured by both {a.method.present[0]} and {b.method.present[0]}; "
            "subjects and eyes are matched by their labels"
        )
    keep_a = np.array([key in shared for key in keys_a])[codes_a]
    keep_b = np.array([key in shared for key in keys_b])[codes_b]
    alone = sorted(set(keys_a) ^ set(keys_b))
    left_out = [s if e == "none" else f"{s} {e}" for s, e in alone]
    return a.select(keep_a), b.select(keep_b), sorted(shared), left_out


def eye_numbers(study: Study, eyes: list[tuple[str, str]]) -> NDArray[np.intp]:
    """Number of the eye of each reading, (n_readings,).

    Parameters
    ----------
    study : Study
    eyes : list of (subject, eye)

    Returns
    -------
    ndarray of int, (n_readings,)

    Examples
    --------
    >>> study = Study(value=[23.0, 24.0], subject=["a", "b"], method="contact")
    >>> eye_numbers(study, [("b", "none"), ("a", "none")])
    array([1, 0])
    """
    keys, codes = eye_keys(study)
    number = {key: k for k, key in enumerate(eyes)}
    return np.array([number[key] for key in keys], dtype=np.intp)[codes]


def method_means(study: Study, eyes: list[tuple[str, str]]) -> Nested:
    """Readings of one method in sittings in eyes, eyes in the given order.

    Parameters
    ----------
    study : Study
    eyes : list of (subject, eye)

    Returns
    -------
    Nested

    Examples
    --------
    >>> study = Study(value=[23.0, 24.0, 24.2], subject=["a", "b", "b"], method="contact")
    >>> method_means(study, [("a", "none"), ("b", "none")]).mean
    array([23. , 24.1])
    """
    return Nested(
        study.value,
        [("eye", eye_numbers(study, eyes)), ("sitting", study.group(*LABELS))],
    )


def linked_pairs(
    a: Study, b: Study, group_a: NDArray[np.intp], group_b: NDArray[np.intp], n_groups: int
) -> tuple[Floats, NDArray[np.intp], int]:
    """Differences of the k-th reading of a group by A and its k-th by B.

    Parameters
    ----------
    a, b : Study
    group_a, group_b : ndarray of int, (n_readings,)
        Number of the eye (or of the eye and operator) of each reading.
    n_groups : int

    Returns
    -------
    difference : ndarray of float64, (n_pairs,)
    group : ndarray of int, (n_pairs,)
    n_dropped : int
        Readings without a partner.

    Examples
    --------
    >>> a = Study(value=[23.0, 23.2, 23.1], subject="a", method="contact", order=[1, 2, 3])
    >>> b = Study(value=[23.3, 23.4], subject="a", method="immersion", order=[1, 2])
    >>> difference, _, n_dropped = linked_pairs(a, b, np.zeros(3, int), np.zeros(2, int), 1)
    >>> difference.round(2), n_dropped
    (array([-0.3, -0.2]), 1)
    """
    tables = []
    for study, group in ((a, group_a), (b, group_b)):
        key = study.order if study.order is not None else np.arange(group.size)
        order = np.lexsort((key, group))
        group = group[order]
        start = np.searchsorted(group, np.arange(n_groups))
        tables.append((group, np.arange(group.size) - start[group], study.value[order]))
    (home_a, rank_a, value_a), (home_b, rank_b, value_b) = tables
    most = int(max(rank_a.max(), rank_b.max())) + 1
    code_a, code_b = home_a * most + rank_a, home_b * most + rank_b
    common, in_a, in_b = np.intersect1d(code_a, code_b, return_indices=True)
    dropped = code_a.size + code_b.size - 2 * common.size
    return value_a[in_a] - value_b[in_b], (common // most).astype(np.intp), dropped


def eye_sd(study: Study, eyes: list[tuple[str, str]]) -> Floats:
    """SD within the sittings of each eye, (n_eyes,); NaN where every sitting has one reading.

    Parameters
    ----------
    study : Study
    eyes : list of (subject, eye)

    Returns
    -------
    ndarray of float64, (n_eyes,)

    Examples
    --------
    >>> study = Study(value=[23.0, 24.0, 24.2], subject=["a", "b", "b"], method="contact")
    >>> eye_sd(study, [("a", "none"), ("b", "none")]).round(3)
    array([  nan, 0.141])
    """
    eye = eye_numbers(study, eyes)
    sums = within_sums(study, eye, len(eyes))
    out = np.full(len(eyes), np.nan)
    used = sums[:, 1] > 0
    out[used] = np.sqrt(sums[used, 0] / sums[used, 1])
    return out
