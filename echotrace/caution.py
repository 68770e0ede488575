"""The caution that every report, export, table and file carries."""

from __future__ import annotations

__all__ = ["CAUTION"]

CAUTION = (
    "Not a medical device. For teaching, research and engineering. Licensed practitioners and "
    "local protocols decide; a number shown with a warning is not to be used unchecked."
)
