"""Limits, planning values and application budgets, each with the source it comes from.

The values live in `planner/standards/data/`, one CSV per source. A lookup returns the value **and** its
source; values that could not be confirmed against the standard say so wherever they show. An operator's own
limits and applications come from a CSV or TOML file (`limits_with`) and go before the standards' values.

Row order of preference: the operator's own; the most specific item (a fibre type before "SM" before "any");
the narrowest wavelength range; confirmed before unconfirmed; the order of the files.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from planner.errors import InputError, ParameterError
from planner.standards.physics import rayleigh_factor
from planner.tables.intake_tables import MULTIMODE_FIBRES, POLISHES, SINGLE_MODE_FIBRES

LIMIT_FILES = (
    "cabling_standards.csv",
    "itu_t_fibre.csv",
    "random_mate_grades.csv",
    "connector_reflection.csv",
    "splitters.csv",
    "planning_values.csv",
    "operator_purchase.csv",
    "measurement.csv",
    "own_estimates.csv",
)
APPLICATION_FILES = ("applications_ethernet.csv", "applications_pon.csv", "applications_fibre_channel.csv")

LIMIT_COLUMNS = (
    "subject",
    "item",
    "statistic",
    "wavelength_from_nm",
    "wavelength_to_nm",
    "condition",
    "value",
    "unit",
    "source",
    "edition",
    "clause",
    "confirmed",
    "note",
)
APPLICATION_COLUMNS = (
    "application",
    "aliases",
    "parameter",
    "fibre",
    "reach_m",
    "value",
    "unit",
    "source",
    "edition",
    "clause",
    "confirmed",
    "note",
)
OWN_SUBJECTS = ("connection", "splice", "cable", "splitter", "grade", "return loss", "default grade")
"""Subjects of which an operator may give limits of its own."""

APPLICATION_PARAMETERS = (
    "max_loss",
    "min_loss",
    "connection_loss",
    "launch_min",
    "launch_max",
    "receive_min",
    "receive_max",
    "olt_launch_min",
    "olt_launch_max",
    "olt_receive_min",
    "olt_receive_max",
    "onu_launch_min",
    "onu_launch_max",
    "onu_receive_min",
    "onu_receive_max",
)
OWN_ITEMS = {
    "connection": ("any", "SM", "MM", "array"),
    "splice": ("any", "SM", "MM"),
    "cable": ("any", "SM", "MM", *SINGLE_MODE_FIBRES, *MULTIMODE_FIBRES),
    "grade": ("A", "B", "C", "D"),
    "return loss": ("any", *POLISHES),
    "default grade": ("single fibre", "array"),
}
"""What an operator's limit of a subject may be of; a splitter goes by its ratio, e.g. 1:8."""

UNITS = {
    "connection": "dB",
    "splice": "dB",
    "cable": "dB/km",
    "splitter": "dB",
    "grade": "dB",
    "return loss": "dB",
    "default grade": "-",
}


@dataclass(frozen=True)
class Limit:
    """One value with its unit and where it comes from; `confirmed` is False for memory and estimates."""

    value: float
    unit: str
    source: str
    edition: str = ""
    clause: str = ""
    confirmed: bool = True
    note: str = ""

    def __str__(self) -> str:
        return f"{self.value:g} {self.unit} ({self.reference})"

    @property
    def reference(self) -> str:
        """Source, edition and clause in words, marked where unconfirmed."""
        parts = [self.source]
        if self.edition and self.edition not in ("-", "not stated") and self.edition not in self.source:
            parts.append(self.edition)
        if self.clause:
            parts.append(f"clause {self.clause}" if self.clause[:1].isdigit() else self.clause)
        return ", ".join(parts) + ("" if self.confirmed else "; not confirmed")


