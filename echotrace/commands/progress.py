"""A bar for long work on a terminal; nothing where output is piped."""

from __future__ import annotations

import sys

__all__ = ["Progress"]

_FEWEST_TRACES = 2000


class Progress:
    """A bar that counts traces.

    Parameters
    ----------
    total : int
        Traces in all; few of them have no bar.
    resume : bool
        The first count is of an earlier run, which says nothing of this one's rate.

    Examples
    --------
    >>> with Progress(10) as advance:
    ...     advance(5, 10)
    """

    def __init__(self, total: int, *, resume: bool = False) -> None:
        self._resume = resume
        self._bar = None
        if sys.stderr.isatty() and total >= _FEWEST_TRACES:
            from tqdm import tqdm

            self._bar = tqdm(
                total=total, unit="trace", unit_scale=True, file=sys.stderr, leave=False
            )

    def __enter__(self) -> Progress:
        return self

    def __call__(self, done: int, total: int) -> None:
        """Show how many traces are done."""
        del total
        if self._bar is None:
            return
        if self._resume:
            self._resume = False
            self._bar.initial = self._bar.n = self._bar.last_print_n = done
        self._bar.update(done - self._bar.n)

    def __exit__(self, *_: object) -> None:
        if self._bar is not None:
            self._bar.close()
