"""Scenarios: the same week planned under other circumstances, side by side.

In: base settings and scenario names. Out: changed settings, and one comparable line per plan.
"""

from __future__ import annotations

from typing import Any

from planner.errors import ParameterError
from planner.routes.planning import PlanResult
from planner.routes.settings import Settings
from planner.routes.stops import PlanTables

SCENARIOS = {
    "extra_crew": "one more crew, like the first",
    "no_overtime": "no overtime",
    "overtime": "overtime as the crews table allows it",
    "any_hour": "live circuits without protection may be opened at any hour (outages agreed)",
    "no_wet_kits": "no solvent on any vehicle",
    "move_depot=CREW:SITE": "a crew starts and ends at another site",
    "skip_region=NAME": "a region is left out",
}


def scenario_settings(name: str, base: Settings) -> Settings:
    """Settings of a scenario.

    Examples
    --------
    >>> scenario_settings("skip_region=north", Settings()).skip_regions
    ('north',)

    Raises
    ------
    ParameterError
        The name is none of `SCENARIOS`.
    """
    kind, _, argument = name.partition("=")
    if kind == "extra_crew" and not argument:
        return base.changed(extra_crews=base.extra_crews + 1)
    if kind == "no_overtime" and not argument:
        return base.changed(overtime=False)
    if kind == "overtime" and not argument:
        return base.changed(overtime=True)
    if kind == "any_hour" and not argument:
        return base.changed(change_windows=False)
    if kind == "no_wet_kits" and not argument:
        return base.changed(wet=False)
    if kind == "skip_region" and argument:
        return base.changed(skip_regions=(*base.skip_regions, argument))
    crew, _, site = argument.partition(":")
    if kind == "move_depot" and crew and site:
        return base.changed(moved_depots=(*base.moved_depots, (crew, site)))
    raise ParameterError(f"what-if: got {name!r}, must be one of {', '.join(SCENARIOS)}")


def scenario_words(name: str) -> str:
    """What a scenario changes, in words with its names.

    Examples
    --------
    >>> scenario_words("move_depot=crew-2:S014")
    'crew-2 starts and ends at S014'
    """
    kind, _, argument = name.partition("=")
    if kind == "move_depot":
        crew, _, site = argument.partition(":")
        return f"{crew} starts and ends at {site}"
    if kind == "skip_region":
        return f"region {argument} is left out"
    return SCENARIOS.get(kind, "as planned")


def scenario_line(name: str, result: PlanResult, tables: PlanTables) -> dict[str, Any]:
    """One line of the comparison: money, proof, road and work of a plan."""
    unit, plan = result.week.unit, result.plan
    road = sum(sum(stop.drive_km for stop in day.stops) + day.drive_back_km for day in tables.days)
    return {
        "scenario": name,
        "meaning": scenario_words(name),
        "benefit": round(plan.benefit * unit, 2),
        "cost": round(plan.cost * unit, 2),
        "net": round(plan.value * unit, 2),
        "upper_bound": round(plan.upper_bound * unit, 2),
        "gap": None if plan.gap == float("inf") else round(plan.gap, 6),
        "km": round(road, 1),
        "crew_days": len(tables.days),
        "stops": len(tables.stops),
        "jobs": len(tables.jobs),
        "overtime_min": sum(day.overtime_min for day in tables.days),
    }