@dataclass(frozen=True)
class Application:
    """What one application asks of a channel, for one fibre type."""

    name: str
    fibre: str
    reach_m: float | None
    values: dict[str, Limit] = field(default_factory=dict)
    note: str = ""

    @property
    def max_loss(self) -> Limit | None:
        """Largest channel (or optical path) loss. [dB]"""
        return self.values.get("max_loss")

    @property
    def min_loss(self) -> Limit | None:
        """Smallest optical path loss: below it the receiver may be overloaded. [dB]"""
        return self.values.get("min_loss")

    @property
    def connection_loss(self) -> Limit | None:
        """What of the loss is meant for connections and splices. [dB]"""
        return self.values.get("connection_loss")


@dataclass(frozen=True)
class _Row:
    """One row of the limits: the wavelengths it holds for, its value as text and as a limit."""

    low_nm: float
    high_nm: float
    text: str
    condition: str
    limit: Limit

    def holds(self, wavelength_nm: float | None) -> bool:
        """Whether the row's range holds this wavelength (any row if none is asked)."""
        return wavelength_nm is None or self.low_nm <= wavelength_nm <= self.high_nm


def normalised(name: str) -> str:
    """An application name without its spelling: case, spaces, hyphens, "class".

    Examples
    --------
    >>> normalised("G-PON class B+") == normalised("gpon_b+") == normalised("GPON-B+")
    True
    >>> normalised("10GBase LR") == normalised("10GBASE-LR")
    True
    """
    text = re.sub(r"\bCLASS\b", "", name.upper())
    return re.sub(r"[^A-Z0-9+.]", "", text)


def _read_data(file_name: str) -> pd.DataFrame:
    with (resources.files("planner.standards") / "data" / file_name).open("rb") as handle:
        return pd.read_csv(handle, dtype=str, keep_default_na=False)


def data_file(file_name: str) -> pd.DataFrame:
    """One data file as text columns, e.g. "connector_facts.csv"; for reports and tests."""
    return _read_data(file_name)


