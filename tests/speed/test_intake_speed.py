"""The speed comparison of the intake runs, at a small size."""

from __future__ import annotations

from pathlib import Path

from intake import compare


def test_the_comparison_runs(tmp_path: Path) -> None:
    """Every way takes in every row, and planted faults are all kept out (checked inside)."""
    found = compare(20_000, tmp_path)
    assert [len(ways) for _, ways in found] == [3, 1, 3]
    assert all(way.rows_per_s > 0 for _, ways in found for way in ways)
