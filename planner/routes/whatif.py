"""Scenarios: the same week planned under other circumstances, side by side.

In: base settings and scenario names. Out: changed settings, and one comparable line per plan.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from planner.errors import ParameterError
from planner.routes.planning import PlanResult
from planner.routes.problem import RoutePlan
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


# Scenarios under which the plan itself can still be driven as it is, and those whose plans it could be.
ONLY_MORE = ("extra_crew", "overtime", "any_hour")
ONLY_LESS = ("no_overtime", "skip_region")


def compared(name: str, result: PlanResult, base: PlanResult) -> PlanResult:
    """The plan of a scenario as it may be compared with the base plan.

    Where a scenario only adds to what the crews may do, the base plan stays possible: if the search found nothing
    better, the base plan is the scenario's. Where it only takes away, the base's bound bounds the scenario too.
    """
    kind = name.partition("=")[0]
    plan = result.plan
    if result.week.unit != base.week.unit or base.plan.unserved_required:
        return result
    if kind in ONLY_MORE and plan.value < base.plan.value:
        bound = max(plan.upper_bound, float(base.plan.value))
        return replace(base, plan=_with_bound(base.plan, bound, plan.bound_kind))
    if kind in ONLY_LESS and base.plan.upper_bound < plan.upper_bound:
        bound = max(base.plan.upper_bound, float(plan.value))
        return replace(result, plan=_with_bound(plan, bound, base.plan.bound_kind))
    return result


def _with_bound(plan: RoutePlan, bound: float, kind: str) -> RoutePlan:
    gap = (bound - plan.value) / plan.value if plan.value > 0 else float("inf")
    return replace(plan, upper_bound=bound, gap=gap, bound_kind=kind)


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