class Limits:
    """All limits and applications in force: the standards' and, before them, the operator's own."""

    def __init__(self, limits: pd.DataFrame, applications: pd.DataFrame, own_source: str = "") -> None:
        self.own_source = own_source
        self.limits = limits
        keys = applications["application"].map(normalised)
        shipped = ~applications["own"].astype(bool)
        # an operator may name a shipped application by any of its other names
        other_names = {
            normalised(name): key
            for key, names in zip(keys[shipped], applications.loc[shipped, "aliases"].astype(str), strict=True)
            for name in names.split(";")
            if name
        }
        self.applications = applications.assign(
            key=keys.where(shipped, keys.map(lambda key: other_names.get(key, key))),
            is_confirmed=applications["confirmed"] == "yes",
        )
        self._rows: dict[tuple[str, str, str, bool], list[_Row]] = {}
        for record in limits.to_dict("records"):
            row = _Row(
                low_nm=float(record["wavelength_from_nm"] or -np.inf),
                high_nm=float(record["wavelength_to_nm"] or np.inf),
                text=str(record["value"]),
                condition=str(record["condition"]),
                limit=_limit(record),
            )
            for item in str(record["item"]).split(";"):
                key = (str(record["subject"]), str(record["statistic"]), item, bool(record["own"]))
                self._rows.setdefault(key, []).append(row)
        for rows in self._rows.values():
            rows.sort(key=lambda row: (row.high_nm - row.low_nm, not row.limit.confirmed))

    # --- limits

    def _named(self, subject: str, statistic: str, item: str, own: bool) -> list[_Row]:
        """The rows that name this item, in order of preference; `own` picks the operator's or the rest."""
        return self._rows.get((subject, statistic, item, own), [])

    def find(
        self,
        subject: str,
        statistic: str,
        items: tuple[str, ...] = ("any",),
        wavelength_nm: float | None = None,
        edition: str | None = None,
    ) -> Limit | None:
        """The preferred value of a subject; None if no row holds one.

        Parameters
        ----------
        subject, statistic
            E.g. "connection" and "max"; see the data files.
        items
            Names to look for, most specific first.
        wavelength_nm
            Only rows whose range holds it; rows without a range always match. [nm]
        edition
            Only rows of this edition; by default of any.
        """
        for own in (True, False):
            for item in items:
                for row in self._named(subject, statistic, item, own):
                    if row.holds(wavelength_nm) and edition in (None, row.limit.edition):
                        return row.limit
        return None

    def get(
        self,
        subject: str,
        statistic: str,
        items: tuple[str, ...] = ("any",),
        wavelength_nm: float | None = None,
    ) -> Limit:
        """As `find`, but a missing value is a ParameterError."""
        limit = self.find(subject, statistic, items, wavelength_nm)
        if limit is None:
            where = f" at {wavelength_nm:g} nm" if wavelength_nm is not None else ""
            raise ParameterError(
                f"limits: no {statistic} value of {subject} for {' or '.join(items)}{where}; "
                "give one in the file of --limits"
            )
        return limit

    def connection(self, statistic: str, is_array: bool, mode: str) -> Limit:
        """Limit ("max") or planning value ("typical") of one mated pair. [dB]"""
        return self.get("connection", statistic, ("array", "any") if is_array else (mode, "any"))

    def grade(self, grade: str) -> tuple[Limit, Limit]:
        """Mean and 97 % point of the loss of randomly mated pairs of this grade. [dB]

        Raises
        ------
        ParameterError
            A grade without values.
        """
        return self.get("grade", "mean", (grade,)), self.get("grade", "p97", (grade,))

    def grade_sd_db(self, grade: str) -> float:
        """Standard deviation of the loss of randomly mated pairs of this grade. [dB]

        Our estimate from the two published points: (97 % point - mean) / 1.881, as for a normal
        distribution; a gamma distribution through the same points gives 0.45 instead of 0.53 of the mean.
        """
        mean, p97 = self.grade(grade)
        return float(max(p97.value - mean.value, 0.0) / ndtri(0.97))

    def default_grade(self, is_array: bool) -> str:
        """Grade assumed where none is recorded."""
        for own in (True, False):
            for row in self._named("default grade", "grade", "array" if is_array else "single fibre", own):
                return row.text
        raise ParameterError("limits: no default grade; own_estimates.csv must hold one")

    def cable(self, fibre_type: str, wavelength_nm: float, statistic: str) -> Limit:
        """Attenuation of a cabled fibre at any wavelength: "max" (limit) or "typical" (planning). [dB/km]

        Inside a printed wavelength range the printed value. Between printed wavelengths a planning value is
        interpolated and a limit is the higher neighbour. Below the shortest the value grows with the fourth
        power of the wavelength ratio (scattering); above the longest it is kept. The last three are our
        estimates and unconfirmed.

        Raises
        ------
        ParameterError
            A fibre type that is not known.
        """
        items = (fibre_type, fibre_mode(fibre_type), "any")
        for item in items:
            for row in self._named("cable", statistic, item, own=True):
                if row.holds(wavelength_nm):
                    return row.limit
        for item in items:
            rows = self._named("cable", statistic, item, own=False)
            if rows:
                return _between(rows, wavelength_nm, statistic)
        raise ParameterError(f"limits: no {statistic} attenuation of {fibre_type}; give one in --limits")

    def splitter(self, branches: int) -> tuple[Limit, Limit]:
        """Lower and upper planning loss of a 1:n splitter. [dB]

        Splits that are not printed get 10 log10 n plus the excess of the printed neighbours, interpolated
        in log2 n (our estimate, unconfirmed).

        Raises
        ------
        ParameterError
            Fewer than two branches.
        """
        if branches < 2:
            raise ParameterError(f"splitter ratio: got {branches}, must be 2 or more")
        own = self.find("splitter", "max", (f"1:{branches}",))
        own = own if own is not None and own.source == self.own_source and self.own_source else None
        low = self.find("splitter", "low", (f"1:{branches}",))
        high = self.find("splitter", "high", (f"1:{branches}",))
        if low is None or high is None:
            low, high = self._splitter_between(branches)
        if own is not None:
            high = own
            low = low if low.value <= own.value else own
        return low, high

    def _splitter_between(self, branches: int) -> tuple[Limit, Limit]:
        result = []
        for statistic in ("low", "high"):
            printed = sorted(
                (int(item.removeprefix("1:")), rows[0].limit.value)
                for (subject, kind, item, own), rows in self._rows.items()
                if subject == "splitter" and kind == statistic and not own
            )
            n = np.array([count for count, _ in printed], dtype=float)
            excess = np.array([value for _, value in printed]) - 10.0 * np.log10(n)
            extra = float(np.interp(np.log2(branches), np.log2(n), excess))
            result.append(
                Limit(
                    10.0 * float(np.log10(branches)) + extra,
                    "dB",
                    "our estimate between the planning ranges of printed splits",
                    confirmed=False,
                )
            )
        return result[0], result[1]

    def return_loss(self, polish: str) -> Limit:
        """Return loss a mated pair of this polish must reach. [dB]"""
        return self.get("return loss", "min", (polish, "any"))

    def bend_growth(self, fibre_type: str) -> Limit:
        """Growth of a bend's loss from 1550 to 1625 nm, from the limits of the fibre's category. [-]

        The geometric mean over the specified radii; G.652 and other types without two limits get the
        smallest growth of all (our estimate).
        """
        growth: dict[str, list[tuple[float, bool]]] = {}
        for (subject, _, item, _), rows in self._rows.items():
            if subject == "macrobend":
                growth[item] = _growths(rows)
        own = growth.get(fibre_type)
        if own:
            return Limit(
                float(np.exp(np.mean(np.log([ratio for ratio, _ in own])))),
                "-",
                f"ratio of the ITU-T G.657 limits at 1625 and 1550 nm, {fibre_type}",
                confirmed=all(confirmed for _, confirmed in own),
            )
        smallest = min(ratio for pairs in growth.values() for ratio, _ in pairs)
        return Limit(smallest, "-", "our estimate: smallest growth among ITU-T G.657 limits", confirmed=False)

    # --- applications

    @cached_property
    def _application_keys(self) -> dict[str, str]:
        keys: dict[str, str] = {}
        for row in self.applications[["application", "aliases", "key"]].drop_duplicates().itertuples():
            for name in (str(row.application), *str(row.aliases).split(";")):
                if name:
                    keys.setdefault(normalised(name), str(row.key))
        return keys

    @property
    def application_names(self) -> tuple[str, ...]:
        """The applications with a budget, as the tables spell them."""
        return tuple(dict.fromkeys(self.applications["application"]))

    def knows_application(self, name: str) -> bool:
        """Whether the tables hold this application under any spelling."""
        return normalised(name) in self._application_keys

    def application(self, name: str, fibre_type: str = "") -> Application | None:
        """The budget of an application on a fibre type; None if the tables hold none.

        A multimode type that is not printed takes the values of the next lower type (OM5 those of OM4).
        Without a fibre type the smallest budget counts. An operator's own values go first, one by one; what
        they leave out stays the standards'.
        """
        key = self._application_keys.get(normalised(name))
        if key is None:
            return None
        rows = self.applications[self.applications["key"] == key]
        own = _budget(rows[rows["own"]], fibre_type)
        standard = _budget(rows[~rows["own"]], fibre_type)
        if own is None or standard is None:
            return own or standard
        first = standard if own.max_loss is None else own
        reach = standard.reach_m if first.reach_m is None else first.reach_m
        return Application(own.name, first.fibre, reach, {**standard.values, **own.values}, first.note)


