"""What was handed in -> one candidate per table and file: folders, files, zips, gz, workbooks, packages.

Nothing is unpacked in place: what must be unpacked or turned into another form goes into the workspace
folder the caller gives, under a name of its own.
"""

from __future__ import annotations

import gzip
import json
import re
import shutil
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

from planner.errors import InputError
from planner.intake.mapping import Mapping
from planner.tables.catalogue import INTAKE_TABLES
from planner.tables.schema import Table

TEXT_SUFFIXES = (".csv", ".tsv", ".txt")
TABLE_SUFFIXES = (*TEXT_SUFFIXES, ".parquet", ".xlsx")
TRACE_SUFFIX = ".sor"
PACKAGE = "datapackage.json"
_TABLES = {table.name: table for table in INTAKE_TABLES}
_PART = re.compile(r"[._ -]*\d[\d._ TZ-]*")


@dataclass(frozen=True)
class Candidate:
    """One file (or sheet) that fills one table, before its content was looked at.

    `label` is the name people see and the ledger keeps; `delimiter`, `decimal` and `encoding` are what a
    data package descriptor declares; `sheet_rows` gives the sheet row of each record of a workbook.
    """

    table: Table
    label: str
    path: Path
    kind: str
    delimiter: str = ""
    decimal: str = ""
    encoding: str = ""
    sheet_rows: tuple[int, ...] | None = None


@dataclass
class Found:
    """What was found: candidates in table order, files of no table, reflectometer traces.

    `missing` are the files or sheets that the mapping names for a table (its name, theirs) of which none was found.
    """

    candidates: list[Candidate] = field(default_factory=list)
    strangers: list[str] = field(default_factory=list)
    traces: list[Path] = field(default_factory=list)
    missing: list[tuple[str, str]] = field(default_factory=list)


RESULTS_PREFIX = "results_"


def is_result_sheet(label: str) -> bool:
    """Whether a file or sheet is one that a plan hands out to a crew, by its name.

    Examples
    --------
    >>> is_result_sheet("week.zip/results_inspections.csv"), is_result_sheet("crew.xlsx: results_cleanings")
    (True, True)
    >>> is_result_sheet("inspections.csv")
    False
    """
    return re.split(r"/|: ", label)[-1].casefold().startswith(RESULTS_PREFIX)


def table_of_name(name: str, mapping: Mapping) -> Table | None:
    """The table a file or sheet of that name fills: by the mapping, else by its own name.

    A name may carry a part number or a date behind the table's name: `power_readings_2031-01.csv`; a sheet
    that comes back from a crew carries `results_` before it.

    Examples
    --------
    >>> table_of_name("power_readings_2031-01.csv.gz", Mapping()).name
    'power_readings'
    >>> table_of_name("results_inspections.csv", Mapping()).name
    'inspections'
    """
    mapped = mapping.table_of_source(name)
    if mapped is None and name.endswith(".gz"):
        mapped = mapping.table_of_source(name.removesuffix(".gz"))
    if mapped:
        return _TABLES[mapped]
    stem = name.casefold().removesuffix(".gz")
    for suffix in TABLE_SUFFIXES:
        stem = stem.removesuffix(suffix)
    stem = stem.removeprefix(RESULTS_PREFIX)
    if stem in _TABLES:
        return _TABLES[stem]
    for table_name, table in _TABLES.items():
        if stem.startswith(table_name) and _PART.fullmatch(stem[len(table_name) :]):
            return table
    return None


