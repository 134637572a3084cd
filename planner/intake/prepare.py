"""One candidate file -> a source the engine can read: text in UTF-8, its header matched, its hash known."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field, replace
from pathlib import Path

import duckdb

from planner.errors import InputError
from planner.intake.bytes_survey import BytesSurvey, survey_bytes
from planner.intake.dialects import (
    DELIMITERS,
    Dialect,
    check_header,
    detect_encoding,
    read_dialect,
    transcode,
)
from planner.intake.mapping import Mapping, TableMapping
from planner.intake.sources import TRACE_SUFFIX, Candidate, is_result_sheet
from planner.tables.schema import Table


@dataclass(frozen=True)
class Source:
    """One file, ready to be read into one table.

    `columns` maps our column to its position in the file; `types` gives the engine's type of each position
    of a Parquet file; `unknown` are header cells of no column; `not_filled_in` are the lines of a result sheet
    that were left aside. `sha256` covers the content and the mapping
    it is read with, so that the same file read in another way counts as another file.
    """

    table: Table
    label: str
    path: Path
    kind: str
    sha256: str
    header: tuple[str, ...]
    columns: dict[str, int]
    unknown: tuple[str, ...]
    mapping: TableMapping
    dialect: Dialect | None = None
    survey: BytesSurvey | None = None
    types: tuple[str, ...] = ()
    sheet_rows: tuple[int, ...] | None = None
    read_as: str = ""
    size: int = 0
    guessed_encoding: str = field(default="")
    is_result_sheet: bool = False
    not_filled_in: tuple[int, ...] = ()


def prepare(candidate: Candidate, mapping: Mapping, workspace: Path) -> Source:
    """Look at the file's bytes and header and decide how it is read.

    Raises
    ------
    InputError
        The file is empty, has no header, names a column twice, lacks a required column, or cannot be read.
    """
    own = mapping.of(candidate.table.name)
    source = (
        _prepare_parquet(candidate, own) if candidate.kind == "parquet" else _prepare_text(candidate, own, workspace)
    )
    if own.fingerprint:
        mixed = hashlib.sha256(f"{source.sha256} {own.fingerprint}".encode()).hexdigest()
        source = replace(source, sha256=mixed)
    return source


def _prepare_text(candidate: Candidate, mapping: TableMapping, workspace: Path) -> Source:
    path, label = candidate.path, candidate.label
    if candidate.sheet_rows is not None:  # a sheet was written by ourselves, whatever their exports look like
        mapping = replace(mapping, delimiter="", decimal="", encoding="")
    survey = survey_bytes(path)
    if survey.size == 0:
        raise InputError(f"{label}: the file is empty, must hold a header row")
    sha256 = survey.sha256
    encoding, guessed = detect_encoding(path, survey, mapping.encoding or candidate.encoding)
    if encoding not in ("utf-8", "ascii"):
        workspace.mkdir(parents=True, exist_ok=True)
        target = workspace / f"{hashlib.sha256(label.encode()).hexdigest()[:16]}.utf8.csv"
        transcode(path, target, encoding, label)
        path = target
        survey = survey_bytes(path)
    dialect = read_dialect(
        path,
        candidate.table,
        mapping,
        label=label,
        encoding=encoding,
        guessed_encoding=guessed,
        declared_delimiter=candidate.delimiter,
        declared_decimal=candidate.decimal,
    )
    found = check_header(candidate.table, dialect.header, mapping, label)
    return Source(
        table=candidate.table,
        label=label,
        path=path,
        kind="csv",
        sha256=sha256,
        header=dialect.header,
        columns={name: position for position, name in found.items()},
        unknown=tuple(cell for position, cell in enumerate(dialect.header) if position not in found),
        mapping=mapping,
        dialect=dialect,
        survey=survey,
        sheet_rows=candidate.sheet_rows,
        read_as=_said(candidate, dialect, survey, mapping),
        size=survey.size,
        guessed_encoding=encoding if guessed else "",
        is_result_sheet=is_result_sheet(label),
    )


def _said(candidate: Candidate, dialect: Dialect, survey: BytesSurvey, mapping: TableMapping) -> str:
    """How the file is read, in one line for people."""
    if candidate.sheet_rows is not None:
        parts = ["sheet of a workbook"]
    else:
        guessed = {part.split()[0]: " (found out)" for part in dialect.guessed}
        parts = [
            f"{dialect.encoding}{guessed.get('encoding', '')}",
            f"{DELIMITERS.get(dialect.delimiter, repr(dialect.delimiter))}{guessed.get('delimiter', '')}",
            f"decimal {'comma' if dialect.decimal == ',' else 'point'}{guessed.get('decimal', '')}",
            survey.line_end,
        ]
    return ", ".join(parts + _said_of_mapping(mapping))


def _format_of(candidate: Candidate) -> str:
    """The format people know the file by: traces come here as the rows that were read from them."""
    return "SR-4731 trace" if candidate.label.lower().endswith(TRACE_SUFFIX) else "parquet"


def _said_of_mapping(mapping: TableMapping) -> list[str]:
    parts = []
    if mapping.columns:
        parts.append(f"{len(mapping.columns)} columns mapped")
    if mapping.timezone:
        parts.append(f"times without zone are {mapping.timezone}")
    parts += [f"{name} from {unit}" for name, unit in mapping.units.items()]
    return parts


def _prepare_parquet(candidate: Candidate, mapping: TableMapping) -> Source:
    path, label = candidate.path, candidate.label
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(1 << 22):
            digest.update(chunk)
    con = duckdb.connect()
    try:
        described = con.execute("DESCRIBE SELECT * FROM read_parquet(?)", [str(path)]).fetchall()
    except duckdb.Error as error:
        first_line = str(error).splitlines()[0]
        raise InputError(f"{label}: cannot be read as Parquet: {first_line}") from error
    finally:
        con.close()
    header = tuple(str(row[0]) for row in described)
    found = check_header(candidate.table, header, mapping, label)
    return Source(
        table=candidate.table,
        label=label,
        path=path,
        kind="parquet",
        sha256=digest.hexdigest(),
        header=header,
        columns={name: position for position, name in found.items()},
        unknown=tuple(cell for position, cell in enumerate(header) if position not in found),
        mapping=mapping,
        types=tuple(str(row[1]) for row in described),
        read_as=", ".join([_format_of(candidate), *_said_of_mapping(mapping)]),
        size=path.stat().st_size,
    )