def _budget(rows: pd.DataFrame, fibre_type: str) -> Application | None:
    """The budget that these rows of one application hold for a fibre type; None if they hold none."""
    groups = [str(fibre) for fibre in dict.fromkeys(rows["fibre"])]
    picked, note = _pick_fibre(groups, fibre_type)
    if not picked:
        return None
    values: dict[str, Limit] = {}
    reach = None
    for group in picked:
        part = rows[rows["fibre"] == group]
        order = np.lexsort((np.arange(len(part)), ~part["is_confirmed"]))
        for row in part.iloc[order].to_dict("records"):
            parameter = str(row["parameter"])
            limit = _limit(row)
            known = values.get(parameter)
            if known is None or (len(picked) > 1 and parameter == "max_loss" and limit.value < known.value):
                values[parameter] = limit
                if parameter == "max_loss" and row["reach_m"] != "":
                    reach = float(row["reach_m"])
    return Application(str(rows.iloc[0]["application"]), "/".join(picked), reach, values, note)


def _limit(record: Mapping[Hashable, Any]) -> Limit:
    text = str(record["value"])
    try:
        value = float(text)
    except ValueError:  # a rule in words, e.g. a default grade
        value = float("nan")
    return Limit(
        value,
        str(record["unit"]),
        str(record["source"]),
        str(record["edition"]),
        str(record["clause"]),
        record["confirmed"] == "yes",
        str(record["note"]),
    )


