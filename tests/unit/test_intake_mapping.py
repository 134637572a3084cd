"""A mapping turns somebody's export into our tables, and refuses what it cannot mean."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

import duckdb
import pytest
from tiny_fleet import tiny_fleet, write_csv, write_fleet

from planner.errors import InputError
from planner.intake.mapping import read_mapping, unit_formula
from planner.intake.templates import MAPPING_EXAMPLE
from planner.store.database import open_database
from planner.store.loading import load_sources
from planner.tables.schema import Column


def mapped(tmp_path: Path, text: str) -> Path:
    """A mapping file with that text."""
    path = tmp_path / "mapping.toml"
    path.write_text(text, "utf-8")
    return path


def test_an_export_in_other_words_is_read(tmp_path: Path) -> None:
    """Their file name, headers, values, units, decimal sign, dates and missing columns become ours."""
    folder = write_fleet(tmp_path / "fleet")
    (folder / "cables.csv").unlink()
    rows = [
        {
            "Kabel-Nr": " K1 ",
            "Sorte": "jumper",
            "Länge (ft)": "41,0105",
            "Fasern": "1",
            "Gebaut": "28.02.2030",
            "Notiz": "x",
        }
    ]
    write_csv(folder / "Kabelliste.csv", rows, delimiter=";", encoding="cp1252")
    text = """
        [tables.cables]
        source = "Kabelliste.csv"
        encoding = "cp1252"
        decimal = ","
        delimiter = ";"
        trim = true
        date_format = "%d.%m.%Y"
        [tables.cables.columns]
        "Kabel-Nr" = "cable_id"
        Sorte = "kind"
        "Länge (ft)" = { to = "length_m", unit = "ft" }
        Fasern = "fibre_count"
        Gebaut = "installed_on"
        [tables.cables.values.kind]
        jumper = "patch_cord"
        [tables.cables.constants]
        fibre_type = "OS2"
    """
    con = open_database(tmp_path / "fleet.duckdb")
    report = load_sources(con, [folder], mapping=mapped(tmp_path, text), strict=True, loaded_at=datetime(2031, 1, 1))
    stored = con.execute("SELECT cable_id, kind, fibre_type, length_m, installed_on FROM cables").fetchall()
    con.close()
    # 41.0105 ft x 0.3048 m/ft = 12.50000 m, worked out by hand
    assert stored == [("K1", "patch_cord", "OS2", pytest.approx(12.5, abs=1e-4), date(2030, 2, 28))]
    assert report.by_code[["code", "column_name"]].values.tolist() == [["unknown-column", "Notiz"]]


@pytest.mark.parametrize(
    ("settings", "text", "expected"),
    [
        # Lisbon is at UTC+1 in summer, UTC+0 in winter
        ('timezone = "Europe/Lisbon"', "2031-07-01T12:00:00", datetime(2031, 7, 1, 11)),
        ('timezone = "Europe/Lisbon"', "2031-01-01T12:00:00", datetime(2031, 1, 1, 12)),
        ('timezone = "Europe/Lisbon"', "2031-07-01T12:00:00Z", datetime(2031, 7, 1, 12)),
        ('timezone = "Europe/Lisbon"', "2031-07-01T12:00:00-03:00", datetime(2031, 7, 1, 15)),
        (
            'timezone = "Europe/Lisbon"\ntimestamp_format = "%d/%m/%Y %H:%M"',
            "01/07/2031 12:00",
            datetime(2031, 7, 1, 11),
        ),
        ('timestamp_format = "%d/%m/%Y %H:%M"', "01/07/2031 12:00", datetime(2031, 7, 1, 12)),
        ('timestamp_format = "%d/%m/%Y %H:%M %z"', "01/07/2031 12:00 +02:00", datetime(2031, 7, 1, 10)),
        # the clocks of Lisbon jump from 01:00 to 02:00 on 2031-03-30: 01:30 does not exist
        ('timezone = "Europe/Lisbon"', "2031-03-30T01:30:00", None),
        ('timestamp_format = "%d/%m/%Y %H:%M"', "31/02/2031 12:00", None),
    ],
)
def test_times_are_read_in_their_zone_and_form(
    tmp_path: Path, settings: str, text: str, expected: datetime | None
) -> None:
    """A declared zone or form decides what a time without zone means; an offset in the text wins."""
    fleet = tiny_fleet()
    fleet["inspections"][0]["at"] = text
    con = open_database(tmp_path / "fleet.duckdb")
    mapping = mapped(tmp_path, f"[tables.inspections]\n{settings}")
    report = load_sources(
        con,
        [write_fleet(tmp_path / "fleet", fleet)],
        mapping=mapping,
        strict=False,
        loaded_at=datetime(2031, 1, 1),
    )
    stored = con.execute('SELECT "at" FROM inspections').fetchall()
    con.close()
    assert stored == ([(expected,)] if expected else [])
    assert report.blocking == (0 if expected else 1)


def test_a_file_read_in_another_way_is_another_file(tmp_path: Path) -> None:
    """A better mapping loads the same file again instead of passing it over."""
    con = open_database(tmp_path / "fleet.duckdb")
    folder = write_fleet(tmp_path / "fleet")
    moment = datetime(2031, 1, 1)
    load_sources(con, [folder], mapping=None, strict=False, loaded_at=moment)
    mapping = mapped(tmp_path, '[tables.cables.columns]\nlength_m = { to = "length_m", unit = "km" }')
    report = load_sources(con, [folder], mapping=mapping, strict=False, loaded_at=moment)
    stored = con.execute("SELECT length_m FROM cables").fetchall()
    con.close()
    assert report.total("rows_replaced") == 1
    assert stored == [(12500.0,)]


@pytest.mark.parametrize(
    ("ours", "theirs", "value", "expected"),
    [
        # exact by definition: 1 ft = 0.3048 m, 1 mi = 1609.344 m, 1 in = 25.4 mm
        ("m", "ft", 100.0, 30.48),
        ("m", "km", 1.5, 1500.0),
        ("km", "mi", 1.0, 1.609344),
        ("km", "m", 1500.0, 1.5),
        ("um", "mm", 0.25, 250.0),
        ("m", "in", 1.0, 0.0254),
        ("minutes", "s", 90.0, 1.5),
        ("minutes", "h", 1.5, 90.0),
        # 10 log10(0.5) = -3.0103
        ("dBm", "mW", 0.5, -3.0103),
        ("dBm", "uW", 1000.0, 0.0),
    ],
)
def test_units_are_turned_into_ours(ours: str, theirs: str, value: float, expected: float) -> None:
    """A length, a time or a power in another unit becomes the declared one."""
    formula = unit_formula(Column("x", "number", "x", unit=ours), theirs)
    assert formula is not None
    rows = duckdb.sql(f"SELECT CAST({formula.format(f'CAST({value} AS DOUBLE)')} AS DOUBLE)").fetchall()
    assert rows == [(pytest.approx(expected, abs=1e-4),)]


def test_units_of_another_kind_are_refused() -> None:
    """Feet cannot become decibels."""
    assert unit_formula(Column("loss_db", "number", "loss", unit="dB"), "ft") is None


def test_the_example_can_be_read(tmp_path: Path) -> None:
    """The example mapping in the templates is a valid one."""
    mapping = read_mapping(mapped(tmp_path, MAPPING_EXAMPLE))
    assert mapping.of("cables").units == {"length_m": "ft"}
    assert mapping.of("cables").timezone == "Europe/Lisbon"
    assert mapping.table_of_source("Cable_List.CSV") == "cables"
    assert mapping.of("sites").delimiter == ";"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[tables.cords]", "no table 'cords'"),
        ('[tables.cables.columns]\nA = "lenght_m"', "no column 'lenght_m'"),
        ('[tables.cables.columns]\nA = { to = "length_m", unit = "dB" }', "got unit 'dB'"),
        ('[tables.cables.columns]\nA = "length_m"\nB = "length_m"', "already filled"),
        ("[tables.cables.columns]\nA = 5", "got 5"),
        ('[tables.cables.values.sort]\na = "b"', "no column 'sort'"),
        ('[defaults]\ndecimal = ";"', "must be '.' or ','"),
        ('[defaults]\ndelimiter = "; "', "must be one character"),
        ('[defaults]\ntime_zone = "UTC"', "unknown setting"),
        ("[defaults]\ntrim = 1", "must be true or false"),
        ('[tables.cables.values.kind]\njumper = "cord"', "values.kind.jumper: got 'cord', must be one of patch_cord"),
        ('[tables.cables.values.kind]\njumper = ""', "values.kind.jumper: got ''"),
        ("[tables.cables.values.kind]\njumper = { to = 1 }", "must be one value of kind"),
        ('[tables.sites.values.access_days]\nweekend = "Sat;So"', "got 'Sat;So'.* several separated by ;"),
        ('[tables.mating_events.values.cleaned_first]\nja = "yes"', "must be one of true, false"),
        ('[tables.cables.constants]\nkind = "cord"', "constants.kind: got 'cord'"),
        ('[tables.cables]\ncolums = "x"', "tables.cables.colums: unknown setting"),
        ('[tables.cables.units]\nlength_m = "ft"', "tables.cables.units: unknown setting"),
        ("[tables.cables]\nsource = 3", "must be the name of a file or sheet"),
        ("tables = 3", "must be a table of settings"),
        ("[tables", "cannot be read as TOML"),
    ],
)
def test_what_a_mapping_cannot_mean_is_refused(tmp_path: Path, text: str, message: str) -> None:
    """The message names the place in the mapping and what it may be."""
    with pytest.raises(InputError, match=message):
        read_mapping(mapped(tmp_path, text))


def test_an_unknown_zone_is_refused(tmp_path: Path) -> None:
    """A time zone nobody knows is not taken for UTC."""
    con = open_database(tmp_path / "fleet.duckdb")
    mapping = mapped(tmp_path, '[defaults]\ntimezone = "Europe/Lissabon"')
    with pytest.raises(InputError, match="timezone 'Europe/Lissabon' is unknown") as refusal:
        load_sources(
            con,
            [write_fleet(tmp_path / "fleet")],
            mapping=mapping,
            strict=False,
            loaded_at=datetime(2031, 1, 1),
        )
    con.close()
    assert str(refusal.value).count("Lissabon") == 1
    assert "mapping.toml, defaults" in str(refusal.value)


def test_a_mapped_header_must_be_in_the_file(tmp_path: Path) -> None:
    """A header of the mapping that the file lacks is refused, with the headers the file has."""
    con = open_database(tmp_path / "fleet.duckdb")
    mapping = mapped(tmp_path, '[tables.cables.columns]\n"Cable no" = "batch"')
    with pytest.raises(InputError, match=r"names the header 'Cable no'.*its header is cable_id, kind, fibre_type"):
        load_sources(
            con,
            [write_fleet(tmp_path / "fleet")],
            mapping=mapping,
            strict=False,
            loaded_at=datetime(2031, 1, 1),
        )
    con.close()


def test_values_may_be_mapped_to_unknown_or_to_several(tmp_path: Path) -> None:
    """An empty value stands for unknown where that may be; a list takes several allowed parts."""
    text = '[tables.sites.values]\nenvironment = { "n/a" = "" }\naccess_days = { weekend = "Sat;Sun" }'
    assert read_mapping(mapped(tmp_path, text)).of("sites").values == {
        "environment": {"n/a": ""},
        "access_days": {"weekend": "Sat;Sun"},
    }
