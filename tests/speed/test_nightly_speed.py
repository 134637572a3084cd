"""Analysing night by night comes to the very tables that one analysis of all files comes to."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest
from nightly import cut_by_days, fleet_in, nights

from planner.health.contamination import Figures
from planner.health.fleet_figures import FleetFigures, Lesson, learn_fleet

DAYS, NIGHTS = 98, 2


@pytest.fixture(scope="module")
def days(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """A small fleet's files: 96 days, then one day each; the learning date moves on the second of these."""
    folder = tmp_path_factory.mktemp("nightly")
    return cut_by_days(fleet_in(folder / "fleet", 600, DAYS), folder / "days", DAYS, NIGHTS)


def with_late_records(days: list[Path], into: Path) -> list[Path]:
    """The same files, of which the matings and looks of one day come in on the next night, weeks late."""
    moved = []
    for number, folder in enumerate(days):
        target = into / folder.name
        target.mkdir(parents=True)
        moved.append(target)
        for source in folder.iterdir():
            rows = f"SELECT * FROM read_parquet('{source}')"
            late = "\"at\" >= '2030-03-12' AND \"at\" < '2030-03-13'"
            if source.stem in ("mating_events", "inspections"):
                first = days[0] / source.name
                held = {
                    0: f"{rows} WHERE NOT ({late})",
                    1: f"{rows} UNION ALL FROM read_parquet('{first}') WHERE {late}",
                }
                rows = held.get(number, rows)
            duckdb.execute(f"COPY ({rows}) TO '{target / source.name}'")
    return moved


def learning_dates(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """The dates up to which figures are learned from now on, one for each time they are learned."""
    dates: list[int] = []

    def noted(lesson: Lesson) -> tuple[FleetFigures, Figures]:
        dates.append(lesson.past.end_at)
        return learn_fleet(lesson)

    monkeypatch.setattr("planner.stages.health.learn_fleet", noted)
    return dates


def test_nights_come_to_what_one_analysis_comes_to(
    days: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three analyses night by night: every result table as after one; figures are learned when their date moves."""
    dates = learning_dates(monkeypatch)
    night, whole, differing = nights(days, tmp_path)
    assert differing == []
    assert night.keys() == whole.keys()
    first, second, of_one_analysis = dates
    assert first < second == of_one_analysis


def test_late_records_are_learned_from(days: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Records of March that come in April are learned from at once; the tables are again those of one analysis."""
    dates = learning_dates(monkeypatch)
    _, _, differing = nights(with_late_records(days, tmp_path / "late"), tmp_path)
    assert differing == []
    assert len(dates) == 4
    assert dates[0] == dates[1] < dates[2] == dates[3]