def _growths(rows: list[_Row]) -> list[tuple[float, bool]]:
    """Ratio of the limits at 1625 and 1550 nm of each radius, and whether both are confirmed."""
    by_condition: dict[str, dict[float, Limit]] = {}
    for row in rows:
        by_condition.setdefault(row.condition, {})[row.low_nm] = row.limit
    return [
        (pair[1625.0].value / pair[1550.0].value, pair[1625.0].confirmed and pair[1550.0].confirmed)
        for pair in by_condition.values()
        if {1550.0, 1625.0} <= pair.keys()
    ]


def _between(rows: list[_Row], wavelength_nm: float, statistic: str) -> Limit:
    """The value at this wavelength from rows that print other wavelengths (or this one)."""
    for row in rows:
        if row.holds(wavelength_nm):
            return row.limit
    below = max((row for row in rows if row.high_nm < wavelength_nm), key=lambda row: row.high_nm, default=None)
    above = min((row for row in rows if row.low_nm > wavelength_nm), key=lambda row: row.low_nm, default=None)
    if below is not None and above is not None:
        left, right = below.limit.value, above.limit.value
        nearest = above.limit
        if statistic == "typical":
            value = float(np.interp(wavelength_nm, [below.high_nm, above.low_nm], [left, right]))
            how = "interpolated in wavelength"
        else:
            value, how = max(left, right), "higher of the neighbouring wavelengths"
    elif above is not None:
        nearest = above.limit
        value = nearest.value * float(rayleigh_factor(above.low_nm, wavelength_nm))
        how = f"scaled from {above.low_nm:g} nm by scattering"
    else:
        assert below is not None  # rows are never empty
        nearest = below.limit
        value, how = nearest.value, f"as at {below.high_nm:g} nm"
    return Limit(value, nearest.unit, f"{nearest.source}; {how} (our estimate)", nearest.edition, "", False)


def fibre_mode(fibre_type: str) -> str:
    """SM or MM of a fibre type; ParameterError for a type that is not known."""
    if fibre_type in SINGLE_MODE_FIBRES:
        return "SM"
    if fibre_type in MULTIMODE_FIBRES:
        return "MM"
    known = ", ".join(SINGLE_MODE_FIBRES + MULTIMODE_FIBRES)
    raise ParameterError(f"fibre type: got {fibre_type!r}, must be one of {known}")


def _fits(group: str, fibre_type: str) -> bool:
    if group in ("", "any", fibre_type) or fibre_type in re.split(r"[/;]", group):
        return True
    if fibre_mode(fibre_type) == "SM":
        return group.startswith(("SM", "OS"))
    return group == "MM" or (group == "50 um MM" and fibre_type != "OM1")


def _pick_fibre(groups: list[str], fibre_type: str) -> tuple[list[str] | None, str]:
    """The fibre columns of an application's table that count for this fibre type, and a remark."""
    if not fibre_type:
        return groups, "fibre type not known: smallest budget taken" if len(groups) > 1 else ""
    exact = [group for group in groups if group == fibre_type or fibre_type in re.split(r"[/;]", group)]
    if exact:
        return exact, ""
    if fibre_mode(fibre_type) == "MM":
        lower = [name for name in MULTIMODE_FIBRES if name < fibre_type and name in groups]
        if lower:
            return [lower[-1]], f"printed for {lower[-1]}, used for {fibre_type}"
    fitting = [group for group in groups if _fits(group, fibre_type)]
    return (fitting, "") if fitting else (None, "")