def find_sources(paths: Sequence[Path], mapping: Mapping, workspace: Path, only_table: str | None = None) -> Found:
    """Every table file among the paths handed in.

    `only_table` says that every file fills that table, whatever its name.

    Raises
    ------
    InputError
        A path does not exist, an archive is damaged, a descriptor names a file that is not there, or
        nothing among the paths is a table.
    """
    if only_table is not None and only_table not in _TABLES:
        raise InputError(f"there is no table '{only_table}'; tables are {', '.join(_TABLES)}")
    finder = _Finder(mapping, workspace, _TABLES[only_table] if only_table else None)
    for path in paths:
        if not path.exists():
            raise InputError(f"{path}: there is no such file or folder")
        if path.is_dir():
            finder.add_folder(path, "")
        else:
            finder.add_file(path, path.name, handed_in=True)
    found = finder.found
    if not found.candidates and not found.traces:
        names = ", ".join(str(path) for path in paths)
        raise InputError(
            f"{names}: no table found; files must be named after their table (sites.csv, ports.parquet, ...) "
            "or be named in mapping.toml"
        )
    filled = {candidate.table.name for candidate in found.candidates}
    found.missing += [
        (name, of_table.source)
        for name, of_table in mapping.tables.items()
        if of_table.source and name not in filled and only_table is None
    ]
    order = {name: position for position, name in enumerate(_TABLES)}
    found.candidates.sort(key=lambda candidate: (order[candidate.table.name], candidate.label))
    return found


class _Finder:
    def __init__(self, mapping: Mapping, workspace: Path, only_table: Table | None) -> None:
        self.mapping = mapping
        self.workspace = workspace
        self.only_table = only_table
        self.found = Found()
        self._unpacked = 0

    def add_folder(self, folder: Path, prefix: str) -> None:
        if (folder / PACKAGE).exists():
            self._add_package(folder, prefix)
            return
        names = sorted(path for path in folder.iterdir() if path.is_file())
        for path in names:
            if _is_table_file(path.name) or path.suffix.lower() in (".zip", TRACE_SUFFIX):
                self.add_file(path, prefix + path.name, handed_in=False)

    def add_file(self, path: Path, label: str, *, handed_in: bool) -> None:
        suffix = path.suffix.lower()
        if suffix == ".zip":
            self._add_zip(path, label)
        elif suffix == TRACE_SUFFIX:
            self.found.traces.append(path)
        elif suffix == ".gz":
            self._add_unpacked(path, label, handed_in)
        elif suffix == ".xlsx":
            self._add_workbook(path, label)
        elif suffix in TEXT_SUFFIXES or suffix == ".parquet":
            table = self.only_table or table_of_name(path.name, self.mapping)
            if table is None:
                self._stranger(label, handed_in)
            else:
                self._add(Candidate(table, label, path, "parquet" if suffix == ".parquet" else "csv"))
        else:
            self._stranger(label, handed_in)

    def _add(self, candidate: Candidate) -> None:
        self.found.candidates.append(candidate)

    def _stranger(self, label: str, handed_in: bool) -> None:
        if handed_in:
            raise InputError(
                f"{label}: belongs to no table; name it after its table ({', '.join(_TABLES)}), name it in "
                "mapping.toml, or say --table"
            )
        self.found.strangers.append(label)

    def _place(self, name: str) -> Path:
        """A new file of that name in the workspace, in a folder of its own."""
        self._unpacked += 1
        folder = self.workspace / f"{self._unpacked:04d}"
        folder.mkdir(parents=True)
        return folder / name

    def _add_unpacked(self, path: Path, label: str, handed_in: bool) -> None:
        target = self._place(path.name.removesuffix(".gz"))
        try:
            with gzip.open(path, "rb") as reader, target.open("wb") as writer:
                shutil.copyfileobj(reader, writer, 1 << 22)
        except (OSError, EOFError, zlib.error) as error:
            raise InputError(f"{label}: is not a complete gzip file: {error}; make or send it again") from error
        self.add_file(target, label, handed_in=handed_in)

    def _add_zip(self, path: Path, label: str) -> None:
        folder = self._place("content")
        try:
            with zipfile.ZipFile(path) as archive:
                for member in archive.infolist():
                    name = PurePosixPath(member.filename)
                    if member.is_dir() or name.name.startswith(".") or "__MACOSX" in name.parts:
                        continue
                    if name.is_absolute() or ".." in name.parts:
                        raise InputError(f"{label}: holds '{member.filename}', which leads out of the archive")
                    archive.extract(member, folder)
        except (zipfile.BadZipFile, zlib.error, EOFError, RuntimeError, NotImplementedError) as error:
            raise InputError(f"{label}: cannot be unpacked: {error}; make or send it again") from error
        roots = [folder, *sorted(child for child in folder.iterdir() if child.is_dir())]
        for root in (root for root in roots if root.is_dir()):
            if any(_is_table_file(child.name) or child.name == PACKAGE for child in root.iterdir()):
                self.add_folder(root, f"{label}/")
                return
        raise InputError(f"{label}: no table found in the archive; it must hold sites.csv, ports.csv, ...")

    def _add_workbook(self, path: Path, label: str) -> None:
        from planner.intake.workbooks import sheets_as_csv  # a slow import, needed for workbooks only

        for sheet in sheets_as_csv(path, label, self._sheet_table, self._place, self.mapping):
            if sheet.table is None:
                self.found.strangers.append(f"{label}: {sheet.name}")
            else:
                self._add(
                    Candidate(
                        sheet.table,
                        f"{label}: {sheet.name}",
                        sheet.path,
                        "csv",
                        delimiter=",",
                        decimal=".",
                        encoding="utf-8",
                        sheet_rows=sheet.rows,
                    )
                )

    def _sheet_table(self, sheet_name: str) -> Table | None:
        return table_of_name(sheet_name, self.mapping) or self.only_table

    def _add_package(self, folder: Path, prefix: str) -> None:
        for resource in _resources(folder / PACKAGE):
            name = str(resource.get("name", ""))
            table = _TABLES.get(name.replace("-", "_")) or table_of_name(name, self.mapping)
            for place in _paths_of(resource, prefix + PACKAGE):
                path = folder / place
                own = table or table_of_name(Path(place).name, self.mapping)
                if own is None:
                    self.found.strangers.append(prefix + place)
                    continue
                if not path.exists():
                    raise InputError(f"{prefix}{PACKAGE}: resource '{name}' names the file {place}, which is not there")
                self._add_resource(own, resource, path, prefix + place)

    def _add_resource(self, table: Table, resource: dict[str, Any], path: Path, label: str) -> None:
        dialect = resource.get("dialect") or {}
        csv_part = dialect.get("csv") or dialect
        before = len(self.found.candidates)
        keep, self.only_table = self.only_table, table
        self.add_file(path, label, handed_in=False)
        self.only_table = keep
        for position in range(before, len(self.found.candidates)):
            candidate = self.found.candidates[position]
            if candidate.kind == "csv" and candidate.sheet_rows is None:
                self.found.candidates[position] = Candidate(
                    table,
                    candidate.label,
                    candidate.path,
                    "csv",
                    delimiter=str(csv_part.get("delimiter", "")),
                    decimal=_declared_decimal(resource),
                    encoding=str(resource.get("encoding", "")),
                )


