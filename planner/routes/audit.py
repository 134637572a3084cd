"""A random share of looks that no ranking chose: what keeps the ranking honest.

Drawn at random over strata (the air the end faces live in) among the end faces at sites the plan visits anyway,
so that they cost minutes but no travel; a look that no longer fits its crew's day is not taken.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from planner.errors import PlanningError
from planner.routes.checker import faults_of_plan
from planner.routes.jobs import make_jobs
from planner.routes.planning import PlanResult, Week
from planner.routes.problem import Leg, RoutePlan
from planner.routes.schedule import legs_value, time_leg
from planner.routes.settings import minutes_of
from planner.routes.visits import allowed_crews


def add_audits(week: Week, plan: RoutePlan, pool: pd.DataFrame) -> PlanResult:
    """The plan with its share of random looks (`settings.audit_share` of the jobs planned, rounded up).

    `pool` has the candidate columns of end faces that may be drawn. The frame `audits` of the result carries
    the looks taken: job columns, `offer` (the visit they are added to) and `leg`.
    """
    share = week.settings.audit_share
    planned = sum(len(week.blocks[week.offers[job][0]].jobs) for leg in plan.legs for job in leg.jobs)
    target = int(np.ceil(share * planned))
    if not target or pool.empty:
        return PlanResult(week, plan)
    where = {week.blocks[week.offers[job][0]].site_id: (k, job) for k, leg in enumerate(plan.legs) for job in leg.jobs}
    jobs_now = set(week.jobs["connector_id"])
    drawn = pool[pool["site_id"].isin(where) & ~pool["connector_id"].isin(jobs_now)]
    if drawn.empty:
        return PlanResult(week, plan)
    looks = _looks(drawn, week)
    able, _ = allowed_crews(looks, week.crews)
    legs = list(plan.legs)
    problem = week.problem
    taken: list[tuple[int, int, int]] = []
    for row in _stratified_order(looks, week):
        if len(taken) == target:
            break
        number, job = where[str(looks["site_id"].iloc[row])]
        if not able[row, week.shifts[legs[number].crew].row]:
            continue
        service = problem.service.copy()
        service[job] += int(np.ceil(looks["minutes"].iloc[row]))
        longer = replace(problem, service=service)
        timed = time_leg(longer, legs[number].crew, legs[number].jobs)
        if timed is not None:
            problem, legs[number] = longer, timed
            taken.append((row, number, job))
    if not taken:
        return PlanResult(week, plan)
    return _with_looks(replace(week, problem=problem), plan, legs, looks, taken)


def _looks(drawn: pd.DataFrame, week: Week) -> pd.DataFrame:
    """The pool as jobs that are only looked at."""
    looks = drawn.sort_values("connector_id").assign(action="inspect", benefit=1.0, minutes_part=0.0, margin_part=0.0)
    settings = week.settings.changed(customer_minute=1.0, both_ends=False, change_windows=True)
    table = make_jobs(looks, pd.DataFrame(columns=["circuit_id", "priority", "protected_by"]), 1.0, settings).rows
    table["minutes"] = table["minutes"] + minutes_of("open_connection")
    table["reasons"] = "drawn at random: keeps the ranking honest"
    return table.assign(worth=0.0, money=0.0)


def _stratified_order(looks: pd.DataFrame, week: Week) -> list[int]:
    """Rows in random order, strata taking turns."""
    random = np.random.default_rng(week.settings.seed)
    strata = looks["site_id"].map(week.sites["environment"]).fillna("unknown").to_numpy()
    shuffled = random.permutation(len(looks))
    frame = pd.DataFrame({"row": shuffled, "stratum": strata[shuffled]})
    frame["turn"] = frame.groupby("stratum").cumcount()
    return [int(row) for row in frame.sort_values(["turn", "stratum"], kind="stable")["row"]]


def _with_looks(
    week: Week, plan: RoutePlan, legs: list[Leg], looks: pd.DataFrame, taken: list[tuple[int, int, int]]
) -> PlanResult:
    benefit, cost = legs_value(week.problem, legs)
    faults = [
        fault
        for fault in faults_of_plan(week.problem, legs, claimed_benefit=benefit, claimed_cost=cost)
        if "required but not planned" not in fault
    ]
    if faults:
        raise PlanningError(f"the plan with its random looks breaks rules and is refused: {'; '.join(faults[:5])}")
    value = benefit - cost
    gap = (plan.upper_bound - value) / value if value > 0 else float("inf")
    audits = looks.iloc[[row for row, _, _ in taken]].copy()
    audits["leg"] = [number for _, number, _ in taken]
    audits["offer"] = [job for _, _, job in taken]
    changed = replace(plan, legs=tuple(legs), value=value, benefit=benefit, cost=cost, gap=gap)
    return PlanResult(week, changed, audits.reset_index(drop=True))
