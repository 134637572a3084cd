"""How a text file is written: encoding, delimiter, decimal sign, header. Declared, or found out and reported.

The delimiter is the one under which most header cells are columns we know, so that a file is never cut at
the wrong sign because its text happens to hold many of them.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from dataclasses import dataclass
from pathlib import Path

from planner.errors import InputError
from planner.intake.bytes_survey import BytesSurvey
from planner.intake.mapping import TableMapping
from planner.tables.schema import Table

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
SAMPLE_BYTES = 1 << 18
_COMMA_NUMBER = re.compile(r"[-+]?\d+,\d+")
_POINT_NUMBER = re.compile(r"[-+]?\d+\.\d+")
_NUMBER_LIKE = re.compile(r"[-+]?\d+([.,]\d+)?")


@dataclass(frozen=True)
class Dialect:
    """How one text file is to be read. `guessed` names what was found out rather than declared."""

    encoding: str
    delimiter: str
    decimal: str
    header: tuple[str, ...]
    guessed: tuple[str, ...]


def detect_encoding(path: Path, survey: BytesSurvey, declared: str) -> tuple[str, bool]:
    """The encoding of a file and whether it was guessed.

    A byte order mark decides; then a declaration; then UTF-8 if every byte is; then UTF-16 where every
    other byte is zero; then Windows-1252, but only when no UTF-8 letter is found, because a file that
    mixes the two is a UTF-8 file with broken records.

    Raises
    ------
    InputError
        The declared encoding does not exist.
    """
    with path.open("rb") as file:
        start = file.read(4096)
    if start.startswith(codecs.BOM_UTF8):
        return "utf-8", False
    if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16", False
    if declared:
        try:
            return codecs.lookup(declared).name, False
        except LookupError as error:
            raise InputError(f"{path.name}: declared encoding '{declared}' is unknown") from error
    if len(start) >= 4 and start[1::2].count(0) > 0.4 * len(start[1::2]):
        return "utf-16-le", True
    if len(start) >= 4 and start[0::2].count(0) > 0.4 * len(start[0::2]):
        return "utf-16-be", True
    if survey.utf8_errors and not survey.utf8_letters:
        return "cp1252", True
    return "utf-8", False


def transcode(source: Path, target: Path, encoding: str, label: str) -> None:
    """Write the file as UTF-8.

    Raises
    ------
    InputError
        The bytes are not text in that encoding.
    """
    try:
        with (
            source.open("r", encoding=encoding, newline="") as reader,
            target.open("w", encoding="utf-8", newline="") as writer,
        ):
            writer.write(reader.read(1 << 22).removeprefix("\ufeff"))
            while block := reader.read(1 << 22):
                writer.write(block)
    except UnicodeError as error:
        raise InputError(
            f"{label}: is not text in the encoding {encoding}: {error}; declare its encoding in mapping.toml"
        ) from error


def normalised(header: str) -> str:
    """A header cell as it is compared: no outer blanks, small letters."""
    return header.strip().casefold()


def match_columns(table: Table, header: tuple[str, ...], mapping: TableMapping) -> dict[int, str]:
    """Position in the header -> our column, for every header cell that is one of ours or mapped to one."""
    ours = {name.casefold(): name for name in table.column_names}
    mapped = {normalised(theirs): name for theirs, name in mapping.columns.items()}
    found: dict[int, str] = {}
    for position, cell in enumerate(header):
        key = normalised(cell)
        name = mapped.get(key) or ours.get(key)
        if name:
            found[position] = name
    return found


def read_dialect(
    path: Path,
    table: Table,
    mapping: TableMapping,
    *,
    label: str,
    encoding: str,
    guessed_encoding: bool,
    declared_delimiter: str = "",
    declared_decimal: str = "",
) -> Dialect:
    """How a UTF-8 text file of that table is written; `encoding` is what it was before.

    Raises
    ------
    InputError
        The file is empty, has no header row of this table, or its header is unusable.
    """
    sample = _sample(path)
    if not sample.strip():
        raise InputError(f"{label}: the file is empty, must hold a header row with columns of {table.name}")
    guessed = [f"encoding {encoding}"] if guessed_encoding else []
    delimiter = mapping.delimiter or declared_delimiter
    if not delimiter:
        delimiter = max(DELIMITERS, key=lambda sign: _known_cells(sample, sign, table, mapping))
        if delimiter != ",":
            guessed.append(f"delimiter {DELIMITERS[delimiter]}")
    header = _first_record(sample, delimiter)
    if not match_columns(table, header, mapping):
        raise InputError(
            f"{label}: no header row: the first line {_shorten(sample)!r} names no column of {table.name} "
            f"({', '.join(table.column_names)}); add the header, or a mapping.toml for other names"
        )
    decimal = mapping.decimal or declared_decimal
    if not decimal:
        decimal = "," if _has_decimal_comma(sample, delimiter, table, mapping) else "."
        if decimal == ",":
            guessed.append("decimal comma")
    return Dialect(encoding, delimiter, decimal, header, tuple(guessed))


def check_header(table: Table, header: tuple[str, ...], mapping: TableMapping, label: str) -> dict[int, str]:
    """Position -> our column, for a header that can be used.

    Raises
    ------
    InputError
        A column appears twice, two headers fill one column, a required column is missing, or the mapping
        names a header that is not there.
    """
    keys = [normalised(cell) for cell in header]
    absent = [theirs for theirs in mapping.columns if normalised(theirs) not in keys]
    if absent:
        raise InputError(
            f"{label}: the mapping names the header {', '.join(repr(one) for one in absent)}, which the file does not "
            f"have; its header is {', '.join(header)}; write the header in mapping.toml as the file has it"
        )
    found = match_columns(table, header, mapping)
    twice = sorted({cell.strip() for cell, key in zip(header, keys, strict=True) if key and keys.count(key) > 1})
    if twice:
        raise InputError(f"{label}: column {', '.join(twice)} stands twice in the header; remove one of them")
    names = list(found.values())
    doubled = sorted({name for name in names if names.count(name) > 1})
    if doubled:
        raise InputError(f"{label}: two headers fill column {', '.join(doubled)}; map one of them elsewhere")
    missing = [
        column.name
        for column in table.columns
        if column.required and column.name not in names and column.name not in mapping.constants
    ]
    if missing:
        raise InputError(
            f"{label}: required column {', '.join(missing)} of {table.name} is missing; the header is "
            f"{', '.join(header)}; add it, or map another header to it in mapping.toml"
        )
    return found


def _sample(path: Path) -> str:
    with path.open("rb") as file:
        data = file.read(SAMPLE_BYTES)
    return data.decode("utf-8", errors="ignore").removeprefix("\ufeff")


def _shorten(text: str, length: int = 60) -> str:
    line = text.lstrip().splitlines()[0]
    return line if len(line) <= length else line[: length - 3] + "..."


def _records(sample: str, delimiter: str) -> list[list[str]]:
    reader = csv.reader(io.StringIO(sample, newline=""), delimiter=delimiter)
    records = []
    try:
        for record in reader:
            if record and any(cell.strip() for cell in record):
                records.append(record)
            if len(records) > 2000:
                break
    except csv.Error:
        pass  # the sample may end inside a quoted cell; what was read is enough
    return records


def _first_record(sample: str, delimiter: str) -> tuple[str, ...]:
    records = _records(sample, delimiter)
    return tuple(cell.strip() for cell in records[0]) if records else ()


def _known_cells(sample: str, delimiter: str, table: Table, mapping: TableMapping) -> int:
    return len(match_columns(table, _first_record(sample, delimiter), mapping))


def _has_decimal_comma(sample: str, delimiter: str, table: Table, mapping: TableMapping) -> bool:
    """Whether the number columns of the sample are written with a comma and never with a point."""
    records = _records(sample, delimiter)
    positions = [
        position
        for position, name in match_columns(table, tuple(records[0]), mapping).items()
        if table.column(name).type == "number"
    ]
    commas = points = 0
    for record in records[1:]:
        for position in positions:
            cell = record[position].strip() if position < len(record) else ""
            commas += _COMMA_NUMBER.fullmatch(cell) is not None
            points += _POINT_NUMBER.fullmatch(cell) is not None
    return commas > 0 and points == 0