# --- reading -------------------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def standard_limits() -> Limits:
    """The shipped limits and applications, without an operator's own."""
    limits = pd.concat([_read_data(name)[list(LIMIT_COLUMNS)] for name in LIMIT_FILES], ignore_index=True)
    applications = pd.concat(
        [_read_data(name)[list(APPLICATION_COLUMNS)] for name in APPLICATION_FILES], ignore_index=True
    )
    return Limits(limits.assign(own=False), applications.assign(own=False))


def limits_with(path: Path | None) -> Limits:
    """The shipped limits with an operator's own file before them.

    CSV files carry the columns of the shipped files (`subject, item, statistic, value, ...` for limits,
    `application, parameter, value, ...` for applications; others may be left out). TOML files hold
    `[[limit]]` and `[[application]]` tables with the same names; an application may give `max_loss_db`,
    `min_loss_db` and the like in one table.

    Raises
    ------
    InputError
        The file cannot be read or holds a row that cannot be meant.
    """
    if path is None:
        return standard_limits()
    if not path.is_file():
        raise InputError(f"{path}: there is no such limits file; give a CSV or TOML file")
    if path.suffix.lower() == ".toml":
        limits, applications = _read_toml(path)
    else:
        limits, applications = _read_csv(path)
    shipped = standard_limits()
    own_limits = pd.DataFrame([_checked_limit(row, where, path) for where, row in limits])
    own_applications = pd.DataFrame([_checked_application(row, where, path) for where, row in applications])
    return Limits(
        pd.concat([own_limits, shipped.limits], ignore_index=True),
        pd.concat([own_applications, shipped.applications.drop(columns=["key", "is_confirmed"])], ignore_index=True),
        own_source=f"operator's own limits, {path.name}",
    )


Rows = list[tuple[str, dict[str, str]]]