def _is_table_file(name: str) -> bool:
    return name.casefold().removesuffix(".gz").endswith(TABLE_SUFFIXES)


def _resources(path: Path) -> Iterator[dict[str, Any]]:
    try:
        document = json.loads(path.read_text("utf-8-sig"))
    except (OSError, UnicodeDecodeError, json.JSONDecodeError) as error:
        raise InputError(f"{path}: cannot be read as JSON: {error}") from error
    resources = document.get("resources") if isinstance(document, dict) else None
    if not isinstance(resources, list) or not all(isinstance(resource, dict) for resource in resources):
        raise InputError(f"{path}: must hold a list 'resources' of objects (Data Package)")
    yield from resources


def _paths_of(resource: dict[str, Any], label: str) -> list[str]:
    places = resource.get("path", [])
    places = [places] if isinstance(places, str) else places
    for place in places:
        parts = PurePosixPath(str(place))
        if parts.is_absolute() or ".." in parts.parts or "://" in str(place):
            raise InputError(
                f"{label}: path '{place}' leads out of the folder; resources must be files beside the descriptor"
            )
    return [str(place) for place in places]


def _declared_decimal(resource: dict[str, Any]) -> str:
    schema = resource.get("schema")
    fields = schema.get("fields", []) if isinstance(schema, dict) else []
    signs = {str(one["decimalChar"]) for one in fields if isinstance(one, dict) and "decimalChar" in one}
    return signs.pop() if len(signs) == 1 else ""
