"""The tracing benchmark at a small size: it runs, and its paths and sums are those of networkx."""

from __future__ import annotations

from tracing import compare, fleet


def test_bulk_paths_and_budgets_equal_networkx_at_small_size() -> None:
    """On 6,000 shuffled connectors every bulk path is the shortest path and every sum that of its edges."""
    result = compare(fleet(6_000))
    assert result.circuits > 500
    assert result.different_paths == 0
    assert result.different_sums == 0
    assert result.planner_bytes / result.connectors < 60


def test_the_same_seed_gives_the_same_plant() -> None:
    """The benchmark's fleet depends on its size and seed alone."""
    one, other = fleet(2_000, seed=3), fleet(2_000, seed=3)
    assert (one.connectors.port == other.connectors.port).all()
    assert (one.circuits.a_port == other.circuits.a_port).all()
