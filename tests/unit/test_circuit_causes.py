"""Causes gathered as people read them, and files that commands are asked to write."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from planner.commands.common import file_to_write, folder_to_write
from planner.errors import InputError
from planner.reports.causes import cause_groups, same_suspect


def diagnosis() -> pd.DataFrame:
    """Dirt on one of three end faces that look alike, a bend, and dirt on a fourth."""
    return pd.DataFrame(
        {
            "cause": ["bend", "contamination", "contamination", "contamination", "contamination", "nothing"],
            "element_id": ["CAB", "A", "B", "C", "D", ""],
            "probability": [0.3, 0.2, 0.15, 0.1, 0.2, 0.05],
            "same_as": [None, "B; C", "A; C", "A; B", "", ""],
        }
    )


def test_what_cannot_be_told_apart_is_one_row() -> None:
    """Three alike end faces make one row with their sum, the most probable first; nothing is lost."""
    groups = cause_groups(diagnosis())
    assert groups["members"].tolist() == [3, 1, 1, 1]
    assert groups["probability"].iloc[0] == pytest.approx(0.45)
    assert groups["listed"].iloc[0] == (("A", 0.2), ("B", 0.15), ("C", 0.1))
    assert groups["probability"].sum() == pytest.approx(1.0)


def test_circuits_with_one_suspect_are_told_once() -> None:
    """Fourteen circuits behind one transceiver are one row; circuits without a suspect stay themselves."""
    rows = pd.DataFrame(
        {
            "circuit_id": [f"K-{n}" for n in range(17)],
            "cause": ["transceiver"] * 14 + ["contamination", "contamination", "bend"],
            "element_id": ["P"] * 14 + ["", None, "P"],
        }
    )
    told = same_suspect(rows)
    assert told["circuit_id"].tolist() == ["K-0", "K-14", "K-15", "K-16"]
    assert told["circuits"].tolist() == [14, 1, 1, 1]


def test_a_missing_folder_is_made_for_a_file_and_what_cannot_be_written_is_refused(tmp_path: Path) -> None:
    """A file may be asked for in a folder that is not there yet; an ending or a place that cannot be is refused."""
    file = file_to_write(tmp_path / "new" / "deep" / "rows.csv", (".csv", ".parquet"))
    assert file.parent.is_dir()
    with pytest.raises(InputError, match=r"got the ending '.doc', must be .csv or .parquet"):
        file_to_write(tmp_path / "rows.doc", (".csv", ".parquet"))
    (tmp_path / "plain").write_text("")
    with pytest.raises(InputError, match="cannot be made"):
        folder_to_write(tmp_path / "plain" / "below")
