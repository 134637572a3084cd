"""How long work tells how far it is, and how it is stopped.

Every long function takes `progress: Progress = silent` and calls it with the share done and what it is
doing. To stop the work, the callback raises `planner.errors.Cancelled`; work is done in one transaction,
so stopping leaves the store as it was.
"""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[float, str], None]


def silent(share: float, doing: str) -> None:
    """Report nothing."""


def part_of(progress: Progress, start: float, end: float) -> Progress:
    """A progress callback for a sub-step that fills the range start..end of a larger one.

    Examples
    --------
    >>> seen = []
    >>> part_of(lambda share, doing: seen.append(round(share, 2)), 0.5, 1.0)(0.5, "half of the second half")
    >>> seen
    [0.75]
    """

    def report(share: float, doing: str) -> None:
        progress(start + (end - start) * share, doing)

    return report
