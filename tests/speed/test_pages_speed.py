"""The speed script of the pages runs, and pages by stored rank beat the plain query."""

from __future__ import annotations

from pathlib import Path

import pages
import pytest

from dashboards.app import create_app
from dashboards.grids import answer


def test_the_speed_script_runs(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """A small run prints every line of the table."""
    monkeypatch.setattr(pages, "ROUNDS", 2)
    monkeypatch.setattr(pages, "THINK_S", 0.01)
    pages.main(2_000, 3)
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 11 and "95th percentile" in lines[-1]


def test_a_page_by_rank_is_cheaper_than_the_plain_query(tmp_path: Path) -> None:
    """On 200,000 end faces the far page by stored rank takes less than half the plain query's time."""
    app = create_app(pages.build(tmp_path / "large.duckdb", 200_000))
    with app.server.app_context():
        depths = iter(range(199_000, 0, -10_000))
        _, by_rank = pages.milliseconds(lambda: answer("connectors", "benefit", pages.request(next(depths))))
        _, plain = pages.milliseconds(lambda: pages.plain_page(199_000))
    assert by_rank < plain / 2
