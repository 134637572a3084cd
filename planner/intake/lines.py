"""Which physical line a record stands on, how many records a file must hold, and whether it needs sieving."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from planner.intake.prepare import Source

Int64s = npt.NDArray[np.int64]


def needs_sieve(source: Source) -> bool:
    """Whether the bytes alone show that the engine would refuse or misread the file."""
    survey = source.survey
    return survey is not None and (survey.utf8_errors or survey.line_end == "mixed" or len(source.header) == 1)


def expected_records(source: Source) -> int | None:
    """Records behind the header as the line ends tell; None where quoted cells may hold line ends."""
    survey = source.survey
    if survey is None or survey.quotes:
        return None
    line_ends = survey.line_feeds or survey.carriage_returns
    return line_ends + (0 if survey.ends_with_line_end else 1) - 1


def lines_of_records(source: Source, rows: Int64s) -> Int64s:
    """The physical line of each record number (from 0, ascending); the record itself for Parquet, from 1."""
    if source.sheet_rows is not None:
        return np.asarray(source.sheet_rows, np.int64)[rows]
    if source.kind == "parquet":
        return rows + 1
    survey = source.survey
    assert survey is not None
    if survey.quotes == 0:
        return rows + 2
    found = np.empty(len(rows), np.int64)
    wanted = rows + 1  # the header is record 0
    seen = taken = 0
    from planner.intake.records import read_batches  # compiles its kernels, needed for quoted cells only

    for _, batch in read_batches(source):
        upto = int(np.searchsorted(wanted, seen + len(batch.lines)))
        found[taken:upto] = batch.lines[wanted[taken:upto] - seen]
        seen += len(batch.lines)
        taken = upto
        if taken == len(rows):
            break
    return found
