"""Result sheets that come back from a crew: the rows nobody filled in are work not done, and are left aside.

A plan hands out sheets with one row per step, filled in but for what the crew finds. A row without a time in
which the crew wrote nothing else either says that the step was not done; it is neither a row nor a fault.
"""

from __future__ import annotations

import csv
import hashlib
from dataclasses import replace
from pathlib import Path

from planner.intake.bytes_survey import survey_bytes
from planner.intake.prepare import Source

# what a crew writes into the sheet of a table beside the time; the rest of a row is handed out filled in
FILLED_IN = {
    "inspections": ("result", "finding", "worst_zone", "image_file"),
    "cleanings": (),
}


def without_rows_not_filled_in(source: Source, workspace: Path) -> Source:
    """The sheet without the rows in which nothing was filled in, each other row still with its own line.

    `not_filled_in` of what is returned holds the lines of the rows left aside. Other files, and sheets that
    cannot be cut into records or lack the time column, are returned as they are, for the checks to judge.
    """
    names = FILLED_IN.get(source.table.name)
    at = source.columns.get("at")
    if not source.is_result_sheet or names is None or at is None or source.dialect is None:
        return source
    looked_at = [at, *(source.columns[name] for name in names if name in source.columns)]
    records = _records(source.path, source.dialect.delimiter)
    if records is None:
        return source
    kept, lines, aside = [records[0][1]], [], []
    for position, (line, record) in enumerate(records[1:]):
        own_line = source.sheet_rows[position] if source.sheet_rows is not None else line
        empty = len(record) == len(source.header) and not any(record[column].strip() for column in looked_at)
        if empty:
            aside.append(own_line)
        else:
            kept.append(record)
            lines.append(own_line)
    if not aside:
        return source
    workspace.mkdir(parents=True, exist_ok=True)
    target = workspace / f"{hashlib.sha256(source.label.encode()).hexdigest()[:16]}.filled.csv"
    with target.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, delimiter=source.dialect.delimiter, lineterminator="\n").writerows(kept)
    return replace(
        source, path=target, survey=survey_bytes(target), sheet_rows=tuple(lines), not_filled_in=tuple(aside)
    )


def _records(path: Path, delimiter: str) -> list[tuple[int, list[str]]] | None:
    """Every record that is not blank, with the line it begins on; None if the text is no clean CSV."""
    found = []
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(file, delimiter=delimiter, strict=True)
            begins = 1
            for record in reader:
                if record:
                    found.append((begins, record))
                begins = reader.line_num + 1
    except (csv.Error, UnicodeDecodeError):
        return None
    return found or None