def _read_csv(path: Path) -> tuple[Rows, Rows]:
    try:
        frame = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig")
    except (pd.errors.ParserError, pd.errors.EmptyDataError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read as CSV: {error}; save it as UTF-8 with commas") from error
    rows: Rows = [
        (f"row {number + 2}", {str(name): str(value).strip() for name, value in record.items()})
        for number, record in enumerate(frame.to_dict("records"))
    ]
    if "subject" in frame.columns:
        return rows, []
    if "application" in frame.columns:
        return [], rows
    raise InputError(
        f"{path}: got columns {', '.join(map(str, frame.columns))}; must have a column subject (limits) or "
        "application (applications)"
    )


def _read_toml(path: Path) -> tuple[Rows, Rows]:
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read as TOML: {error}") from error
    unknown = sorted(set(content) - {"limit", "application"})
    if unknown:
        raise InputError(f"{path}: got {unknown[0]!r}, must be [[limit]] or [[application]] tables")
    limits: Rows = []
    applications: Rows = []
    for kind, rows in (("limit", limits), ("application", applications)):
        tables = content.get(kind, [])
        if not isinstance(tables, list):
            raise InputError(f"{path}: got [{kind}], must be [[{kind}]] (double brackets)")
        for number, table in enumerate(tables, start=1):
            rows.append((f"{kind} {number}", {str(k): str(v).strip() for k, v in table.items()}))
    return limits, _one_row_per_parameter(applications)


def _one_row_per_parameter(tables: Rows) -> Rows:
    """TOML applications name their parameters directly: `max_loss_db = 9.0`."""
    rows: Rows = []
    for where, table in tables:
        named = {
            key: key.removesuffix("_db").removesuffix("_dbm")
            for key in table
            if key.removesuffix("_db").removesuffix("_dbm") in APPLICATION_PARAMETERS
        }
        if not named:
            rows.append((where, table))
        rest = {key: value for key, value in table.items() if key not in named}
        rows += [(where, {**rest, "parameter": named[key], "value": table[key]}) for key in named]
    return rows


def _checked_number(text: str, column: str, where: str, path: Path, lowest: float = -np.inf) -> str:
    try:
        good = bool(np.isfinite(float(text))) and float(text) >= lowest
    except ValueError:
        good = False
    if not good:
        least = f" of {lowest:g} or more" if np.isfinite(lowest) else ""
        raise InputError(f"{path} {where}, {column}: got {text!r}, must be a number{least}")
    return text


def _checked_item(subject: str, text: str, where: str, path: Path) -> str:
    """The items a row holds for (`;` between several); a name that no look-up would find is refused."""
    known = OWN_ITEMS.get(subject, ())
    item = text or ("any" if "any" in known else "")
    for name in item.split(";"):
        if subject == "splitter" and re.fullmatch(r"1:[1-9]\d*", name):
            continue
        if name not in known:
            must = ", ".join(known) if known else "a ratio such as 1:8"
            raise InputError(f"{path} {where}, item: got {name!r}, must be {must} for {subject}")
    return item


def _checked_limit(row: dict[str, str], where: str, path: Path) -> dict[str, object]:
    subject = row.get("subject", "")
    if subject not in OWN_SUBJECTS:
        raise InputError(f"{path} {where}, subject: got {subject!r}, must be one of {', '.join(OWN_SUBJECTS)}")
    allowed = {
        "grade": ("mean", "p97"),
        "return loss": ("min",),
        "default grade": ("grade",),
        "splitter": ("max", "low", "high"),
        "splice": ("max", "typical", "variance"),
        "connection": ("max",),
        "cable": ("max", "typical", "relative sd"),
    }[subject]
    statistic = row.get("statistic", "") or allowed[0]
    if statistic not in allowed:
        more = " (what a pair typically loses goes by its grade: give subject grade)" if subject == "connection" else ""
        raise InputError(
            f"{path} {where}, statistic: got {statistic!r}, must be {' or '.join(allowed)} for {subject}{more}"
        )
    value = row.get("value", "")
    if subject != "default grade":
        _checked_number(value, "value", where, path, lowest=0.0)
    elif value not in ("A", "B", "C", "D"):
        raise InputError(f"{path} {where}, value: got {value!r}, must be A, B, C or D")
    for column in ("wavelength_from_nm", "wavelength_to_nm"):
        if row.get(column, ""):
            _checked_number(row[column], column, where, path)
    return {
        **{column: row.get(column, "") for column in LIMIT_COLUMNS},
        "item": _checked_item(subject, row.get("item", ""), where, path),
        "statistic": statistic,
        "unit": row.get("unit", "") or UNITS[subject],
        "source": f"operator's own limits, {path.name}",
        "note": "; ".join(part for part in (row.get("source", ""), row.get("note", "")) if part),
        "confirmed": "yes",
        "own": True,
    }


def _checked_application(row: dict[str, str], where: str, path: Path) -> dict[str, object]:
    if not row.get("application") and row.get("name"):
        row = {**row, "application": row["name"]}
    if not row.get("application"):
        raise InputError(f"{path} {where}, application: got nothing, must be the application's name")
    parameter = row.get("parameter", "") or "max_loss"
    if parameter not in APPLICATION_PARAMETERS:
        raise InputError(
            f"{path} {where}, parameter: got {parameter!r}, must be one of {', '.join(APPLICATION_PARAMETERS)}"
        )
    _checked_number(row.get("value", ""), "value", where, path, lowest=0.0 if parameter.endswith("_loss") else -np.inf)
    if row.get("reach_m", ""):
        _checked_number(row["reach_m"], "reach_m", where, path, lowest=0.0)
    return {
        **{column: row.get(column, "") for column in APPLICATION_COLUMNS},
        "parameter": parameter,
        "unit": row.get("unit", "") or ("dB" if parameter.endswith("_loss") else "dBm"),
        "source": f"operator's own limits, {path.name}",
        "note": "; ".join(part for part in (row.get("source", ""), row.get("note", "")) if part),
        "confirmed": "yes",
        "own": True,
    }
