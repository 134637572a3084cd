"""A text file cut into records byte by byte: which line each stands on, and which are not rows at all.

The engine's reader is faster but gives up at the first broken record and counts records, not lines. So this
slower look is taken only where it is needed: to sieve a file that has broken records, blank lines or mixed
line ends into a clean copy, and to find the physical lines of faulty records in a file with quoted cells.
"""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt
import pandas as pd
from numba import njit

from planner.intake.bytes_survey import BytesSurvey
from planner.intake.prepare import Source

Int64s = npt.NDArray[np.int64]
Bytes = npt.NDArray[np.uint8]

BATCH = 1 << 18  # records
LONGEST_RECORD = 2_000_000  # bytes; the engine's own limit

_GOOD, _WIDTH, _QUOTE, _CONTROL, _NOT_TEXT, _TOO_LONG = range(6)
_FAULTS = {
    _WIDTH: ("column-count", "must have as many cells as the header: {width}"),
    _QUOTE: ("broken-quote", "a quoted cell must end with a quote followed by a delimiter or line end"),
    _CONTROL: ("control-character", "a carriage return may stand only inside a quoted cell"),
    _NOT_TEXT: ("not-utf-8", "must be text in the encoding of the file"),
    _TOO_LONG: ("record-too-long", f"must be at most {LONGEST_RECORD} bytes long"),
}


@dataclass(frozen=True)
class Batch:
    """Consecutive records: byte ranges, first physical lines, cells counted, and what is wrong (0 = good)."""

    starts: Int64s
    ends: Int64s
    lines: Int64s
    widths: Int64s
    faults: Bytes


@dataclass(frozen=True)
class Sieved:
    """A clean copy of a file: every record good and one line end after each.

    `lines` gives the physical line of each record after the header, in the file as it was; `broken` has one
    row per record taken out: line, code, value, rule, raw_row.
    """

    path: Path
    survey: BytesSurvey
    lines: Int64s
    broken: pd.DataFrame


@njit(cache=True)
def _cut(data, position, line, delimiter, feeds, starts, ends, lines, widths, faults, longest):  # type: ignore[no-untyped-def]
    """Fill the arrays with the records from `position` on; returns records, next position, next line.

    `feeds`: lines end at LF (or CR LF); otherwise at CR. A broken record ends at the end of its first line.
    """
    size = data.size
    count = 0
    room = starts.size
    line_end = 10 if feeds else 13
    while position < size and count < room:
        start = position
        first_line = line
        width = 1
        fault = 0
        # 0 start of a cell or blanks there, 1 in a plain cell, 2 in a quoted cell, 3 just behind a quote in one,
        # 4 blanks behind the quote that ends a cell
        state = 0
        blank = True
        first_end = -1  # end of the first physical line, where a broken record is given up
        end = -1
        while position < size:
            byte = data[position]
            if state == 2:
                if byte == 34:
                    state = 3
                elif byte == line_end:
                    line += 1
                    if first_end < 0:
                        first_end = position
                    if position - start > longest:
                        fault = 2
                        break
                position += 1
                continue
            if byte == line_end:
                end = position
                position += 1
                line += 1
                break
            if byte == 13 and feeds and position + 1 < size and data[position + 1] == 10:
                end = position
                position += 2
                line += 1
                break
            if byte == delimiter:
                width += 1
                state = 0
                blank = False
            elif byte == 34 and state == 0:
                state = 2
                blank = False
            elif byte == 34 and state == 3:
                state = 2
            elif byte == 32 and (state == 3 or state == 4):
                state = 4
            elif state == 3 or state == 4:
                fault = 2
                break
            elif byte == 32 and state == 0:
                pass
            else:
                if byte == 13 and feeds:
                    fault = 3
                if byte != 32 and byte != 9:
                    blank = False
                state = 1
            position += 1
        if fault == 2 or (end < 0 and state == 2):
            fault = 2
            if first_end >= 0:
                position = first_end
            else:
                while position < size and data[position] != line_end:
                    position += 1
            end = position
            if feeds and end > start and data[end - 1] == 13:
                end -= 1
            position += 1
            line = first_line + 1
        elif end < 0:
            end = size
        if blank and fault == 0:
            continue
        if fault == 0 and end - start > longest:
            fault = 5
        starts[count] = start
        ends[count] = end
        lines[count] = first_line
        widths[count] = width
        faults[count] = fault
        count += 1
    return count, position, line


@njit(cache=True)
def _copy(data, starts, ends, keep, out):  # type: ignore[no-untyped-def]
    """Copy the records kept into `out`, one LF after each; returns the bytes written."""
    written = 0
    for record in range(starts.size):
        if keep[record]:
            for position in range(starts[record], ends[record]):
                out[written] = data[position]
                written += 1
            out[written] = 10
            written += 1
    return written


