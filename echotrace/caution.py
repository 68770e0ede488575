"""The caution that every report, export, table and file carries."""

from __future__ import annotations

from collections.abc import Mapping

__all__ = ["CAUTION", "SYNTHETIC", "is_synthetic"]

CAUTION = (
    "Not a medical device. For teaching, research and engineering. Licensed practitioners and "
    "local protocols decide; a number shown with a warning is not to be used unchecked."
)

SYNTHETIC = "Synthetic traces: invented data, no patient."
"""Said wherever a result of invented traces is shown."""


def is_synthetic(attributes: Mapping[str, str]) -> bool:
    """Whether the provenance of a recording or measurement says that its traces are invented.

    Parameters
    ----------
    attributes : mapping of str to str

    Returns
    -------
    bool

    Examples
    --------
    >>> is_synthetic({"source": "synthetic: invented eyes, no patient data"})
    True
    """
    return attributes.get("source", "").startswith("synthetic")
