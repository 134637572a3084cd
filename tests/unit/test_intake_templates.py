"""Templates come from the declarations, are current in the repository, and are what they claim to be."""

from __future__ import annotations

import json
from pathlib import Path

from frictionless import Package
from openpyxl import load_workbook

from planner.intake.templates import WORKBOOK, data_package, write_templates
from planner.intake.workbooks import EXPLANATION_SHEET
from planner.tables.catalogue import INTAKE_TABLES

COMMITTED = Path(__file__).resolve().parents[2] / "sample_data" / "templates"


def test_the_templates_in_the_repository_are_current(tmp_path: Path) -> None:
    """`planner templates sample_data/templates` would change nothing."""
    written = write_templates(tmp_path)
    assert sorted(path.name for path in written) == sorted(path.name for path in COMMITTED.iterdir())
    for path in written:
        assert path.read_bytes() == (COMMITTED / path.name).read_bytes(), path.name


def test_the_descriptor_is_a_valid_data_package() -> None:
    """The descriptor satisfies the standard's own checks (frictionless library)."""
    assert Package.from_descriptor(data_package()).to_descriptor()["resources"]
    assert list(Package.metadata_validate(data_package())) == []


def test_the_descriptor_names_every_table_and_column() -> None:
    """Fields stand in declared order, with keys and references."""
    resources = {resource["name"]: resource for resource in json.loads(json.dumps(data_package()))["resources"]}
    for table in INTAKE_TABLES:
        schema = resources[table.name]["schema"]
        assert [field["name"] for field in schema["fields"]] == list(table.column_names)
        assert tuple(schema.get("primaryKey", ())) == table.key
        assert len(schema.get("foreignKeys", [])) == sum(bool(column.references) for column in table.columns)


def test_the_workbook_explains_and_offers_choices() -> None:
    """A sheet per table, a sheet that explains every column, and lists of the allowed values."""
    book = load_workbook(COMMITTED / WORKBOOK)
    assert book.sheetnames == [EXPLANATION_SHEET, *(table.name for table in INTAKE_TABLES)]
    explained = {(row[0], row[1]) for row in book[EXPLANATION_SHEET].iter_rows(min_row=2, values_only=True)}
    for table in INTAKE_TABLES:
        assert {(table.name, column) for column in table.column_names} <= explained
    lists = {str(one.sqref): one.formula1 for one in book["ports"].data_validations.dataValidation}
    assert lists["D2:D5000"] == '"LC,SC,FC,ST,MU,E2000,MPO"'