def read_batches(source: Source, batch: int = BATCH) -> Iterator[tuple[Bytes, Batch]]:
    """The file's records in order, the header first; blank lines are passed over."""
    dialect, survey = source.dialect, source.survey
    assert dialect is not None and survey is not None
    if survey.size == 0:
        return
    data: Bytes = np.memmap(source.path, np.uint8, mode="r")
    position = 3 if bytes(data[:3]) == codecs.BOM_UTF8 else 0
    line = 1
    feeds = survey.line_feeds > 0
    while position < data.size:
        starts, ends, lines, widths = (np.empty(batch, np.int64) for _ in range(4))
        faults = np.zeros(batch, np.uint8)
        count, position, line = _cut(
            data, position, line, ord(dialect.delimiter), feeds, starts, ends, lines, widths, faults, LONGEST_RECORD
        )
        wrong_width = (faults[:count] == _GOOD) & (widths[:count] != len(source.header))
        faults[:count][wrong_width] = _WIDTH
        yield data, Batch(starts[:count], ends[:count], lines[:count], widths[:count], faults[:count])


def sieve(source: Source, workspace: Path) -> Sieved:
    """Write a clean copy of the file and set its broken records apart."""
    assert source.survey is not None
    target = workspace / f"{source.path.name}.{len(list(workspace.glob('*.clean')))}.clean"
    lines: list[Int64s] = []
    broken: list[pd.DataFrame] = []
    with target.open("wb") as file:
        for data, batch in _numbered_as_in_the_sheet(source):
            _mark_bytes_that_are_not_text(data, batch)
            keep = batch.faults == _GOOD
            _write(file, data, batch, keep)
            lines.append(batch.lines[keep])
            if not keep.all():
                broken.append(_broken_rows(data, batch, len(source.header)))
    all_lines = np.concatenate(lines)[1:] if lines else np.empty(0, np.int64)
    survey = replace(
        source.survey,
        size=target.stat().st_size,
        line_feeds=len(all_lines) + 1,
        carriage_returns=0,
        pairs=0,
        utf8_errors=False,
        ends_with_line_end=True,
    )
    return Sieved(target, survey, all_lines, pd.concat(broken) if broken else _no_broken_rows())


def _numbered_as_in_the_sheet(source: Source) -> Iterator[tuple[Bytes, Batch]]:
    """The batches; where the file is a sheet's text, with the sheet's rows in place of the text's lines."""
    if source.sheet_rows is None:
        yield from read_batches(source)
        return
    rows = np.concatenate([np.ones(1, np.int64), np.asarray(source.sheet_rows, np.int64)])  # the header first
    seen = 0
    for data, batch in read_batches(source):
        count = len(batch.lines)
        yield data, replace(batch, lines=rows[seen : seen + count])
        seen += count


def _write(file: BinaryIO, data: Bytes, batch: Batch, keep: npt.NDArray[np.bool_]) -> None:
    if not len(batch.starts):
        return
    out = np.empty(int((batch.ends - batch.starts)[keep].sum()) + int(keep.sum()), np.uint8)
    written = _copy(data, batch.starts, batch.ends, keep, out)
    file.write(out[:written].tobytes())


def _mark_bytes_that_are_not_text(data: Bytes, batch: Batch) -> None:
    """Set the fault of every record that is not UTF-8."""
    if not len(batch.starts):
        return
    view = memoryview(data)  # type: ignore[arg-type]  # arrays do have the buffer interface
    position, last = int(batch.starts[0]), int(batch.ends[-1])
    while position < last:
        try:
            codecs.utf_8_decode(view[position:last], "strict", True)
            return
        except UnicodeDecodeError as error:
            record = int(np.searchsorted(batch.starts, position + error.start, side="right")) - 1
            batch.faults[record] = _NOT_TEXT
            position = max(int(batch.ends[record]), position + error.start + 1)


def _broken_rows(data: Bytes, batch: Batch, width: int) -> pd.DataFrame:
    where = np.flatnonzero(batch.faults != _GOOD)
    rows = []
    for record in where:
        code, rule = _FAULTS[int(batch.faults[record])]
        text = bytes(data[batch.starts[record] : batch.ends[record]]).decode("utf-8", "backslashreplace")
        value = f"{batch.widths[record]} cells" if code == "column-count" else _short(text)
        rows.append((int(batch.lines[record]), code, value, rule.format(width=width), text))
    return pd.DataFrame(rows, columns=list(_no_broken_rows().columns))


def _no_broken_rows() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "line": np.empty(0, np.int64),
            "code": np.empty(0, object),
            "value": np.empty(0, object),
            "rule": np.empty(0, object),
            "raw_row": np.empty(0, object),
        }
    )


def _short(text: str, length: int = 80) -> str:
    return text if len(text) <= length else text[: length - 3] + "..."
