"""The short summary people read first: the fleet, its worst end faces, the plan, the findings.

In: frames from `planner.store.summary_queries`. Out: lines of text.
"""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd


def _count(value: object, one: str, many: str) -> str:
    number = int(value) if pd.notna(value) else 0  # type: ignore[call-overload]
    return f"{number:,} {one if number == 1 else many}"


def fleet_lines(counts: Mapping[str, int], figures: pd.Series) -> list[str]:
    """What the fleet is and in what state, in whole sentences."""
    lines = [
        f"{_count(counts['sites'], 'site', 'sites')}, {_count(counts['connectors'], 'end face', 'end faces')} "
        f"({int(figures['in_service']):,} in service), {_count(counts['circuits'], 'circuit', 'circuits')}: "
        f"{int(figures['traced']):,} traced end to end, {int(figures['not_traced']):,} not.",
        f"History: {_count(counts['mating_events'], 'mating event', 'mating events')}, "
        f"{_count(counts['inspections'], 'inspection', 'inspections')}, "
        f"{_count(counts['cleanings'], 'cleaning', 'cleanings')}, "
        f"{_count(counts['power_readings'], 'power reading', 'power readings')}, "
        f"{_count(counts['loss_tests'], 'loss test', 'loss tests')}.",
    ]
    if pd.notna(figures["expected_not_clean"]):
        lines.append(
            f"About {figures['expected_not_clean']:,.0f} end faces are not clean; "
            f"{int(figures['likely_not_clean']):,} are more likely dirty or damaged than not; "
            f"{int(figures['never_seen']):,} in service were never inspected."
        )
    else:
        lines.append("State of the end faces: not assessed.")
    lines.append(
        f"{_count(figures['faulty'], 'circuit has', 'circuits have')} a fault that is more likely than not; "
        f"{_count(figures['over_budget'], 'loss budget is', 'loss budgets are')} exceeded."
    )
    return lines


def worst_table(worst: pd.DataFrame) -> pd.DataFrame:
    """The worst end faces as people read them: rank, end face, site, what to do there, reason.

    Examples
    --------
    >>> rows = {"connector_id": ["C"], "site_id": ["S"], "action": ["inspect_clean"], "reasons": ["it is dirty"]}
    >>> worst_table(pd.DataFrame(rows))["do"].tolist()
    ['inspect and clean']
    """
    work = worst["action"].replace("inspect_clean", "inspect and clean").fillna("not assessed")
    return pd.DataFrame(
        {
            "": range(1, len(worst) + 1),
            "end face": worst["connector_id"],
            "site": worst["site_id"],
            "do": work,
            "why": worst["reasons"],
        }
    )


LOOSE_GAP = 0.5  # beyond it a gap says little, and the share of the bound says it plainer


def proof_words(gap: float) -> str:
    """How good a plan of that gap is proven to be.

    Examples
    --------
    >>> proof_words(0.04), proof_words(1.0)
    ('within 4.0% of the best possible', 'at least 50% of the best possible by the quick bound')
    """
    if gap <= LOOSE_GAP:
        return f"within {gap:.1%} of the best possible"
    return f"at least {1 / (1 + gap):.0%} of the best possible by the quick bound"


def plan_lines(plan: pd.DataFrame) -> list[str]:
    """What the newest plan is worth, costs, and how close to the best possible it is."""
    if plan.empty:
        return ["No plan yet: planner route --from DATE --days N --out DIR"]
    row = plan.iloc[0]
    gap = "" if pd.isna(row["gap"]) else f", {proof_words(float(row['gap']))}"
    return [
        f"Plan {row['plan_id']} ({row['status']}), {int(row['days'])} days from {row['from_on']}: "
        f"expected benefit {row['benefit']:,.0f} customer-minutes for {row['cost']:,.0f} in labour and travel{gap}."
    ]


def crew_day_table(days: pd.DataFrame) -> pd.DataFrame:
    """Routes per crew-day."""
    return days.rename(columns={"crew_id": "crew", "day_on": "day", "drive_min": "drive min", "work_min": "work min"})
