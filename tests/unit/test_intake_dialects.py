"""What the bytes and the first lines of a file say about how it is written."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import duckdb
import pytest
from tiny_fleet import tiny_fleet, write_csv, write_fleet

from planner.errors import InputError
from planner.intake.bytes_survey import CHUNK, survey_bytes
from planner.intake.check import file_relation
from planner.intake.dialects import detect_encoding, match_columns, read_dialect
from planner.intake.mapping import Mapping, TableMapping
from planner.intake.prepare import prepare
from planner.intake.records import sieve
from planner.intake.sources import Candidate, find_sources
from planner.store.database import open_database
from planner.store.loading import load_sources
from planner.tables.catalogue import TABLES

NOW = datetime(2031, 1, 1)
CABLES = TABLES["cables"]


def written(tmp_path: Path, content: bytes) -> Path:
    """A file with that content."""
    path = tmp_path / "cables.csv"
    path.write_bytes(content)
    return path


@pytest.mark.parametrize(
    ("content", "line_end", "controls", "utf8_errors", "utf8_letters"),
    [
        (b"a,b\n1,2\n", "LF", 0, False, False),
        (b"a,b\r\n1,2\r\n", "CRLF", 0, False, False),
        (b"a,b\r1,2\r", "CR", 0, False, False),
        (b"a,b\r\n1,2\n", "mixed", 0, False, False),
        (b"a,b\x00\x1f", "none", 2, False, False),
        ("ä,b\n".encode(), "LF", 0, False, True),
        (b"\xe4,b\n", "LF", 0, True, False),
        ("ä,".encode() + b"\xe4,b\n", "LF", 0, True, True),
        ("ä".encode()[:1], "none", 0, True, False),
    ],
)
def test_the_bytes_tell(
    tmp_path: Path, content: bytes, line_end: str, controls: int, utf8_errors: bool, utf8_letters: bool
) -> None:
    """Line ends, control characters and the kind of text are counted byte by byte."""
    survey = survey_bytes(written(tmp_path, content))
    assert survey.line_end == line_end
    assert survey.controls == controls
    assert (survey.utf8_errors, survey.utf8_letters) == (utf8_errors, utf8_letters)
    assert survey.sha256 == hashlib.sha256(content).hexdigest()


def test_what_lies_across_two_chunks_counts_once(tmp_path: Path) -> None:
    """A line end or a letter cut in two by the reading is still one."""
    body = b"x" * (CHUNK - 1)
    survey = survey_bytes(written(tmp_path, body + b"\r\n" + body[1:] + "ä".encode() + b"\n"))
    assert (survey.pairs, survey.line_feeds, survey.carriage_returns) == (1, 2, 1)
    assert not survey.utf8_errors


@pytest.mark.parametrize(
    ("content", "declared", "expected"),
    [
        (b"a,b\n", "", ("utf-8", False)),
        (b"\xef\xbb\xbfa,b\n", "cp1252", ("utf-8", False)),
        ("a,b\n".encode("utf-16"), "", ("utf-16", False)),
        ("cable_id,kind\n".encode("utf-16-le"), "", ("utf-16-le", True)),
        ("cable_id,kind\n".encode("utf-16-be"), "", ("utf-16-be", True)),
        ("Größe\n".encode("cp1252"), "", ("cp1252", True)),
        ("Größe\n".encode("cp1252"), "latin-1", ("iso8859-1", False)),
        # one letter of UTF-8 shows that the file is UTF-8 with a broken record
        ("Größe\n".encode("cp1252") + "Größe\n".encode(), "", ("utf-8", False)),
    ],
)
def test_the_encoding_is_declared_or_found_out(
    tmp_path: Path, content: bytes, declared: str, expected: tuple[str, bool]
) -> None:
    """A mark decides, then the declaration, then the bytes; what was found out is said."""
    path = written(tmp_path, content)
    assert detect_encoding(path, survey_bytes(path), declared) == expected


def test_an_unknown_encoding_is_refused(tmp_path: Path) -> None:
    """A declaration that means nothing is not passed over."""
    path = written(tmp_path, b"a\n")
    with pytest.raises(InputError, match="declared encoding 'klingon' is unknown"):
        detect_encoding(path, survey_bytes(path), "klingon")


@pytest.mark.parametrize(
    ("text", "delimiter", "decimal"),
    [
        ("cable_id,kind,length_m\nK1,trunk,1.5\n", ",", "."),
        ("cable_id;kind;length_m\nK1,2,3,4;trunk;1,5\n", ";", ","),
        ("cable_id;kind;length_m\nK1;trunk;1.5\nK2;trunk;2,5\n", ";", "."),
        ("cable_id\tkind\tlength_m\nK1\ttrunk\t15\n", "\t", "."),
        ("cable_id|kind|length_m\nK1|trunk|-1,5\n", "|", ","),
        ('"cable_id";"kind, or sort";"length_m"\n"K1";"trunk";"1,5"\n', ";", ","),
    ],
)
def test_delimiter_and_decimal_sign_are_found_out(tmp_path: Path, text: str, delimiter: str, decimal: str) -> None:
    """The delimiter is the one that yields known columns; a decimal comma shows only in number columns."""
    dialect = read_dialect(
        written(tmp_path, text.encode()),
        CABLES,
        TableMapping(),
        label="cables.csv",
        encoding="utf-8",
        guessed_encoding=False,
    )
    assert (dialect.delimiter, dialect.decimal) == (delimiter, decimal)


def test_headers_are_matched_without_case_or_blanks() -> None:
    """` Cable_ID ` is cable_id; a mapped header comes before one of ours."""
    mapping = TableMapping(columns={"Number": "cable_id"})
    assert match_columns(CABLES, (" Kind ", "NUMBER", "other"), mapping) == {0: "kind", 1: "cable_id"}


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("final", [True, False])
def test_line_ends_do_not_matter(tmp_path: Path, line_end: str, final: bool) -> None:
    """LF, CRLF or CR, with or without one at the end: the same rows, the true line of a fault."""
    fleet = tiny_fleet()
    fleet["sites"].append({"site_id": "S3", "kind": "palace", "latitude": "1", "longitude": "1"})
    folder = write_fleet(tmp_path / "fleet", fleet)
    path = write_csv(folder / "sites.csv", fleet["sites"], lineterminator=line_end)
    if not final:
        path.write_bytes(path.read_bytes().rstrip(b"\r\n"))
    con = open_database(tmp_path / "fleet.duckdb")
    load_sources(con, [folder], mapping=None, strict=False, loaded_at=NOW)
    assert con.execute("SELECT line, code FROM findings").fetchall() == [(4, "not-allowed")]
    assert con.execute("SELECT count(*) FROM sites").fetchone() == (2,)
    con.close()


def test_mixed_line_ends_are_sorted_out(tmp_path: Path) -> None:
    """A file patched together from two systems is read record by record."""
    folder = write_fleet(tmp_path / "fleet")
    (folder / "sites.csv").write_bytes(
        b"site_id,kind,latitude,longitude,name\nS1,hut,1,1,a\r\nS2,hut,1,1,b\nS3,hut,1,1,c\rd\nS4,hut,1,x,e\r\n"
    )
    con = open_database(tmp_path / "fleet.duckdb")
    load_sources(con, [folder], mapping=None, strict=False, loaded_at=NOW)
    assert con.execute("SELECT line, code FROM findings ORDER BY line").fetchall() == [
        (4, "control-character"),
        (5, "not-a-number"),
    ]
    con.close()


def test_a_zero_byte_is_a_control_character(tmp_path: Path) -> None:
    """The engine would take it as text; we do not."""
    folder = write_fleet(tmp_path / "fleet")
    (folder / "sites.csv").write_bytes(
        b"site_id,kind,latitude,longitude,name\nS1,hut,1,1,a\nS2,hut,1,1,b\nS3,hut,1,1,b\x00c\nS\x004,hut,1,1,c\n"
    )
    con = open_database(tmp_path / "fleet.duckdb")
    load_sources(con, [folder], mapping=None, strict=False, loaded_at=NOW)
    found = con.execute(
        "SELECT line, code, column_name FROM findings WHERE table_name = 'sites' ORDER BY line"
    ).fetchall()
    con.close()
    assert found == [(4, "control-character", "name"), (5, "control-character", "site_id")]


def test_a_file_of_one_column_may_hold_blank_lines(tmp_path: Path) -> None:
    """A blank line is no row, even where it could be an empty cell."""
    folder = write_fleet(tmp_path / "fleet")
    (folder / "technicians.csv").write_text("technician_id\n\nW1\n\nW2\n")
    con = open_database(tmp_path / "fleet.duckdb")
    report = load_sources(con, [folder], mapping=None, strict=True, loaded_at=NOW)
    assert report.findings == 0
    assert con.execute("SELECT technician_id FROM technicians ORDER BY 1").fetchall() == [("W1",), ("W2",)]
    con.close()


def test_a_source_says_how_it_is_read(tmp_path: Path) -> None:
    """The line for people names encoding, delimiter, decimal sign and line ends, and marks guesses."""
    path = written(tmp_path, b"cable_id;kind;fibre_type;length_m;fibre_count\r\nK1;trunk;OM4;1,5;12\r\n")
    source = prepare(Candidate(CABLES, "cables.csv", path, "csv"), Mapping(), tmp_path)
    assert source.read_as == "utf-8, semicolon (found out), decimal comma (found out), CRLF"


def test_files_of_no_table_are_named_or_refused(tmp_path: Path) -> None:
    """In a folder a stranger is a warning; handed in by itself it is refused."""
    folder = write_fleet(tmp_path / "fleet")
    (folder / "readme.txt").write_text("about this export")
    (folder / "ports_old.csv").write_text("port_id\n")
    found = find_sources([folder], Mapping(), tmp_path / "work")
    assert found.strangers == ["ports_old.csv", "readme.txt"]
    with pytest.raises(InputError, match="belongs to no table"):
        find_sources([folder / "readme.txt"], Mapping(), tmp_path / "work")
    with pytest.raises(InputError, match="no table found"):
        (tmp_path / "empty").mkdir()
        find_sources([tmp_path / "empty"], Mapping(), tmp_path / "work")


@pytest.mark.parametrize(
    ("descriptor", "message"),
    [
        ("{", "cannot be read as JSON"),
        ('{"resources": 5}', "must hold a list"),
        ('{"resources": [{"name": "sites", "path": "../sites.csv"}]}', "leads out of the folder"),
        ('{"resources": [{"name": "sites", "path": "http://x/sites.csv"}]}', "leads out of the folder"),
        ('{"resources": [{"name": "sites", "path": "gone.csv"}]}', "which is not there"),
    ],
)
def test_a_descriptor_that_cannot_be_followed_is_refused(tmp_path: Path, descriptor: str, message: str) -> None:
    """Paths stay in the folder and exist; the rest of the folder is not guessed at."""
    folder = write_fleet(tmp_path / "fleet")
    (folder / "datapackage.json").write_text(descriptor)
    with pytest.raises(InputError, match=message):
        find_sources([folder], Mapping(), tmp_path / "work")


def test_a_descriptor_declares_the_dialect(tmp_path: Path) -> None:
    """Delimiter, encoding and decimal sign of a resource are taken from the descriptor."""
    folder = tmp_path / "fleet"
    folder.mkdir()
    (folder / "list.csv").write_text("cable_id|kind\nK|trunk\n", "utf-16-le")
    (folder / "datapackage.json").write_text(
        '{"resources": [{"name": "cables", "path": "list.csv", "encoding": "utf-16-le", '
        '"dialect": {"delimiter": "|"}, "schema": {"fields": [{"name": "length_m", "decimalChar": ","}]}}]}'
    )
    candidate = find_sources([folder], Mapping(), tmp_path / "work").candidates[0]
    assert (candidate.table.name, candidate.delimiter, candidate.encoding, candidate.decimal) == (
        "cables",
        "|",
        "utf-16-le",
        ",",
    )


@pytest.mark.parametrize(
    "cell",
    [
        'a"b',
        ' "a"',
        '"a" ',
        ' "a, b"  ',
        'a""b',
        '"a""b"',
        '"a"b"',
        '""',
        '"""',
        '"a\\"b"',
        "'a",
        '"a\nb"',
        '"a\r\nb"',
        "a\rb",
        "  ",
        '"a""',
        "a,b",
        "x" * 2_100_000,
    ],
    ids=lambda cell: repr(cell[:10]),
)
def test_engine_and_sieve_agree_on_what_a_record_is(tmp_path: Path, cell: str) -> None:
    """What the engine refuses the sieve takes out, and what it takes out the engine refuses."""
    path = written(tmp_path, f"cable_id,batch,polarity\n1,{cell},A\n2,ok,A\n".encode())
    table = replace(CABLES, columns=tuple(replace(column, required=False) for column in CABLES.columns))
    source = prepare(Candidate(table, "cables.csv", path, "csv"), Mapping(), tmp_path)
    sieved = sieve(source, tmp_path)
    con = duckdb.connect()
    try:
        rows = con.execute(f"SELECT c0, c1, c2 FROM {file_relation(source)}").fetchall()
    except duckdb.InvalidInputException:
        rows = None
    clean = con.execute(f"SELECT c0, c1, c2 FROM {file_relation(replace(source, path=sieved.path))}").fetchall()
    con.close()
    if rows is None:
        assert len(sieved.broken) >= 1
        assert clean == [("2", "ok", "A")]
    else:
        assert sieved.broken.empty
        assert clean == rows
