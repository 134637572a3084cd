"""What planning assumes where the tables are silent: every value comes from `data/` with its source.

In: the CSV files beside this module, and what the user set. Out: `Settings`, stated in every plan.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, field, fields, replace
from datetime import date
from functools import cache
from importlib.resources import files

from planner.errors import ParameterError


@cache
def data_rows(name: str) -> tuple[dict[str, str], ...]:
    """The rows of one of the CSV files in `planner/routes/data`."""
    text = files("planner.routes").joinpath("data", f"{name}.csv").read_text(encoding="utf-8")
    return tuple(csv.DictReader(text.splitlines()))


@cache
def named_values(name: str) -> dict[str, float]:
    """Columns `name` and `value` of a data file as a dictionary."""
    return {row["name"]: float(row["value"]) for row in data_rows(name)}


@cache
def minutes_table() -> dict[tuple[str, str], float]:
    """Minutes by (step, geometry), geometry single, array or any."""
    return {(row["step"], row["geometry"]): float(row["minutes"]) for row in data_rows("job_minutes")}


def minutes_of(step: str, array: bool = False) -> float:
    """Minutes of one step at a single-fibre or array end face."""
    table = minutes_table()
    return table.get((step, "any"), table.get((step, "array" if array else "single"), 0.0))


@cache
def success_shares() -> dict[str, float]:
    """Share of faces cured by each cleaning step."""
    return {row["step"]: float(row["share"]) for row in data_rows("cleaning_success")}


@cache
def change_windows() -> dict[int, tuple[str, str]]:
    """Hours in which a live, unprotected circuit of a priority may be opened; absent: any hour."""
    return {int(row["priority"]): (row["opens"], row["closes"]) for row in data_rows("change_windows")}


@dataclass(frozen=True)
class Settings:
    """Choices of one planning run.

    Money and rates default to `data/money.csv`. `customer_minute` empty means: taken from the ranking's own
    price of crew minutes if it has one, else from the data file. `keep` names end faces that stay jobs whatever
    they are worth; `stop_keys` ties end faces to the stops of an earlier plan; `agreed` names
    end faces whose outage is agreed, at any hour.
    """

    customer_minute: float | None = None
    cost_per_hour: float = field(default_factory=lambda: named_values("money")["cost_per_hour"])
    cost_per_km: float = field(default_factory=lambda: named_values("money")["cost_per_km"])
    overtime_factor: float = field(default_factory=lambda: named_values("money")["overtime_factor"])
    overtime: bool = True
    break_min: int = field(default_factory=lambda: int(named_values("money")["break_min"]))
    break_after_hours: float = field(default_factory=lambda: named_values("money")["break_after_hours"])
    wet: bool = True
    change_windows: bool = True
    both_ends: bool = True
    audit_share: float = 0.03
    block_min: int = 45
    holidays: tuple[date, ...] = ()
    skip_regions: tuple[str, ...] = ()
    skip_sites: tuple[str, ...] = ()
    extra_crews: int = 0
    moved_depots: tuple[tuple[str, str], ...] = ()
    mandatory: tuple[tuple[str, date], ...] = ()
    keep: tuple[str, ...] = ()
    stop_keys: tuple[tuple[str, str], ...] = ()
    agreed: tuple[str, ...] = ()
    seed: int = 0

    def __post_init__(self) -> None:
        if not 0 <= self.audit_share < 1:
            raise ParameterError(f"audit_share: got {self.audit_share}, must be from 0 to below 1")
        if self.block_min < 1:
            raise ParameterError(f"block_min: got {self.block_min}, must be 1 minute or more")

    def changed(self, **changes: object) -> Settings:
        """The same settings with some of them changed."""
        known = {item.name for item in fields(self)}
        unknown = set(changes) - known
        if unknown:
            raise ParameterError(f"settings: got {sorted(unknown)}, must be among {sorted(known)}")
        return replace(self, **changes)  # type: ignore[arg-type]
