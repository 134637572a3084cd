"""What every circuit should lose, element by element and wavelength by wavelength, against what was measured.

In: the elements of the traced paths with the properties that decide their loss, the circuits, the first and
latest loss tests, the power the end ports report, and the limits in force. Out: the rows of `circuit_budget`
and `budget_elements`. Everything is computed for all circuits at once, one pass per wavelength.

Three sums per circuit: the largest loss the standards allow, the loss to expect (mean and spread; spreads of
independent elements add as squares) and the loss as built (first test). A mated pair is two end faces that
meet in one adapter; the pairs at the end equipment count, because a one-cord reference measures them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from planner.errors import ParameterError
from planner.standards.lookup import (
    APPLICATION_PARAMETERS,
    Application,
    Limit,
    Limits,
    fibre_mode,
    normalised,
)
from planner.standards.physics import DB_PER_NEPER, backscatter_fraction, fresnel_reflectance_db
from planner.tables.intake_tables import FIBRE_TYPES
from planner.tables.result_tables import BUDGET_ELEMENTS, CIRCUIT_BUDGET

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

KINDS = ("mated_pair", "cable", "splice", "splitter")
PAIR, CABLE, SPLICE, SPLITTER = range(4)
GRADES = ("A", "B", "C", "D")
POLISHES = ("PC", "UPC", "APC")

ELEMENT_COLUMNS = (
    "circuit_id",
    "position",
    "element_kind",
    "element_id",
    "role",
    "family",
    "polish",
    "grade",
    "fibre_type",
    "length_m",
    "splice_kind",
    "splice_loss_db",
    "ratio",
)
"""Columns of the path elements: `circuit_paths` joined with what decides an element's loss.

`element_id` of a connector is the port it is in: a mated pair goes by the port where it meets.
"""

TEST_COLUMNS = (
    "circuit_id",
    "wavelength_nm",
    "as_built_db",
    "as_built_at",
    "measured_db",
    "measured_at",
    "directions",
    "reference_cords",
)
POWER_COLUMNS = ("circuit_id", "a_tx_dbm", "a_rx_dbm", "z_tx_dbm", "z_rx_dbm", "measured_at")

INDEX_OF_GLASS = 1.4682
"""Group index of single-mode fibre at 1550 nm, common data-sheet value; only for mixed APC and PC pairs. [-]"""

# Remarks of a circuit_budget row, one bit each.
NOTES = (
    "path not traced: expected loss not assessed",
    "a value used is unconfirmed",
    "grade not recorded at some end faces: grade {grade} assumed",
    "grade not recorded at some arrays: grade {array_grade} assumed",
    "splice loss not recorded: planning value",
    "some end equipment without a recorded end face: counted as a mated pair",
    "splitter ratio not recorded: loss not assessed",
    "measured from launched and received power: good to about +-4 dB, use its changes",
    "tested in one direction only",
    "two-cord reference hides one end connection",
    "three-cord reference hides both end connections",
    "reference method not recorded: one cord assumed",
    "measured loss is below the smallest the application allows: the receiver may be overloaded",
    "longer than the reach printed for the application",
    "APC against PC or UPC on the path: reflection of an air gap assumed",
    "allowed loss is unconfirmed",
)
(
    UNTRACED,
    UNCONFIRMED,
    NO_GRADE,
    NO_ARRAY_GRADE,
    NO_SPLICE_LOSS,
    NO_END_FACE,
    NO_RATIO,
    FROM_POWER,
    ONE_WAY,
    TWO_CORDS,
    THREE_CORDS,
    NO_METHOD,
    TOO_LITTLE_LOSS,
    TOO_LONG,
    MIXED_POLISH,
    ALLOWED_UNCONFIRMED,
) = (1 << bit for bit in range(len(NOTES)))


@dataclass(frozen=True)
class Budgets:
    """Rows of `circuit_budget` and of `budget_elements`."""

    circuits: pd.DataFrame
    elements: pd.DataFrame


@dataclass
class _Parts:
    """The elements that lose light, sorted by circuit and position; codes are -1 where not known."""

    circuit: Ints
    position: Ints
    kind: Ints
    row: Ints
    is_array: Bools
    grade: Ints
    polish: Ints
    is_mixed: Bools
    fibre: Ints
    length_km: Floats
    splice_kind: Ints
    splice_loss: Floats
    ratio: Ints
    is_multimode: Bools
    flags: Ints


@dataclass
class _Values:
    """What each element loses at one wavelength; `source` indexes the list of texts."""

    maximum: Floats
    typical: Floats
    variance: Floats
    confirmed: Bools
    source: Ints


@dataclass
class _Sources:
    """Texts of sources, each once."""

    texts: list[str] = field(default_factory=list)
    known: dict[str, int] = field(default_factory=dict)

    def code(self, text: str) -> int:
        """Number of the text."""
        if text not in self.known:
            self.known[text] = len(self.texts)
            self.texts.append(text)
        return self.known[text]


# --- simple sums, also for planning by hand -------------------------------------------------------------


def reach_km(cable_allowance_db: float, db_per_km: float) -> float:
    """Length that a cable-loss allowance buys; ParameterError unless the attenuation is above 0. [km]

    Examples
    --------
    >>> reach_km(4.0 - 3.0, 0.5)
    2.0
    """
    if not db_per_km > 0:
        raise ParameterError(f"db_per_km: got {db_per_km}, must be above 0 dB/km")
    return cable_allowance_db / db_per_km


def power_budget_db(launch_dbm: float, sensitivity_dbm: float) -> float:
    """Launched power less receiver sensitivity: positive where the link can work. [dB]

    Examples
    --------
    >>> power_budget_db(-18.5, -30.0)
    11.5
    """
    return launch_dbm - sensitivity_dbm


def statistical_loss_db(
    means_db: Floats,
    variances_db2: Floats,
    system_variance_db2: float = 0.0,
    excess_db: float = 0.0,
    sigmas: float = 3.0,
) -> float:
    """Loss that a link stays under by the mean + k sigma method. [dB]

    sum(means) + k sqrt(sum(variances) + system variance) + excess: an equipment maker's planning guide adds
    independent elements this way with k = 3.
    """
    spread = sigmas * np.sqrt(float(np.sum(variances_db2)) + system_variance_db2)
    return float(np.sum(means_db) + spread + excess_db)


def two_way_loss_db(a_to_z_db: Floats | float, z_to_a_db: Floats | float) -> Floats:
    """Mean of the two directions: what a reflectometer's gainers cancel in. [dB]

    Examples
    --------
    >>> round(float(two_way_loss_db(0.20, 0.10)), 4)
    0.15
    """
    mean: Floats = (np.asarray(a_to_z_db) + np.asarray(z_to_a_db)) / 2.0
    return mean


def loss_test_sd_db(limits: Limits, cords: str = "ordinary cords") -> Limit:
    """Standard deviation of a light-source-and-meter loss test. [dB]

    Half of the middle of the expanded uncertainty range of the cords' kind ("reference cords" or "ordinary
    cords"); the ranges are from memory, so the value is never confirmed.
    """
    low = limits.get("loss test uncertainty", "low", (cords,))
    high = limits.get("loss test uncertainty", "high", (cords,))
    return Limit((low.value + high.value) / 4.0, "dB", low.source, confirmed=False, note=low.note)


def hidden_connections(reference_cords: int | float | None, limits: Limits) -> int:
    """How many end connections a loss test's reference hides; one cord (none hidden) if not recorded.

    Raises
    ------
    ParameterError
        A number of cords other than 1, 2 or 3.
    """
    if reference_cords is None or np.isnan(reference_cords):
        return 0
    found = limits.find("reference cords", "hidden connections", (str(int(reference_cords)),))
    if found is None:
        raise ParameterError(f"reference_cords: got {reference_cords}, must be 1, 2 or 3")
    return int(found.value)


# --- the budget of all circuits -------------------------------------------------------------------------


def circuit_budgets(
    elements: pd.DataFrame,
    circuits: pd.DataFrame,
    tests: pd.DataFrame,
    powers: pd.DataFrame,
    limits: Limits,
) -> Budgets:
    """Expected against measured loss of every circuit at its working wavelength and at every tested one.

    Parameters
    ----------
    elements
        One row per element of each traced path with the columns `ELEMENT_COLUMNS`, any order; adapters may
        be left out. Text columns may be categories.
    circuits
        `circuit_id, a_port_id, z_port_id, application, wavelength_nm, max_loss_db`.
    tests
        First and latest loss test of each circuit and wavelength (`TEST_COLUMNS`); `directions` is the number
        of directions in the latest figure.
    powers
        Latest power of the end ports (`POWER_COLUMNS`). What a port receives counts only if it ends one
        circuit: at a port shared by several (a PON head end) the light cannot be told apart.
    limits
        From `planner.standards.lookup`.

    Returns
    -------
    Budgets; the note of a row names unconfirmed values and assumptions.
    """
    if circuits.empty:
        return Budgets(
            pd.DataFrame(columns=list(CIRCUIT_BUDGET.column_names)),
            pd.DataFrame(columns=list(BUDGET_ELEMENTS.column_names)),
        )
    ids = pd.Index(circuits["circuit_id"].astype(object))
    parts = _parts(elements, ids)
    asked = _asked(circuits, tests, ids)
    sources = _Sources()
    blocks: list[dict[str, npt.NDArray[Any]]] = []
    sums: list[pd.DataFrame] = []
    for wavelength, rows in asked.groupby("wavelength_nm", sort=True):
        wanted = np.zeros(len(ids), dtype=bool)
        wanted[rows["circuit"].to_numpy()] = True
        chosen = _taken(parts, np.flatnonzero(wanted[parts.circuit]))
        values = _values_at(chosen, float(str(wavelength)), limits, sources)
        blocks.append(_element_rows(chosen, values, float(str(wavelength))))
        sums.append(_sums(chosen, values, rows["circuit"].to_numpy(), float(str(wavelength)), limits))
    budget = asked.merge(pd.concat(sums, ignore_index=True), on=["circuit", "wavelength_nm"], how="left")
    ends = _ends(circuits, powers, ids)
    demands = _demands(circuits, _fibre_of_circuit(parts, len(ids)), limits)
    budget = _with_measured(budget, ends, limits)
    budget = _with_allowed(budget, circuits, demands)
    budget = _with_power_margin(budget, ends, demands)
    budget = budget.assign(fleet_offset_db=_fleet_offset(budget, demands))
    return Budgets(_circuit_rows(budget, ids, limits), _named_elements(blocks, elements, ids, sources))


def _codes(column: pd.Series, names: tuple[str, ...]) -> Ints:
    """Place of each value in `names`, -1 where it is empty or another."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        place = pd.Index(names).get_indexer(column.cat.categories.astype(object))
        codes = column.cat.codes.to_numpy()
        return np.where(codes >= 0, np.append(place, -1)[codes], -1).astype(np.int64)
    return pd.Index(names).get_indexer(pd.Index(column.astype(object))).astype(np.int64)


def _labelled(codes: Any, names: Any) -> pd.Categorical:
    """Codes as a categorical column over the names; -1 is empty."""
    categories: pd.Index[Any] = pd.Index(names, dtype=object)
    labelled: pd.Categorical = pd.Categorical.from_codes(np.asarray(codes, dtype=np.int64), categories=categories)
    return labelled


def _ports(column: pd.Series) -> Ints:
    if isinstance(column.dtype, pd.CategoricalDtype):
        return column.cat.codes.to_numpy().astype(np.int64)
    return pd.factorize(column.astype(object))[0].astype(np.int64)


def _circuit_codes(column: pd.Series, ids: pd.Index[Any]) -> Ints:
    if isinstance(column.dtype, pd.CategoricalDtype):
        place = ids.get_indexer(column.cat.categories.astype(object))
        codes = column.cat.codes.to_numpy()
        return np.where(codes >= 0, np.append(place, -1)[codes], -1).astype(np.int64)
    return ids.get_indexer(pd.Index(column.astype(object))).astype(np.int64)


def _parts(elements: pd.DataFrame, ids: pd.Index[Any]) -> _Parts:
    """Elements that lose light: mated pairs out of end faces, cables, splices, splitters."""
    circuit = _circuit_codes(elements["circuit_id"], ids)
    position = elements["position"].to_numpy(dtype=np.int64)
    kind_names = ("connector", "cable", "splice", "splitter")
    kind = _codes(elements["element_kind"], kind_names)
    rows = np.flatnonzero((kind >= 0) & (circuit >= 0))
    order = rows[np.lexsort((position[rows], circuit[rows]))]
    circuit, position, kind = circuit[order], position[order], kind[order]
    port = _ports(elements["element_id"]).astype(np.int64)[order]

    is_face = kind == PAIR
    meets_next = np.zeros(len(order), dtype=bool)
    meets_next[:-1] = (
        is_face[:-1] & is_face[1:] & (circuit[:-1] == circuit[1:]) & (port[:-1] == port[1:]) & (port[:-1] >= 0)
    )
    second = np.zeros(len(order), dtype=bool)
    second[1:] = meets_next[:-1]
    meets_next &= ~second
    second[1:] = meets_next[:-1]
    at_end = np.zeros(len(order), dtype=bool)
    if len(order):
        at_end[0] = at_end[-1] = True
        change = circuit[1:] != circuit[:-1]
        at_end[1:] |= change
        at_end[:-1] |= change
    role = _codes(elements["role"], ("equipment",))[order]
    lone_end = is_face & ~meets_next & ~second & at_end & (role == 0)
    keep = np.flatnonzero((~is_face) | meets_next | lone_end)
    partner = np.where(meets_next[keep], np.minimum(keep + 1, len(order) - 1), keep)

    def both(codes: Ints) -> tuple[Ints, Ints]:
        taken = codes[order]
        return taken[keep], taken[partner]

    grade_a, grade_b = both(_codes(elements["grade"], GRADES))
    polish_a, polish_b = both(_codes(elements["polish"], POLISHES))
    family = _codes(elements["family"], ("MPO",))[order][keep]
    fibre = _codes(elements["fibre_type"], FIBRE_TYPES)[order]
    is_pair = kind[keep] == PAIR
    is_array = is_pair & (family == 0)
    missing = is_pair & ((grade_a < 0) | (grade_b < 0))
    flags = np.where(missing & ~is_array, NO_GRADE, 0) | np.where(missing & is_array, NO_ARRAY_GRADE, 0)
    flags |= np.where(lone_end[keep], NO_END_FACE, 0)
    apc = POLISHES.index("APC")
    is_mixed = is_pair & (polish_a >= 0) & (polish_b >= 0) & ((polish_a == apc) != (polish_b == apc))
    flags |= np.where(is_mixed, MIXED_POLISH, 0)
    splice_loss = pd.to_numeric(elements["splice_loss_db"]).to_numpy(dtype=float, na_value=np.nan)[order][keep]
    flags |= np.where((kind[keep] == SPLICE) & np.isnan(splice_loss), NO_SPLICE_LOSS, 0)
    ratio = pd.to_numeric(elements["ratio"]).to_numpy(dtype=float, na_value=np.nan)[order][keep]
    ratio = np.where(np.isnan(ratio), 0, ratio).astype(np.int64)
    flags |= np.where((kind[keep] == SPLITTER) & (ratio < 2), NO_RATIO, 0)
    length = pd.to_numeric(elements["length_m"]).to_numpy(dtype=float, na_value=np.nan)[order][keep]
    of_circuit = circuit[keep]
    multimode_cable = np.zeros(len(ids), dtype=bool)
    is_mm = np.array([fibre_mode(name) == "MM" for name in FIBRE_TYPES])
    on_cable = fibre >= 0
    multimode_cable[circuit[on_cable][is_mm[fibre[on_cable]]]] = True
    return _Parts(
        circuit=of_circuit,
        position=position[keep],
        kind=kind[keep],
        row=order[keep],
        is_array=is_array,
        grade=np.maximum(grade_a, grade_b) * is_pair - (~is_pair),
        polish=np.where(
            (polish_a >= 0) & (polish_b >= 0), np.minimum(polish_a, polish_b), np.maximum(polish_a, polish_b)
        ),
        is_mixed=is_mixed,
        fibre=fibre[keep],
        length_km=np.where(np.isnan(length), 0.0, length) / 1000.0,
        splice_kind=_codes(elements["splice_kind"], ("fusion", "mechanical"))[order][keep],
        splice_loss=splice_loss,
        ratio=ratio,
        is_multimode=multimode_cable[of_circuit],
        flags=flags.astype(np.int64),
    )


def _taken(parts: _Parts, rows: Ints) -> _Parts:
    return _Parts(**{name: getattr(parts, name)[rows] for name in _Parts.__dataclass_fields__})


def _asked(circuits: pd.DataFrame, tests: pd.DataFrame, ids: pd.Index[Any]) -> pd.DataFrame:
    """One row per circuit and wavelength: the working one and every tested one."""
    working = pd.DataFrame(
        {
            "circuit": np.arange(len(ids)),
            "wavelength_nm": circuits["wavelength_nm"].to_numpy(dtype=float),
            "is_working": True,
        }
    )
    tested = tests.assign(circuit=_circuit_codes(tests["circuit_id"], ids)).drop(columns="circuit_id")
    tested = tested[tested["circuit"] >= 0]
    both = working.merge(tested, on=["circuit", "wavelength_nm"], how="outer")
    both["is_working"] = both["is_working"].astype("boolean").fillna(False).astype(bool)
    return both.sort_values(["circuit", "wavelength_nm"], kind="stable", ignore_index=True)


def _values_at(parts: _Parts, wavelength_nm: float, limits: Limits, sources: _Sources) -> _Values:
    """Limit, expectation and spread of every element at one wavelength."""
    n = len(parts.kind)
    values = _Values(np.zeros(n), np.zeros(n), np.zeros(n), np.ones(n, dtype=bool), np.full(n, -1, dtype=np.int64))
    _pair_values(parts, values, limits, sources)
    _cable_values(parts, values, wavelength_nm, limits, sources)
    _splice_values(parts, values, limits, sources)
    _splitter_values(parts, values, limits, sources)
    return values


def _put(values: _Values, rows: Bools, maximum: Limit, typical: Limit, sd: float, source: int, confirmed: bool) -> None:
    values.maximum[rows] = maximum.value
    values.typical[rows] = typical.value
    values.variance[rows] = sd**2
    values.confirmed[rows] = confirmed
    values.source[rows] = source


def _pair_values(parts: _Parts, values: _Values, limits: Limits, sources: _Sources) -> None:
    is_pair = parts.kind == PAIR
    assumed = is_pair & ((parts.flags & (NO_GRADE | NO_ARRAY_GRADE)) != 0)
    for is_array in (False, True):
        default = GRADES.index(limits.default_grade(is_array))
        here = is_pair & (parts.is_array == is_array)
        grade = np.where(assumed, np.maximum(parts.grade, default), parts.grade)
        for code in np.unique(grade[here]):
            name = GRADES[int(code)]
            mean, p97 = limits.grade(name)
            for is_mm in (False, True):
                maximum = limits.connection("max", is_array, "MM" if is_mm else "SM")
                for is_assumed in (False, True):
                    rows = here & (grade == code) & (parts.is_multimode == is_mm) & (assumed == is_assumed)
                    if not rows.any():
                        continue
                    text = (
                        f"limit {maximum.reference}; grade {name}{' (assumed)' if is_assumed else ''}: {mean.reference}"
                    )
                    good = maximum.confirmed and mean.confirmed and p97.confirmed and not is_assumed
                    _put(values, rows, maximum, mean, limits.grade_sd_db(name), sources.code(text), good)


def _cable_values(parts: _Parts, values: _Values, wavelength_nm: float, limits: Limits, sources: _Sources) -> None:
    on_cable = parts.kind == CABLE
    relative = limits.get("cable", "relative sd").value
    for code in np.unique(parts.fibre[on_cable]):
        if code < 0:
            continue
        rows = on_cable & (parts.fibre == code)
        maximum = limits.cable(FIBRE_TYPES[int(code)], wavelength_nm, "max")
        typical = limits.cable(FIBRE_TYPES[int(code)], wavelength_nm, "typical")
        length = parts.length_km[rows]
        values.maximum[rows] = maximum.value * length
        values.typical[rows] = typical.value * length
        values.variance[rows] = (relative * typical.value * length) ** 2
        values.confirmed[rows] = maximum.confirmed and typical.confirmed
        values.source[rows] = sources.code(
            f"{maximum.value:g} dB/km limit {maximum.reference}; {typical.value:g} dB/km typical {typical.reference}"
        )


def _splice_values(parts: _Parts, values: _Values, limits: Limits, sources: _Sources) -> None:
    is_splice = parts.kind == SPLICE
    maximum = limits.get("splice", "max", ("any",))
    variance = limits.get("splice", "variance", ("any",))
    recorded = is_splice & ~np.isnan(parts.splice_loss)
    if recorded.any():
        text = f"limit {maximum.reference}; as built: recorded loss"
        values.maximum[recorded] = maximum.value
        values.typical[recorded] = parts.splice_loss[recorded]
        values.confirmed[recorded] = maximum.confirmed
        values.source[recorded] = sources.code(text)
    for is_mm, mode in ((False, "SM"), (True, "MM")):
        for mechanical in (False, True):
            rows = is_splice & ~recorded & (parts.is_multimode == is_mm) & ((parts.splice_kind == 1) == mechanical)
            if not rows.any():
                continue
            typical = limits.get("splice", "typical", (mode, "any"))
            if mechanical:
                typical = Limit(maximum.value, "dB", f"mechanical: the limit, {maximum.source}", confirmed=False)
            text = f"limit {maximum.reference}; typical {typical.reference}"
            good = maximum.confirmed and typical.confirmed and variance.confirmed
            _put(values, rows, maximum, typical, float(np.sqrt(variance.value)), sources.code(text), good)


def _splitter_values(parts: _Parts, values: _Values, limits: Limits, sources: _Sources) -> None:
    is_splitter = (parts.kind == SPLITTER) & (parts.ratio >= 2)
    for ratio in np.unique(parts.ratio[is_splitter]):
        rows = is_splitter & (parts.ratio == ratio)
        low, high = limits.splitter(int(ratio))
        middle = Limit((low.value + high.value) / 2.0, "dB", low.source, low.edition, "", low.confirmed)
        # the planning range taken as plus and minus two standard deviations (our estimate)
        _put(
            values,
            rows,
            high,
            middle,
            (high.value - low.value) / 4.0,
            sources.code(f"1:{int(ratio)} {low.value:g} to {high.value:g} dB, {high.reference}"),
            low.confirmed and high.confirmed,
        )
    unknown = (parts.kind == SPLITTER) & (parts.ratio < 2)
    if unknown.any():
        values.maximum[unknown] = np.nan
        values.typical[unknown] = np.nan
        values.confirmed[unknown] = False
        values.source[unknown] = sources.code("not assessed: splitter ratio not recorded")


def _element_rows(parts: _Parts, values: _Values, wavelength_nm: float) -> dict[str, npt.NDArray[Any]]:
    return {
        "circuit": parts.circuit,
        "wavelength_nm": np.full(len(parts.kind), wavelength_nm),
        "position": parts.position,
        "kind": parts.kind,
        "row": parts.row,
        "maximum_db": values.maximum,
        "typical_db": values.typical,
        "typical_sd_db": np.sqrt(values.variance),
        "as_built_db": np.where(parts.kind == SPLICE, parts.splice_loss, np.nan),
        "source": values.source,
    }


def _sums(parts: _Parts, values: _Values, circuits: Ints, wavelength_nm: float, limits: Limits) -> pd.DataFrame:
    """Sums over each circuit's elements at one wavelength; NaN where the circuit has no path."""
    size = int(circuits.max()) + 1 if len(circuits) else 0
    counts = np.bincount(parts.circuit, minlength=size)

    def total(weights: Floats) -> Floats:
        summed: Floats = np.bincount(parts.circuit, weights=weights, minlength=size)[circuits].astype(np.float64)
        return summed

    flags = np.zeros(size, dtype=np.int64)
    for bit in (NO_GRADE, NO_ARRAY_GRADE, NO_SPLICE_LOSS, NO_END_FACE, NO_RATIO, MIXED_POLISH):
        hit = parts.circuit[(parts.flags & bit) != 0]
        flags[np.unique(hit)] |= bit
    flags[np.unique(parts.circuit[~values.confirmed])] |= UNCONFIRMED
    flags[counts == 0] |= UNTRACED
    known = counts[circuits] > 0
    end_typical, end_variance = _end_pairs(parts, values, size)
    return pd.DataFrame(
        {
            "circuit": circuits,
            "wavelength_nm": wavelength_nm,
            "maximum_db": np.where(known, total(values.maximum), np.nan),
            "typical_db": np.where(known, total(values.typical), np.nan),
            "variance": np.where(known, total(values.variance), np.nan),
            "length_m": np.where(known, total(parts.length_km * (parts.kind == CABLE)) * 1000.0, np.nan),
            "return_loss_db": np.where(
                known, _return_loss(parts, values, size, wavelength_nm, limits)[circuits], np.nan
            ),
            "end_pair_db": end_typical[circuits],
            "end_pair_variance": end_variance[circuits],
            "flags": flags[circuits],
        }
    )


def _end_pairs(parts: _Parts, values: _Values, size: int) -> tuple[Floats, Floats]:
    """Mean typical loss and variance of the outermost mated pairs of each circuit; 0 where it has none."""
    is_pair = np.flatnonzero(parts.kind == PAIR)
    loss, variance = np.zeros(size), np.zeros(size)
    if not len(is_pair):
        return loss, variance
    owner = parts.circuit[is_pair]
    first = np.concatenate(([True], owner[1:] != owner[:-1]))
    last = np.concatenate((owner[1:] != owner[:-1], [True]))
    for ends in (first, last):
        rows = is_pair[ends]
        loss[parts.circuit[rows]] += values.typical[rows] / 2.0
        variance[parts.circuit[rows]] += values.variance[rows] / 2.0
    return loss, variance


def _return_loss(parts: _Parts, values: _Values, size: int, wavelength_nm: float, limits: Limits) -> Floats:
    """Expected optical return loss seen from the A end: joints at their limits plus fibre backscatter.

    Light reflected behind a loss passes that loss twice. Backscatter levels are from memory; multimode
    fibre counts without backscatter.
    """
    level = np.array([limits.return_loss(polish).value for polish in POLISHES])
    reflectance = -level[np.maximum(parts.polish, 0)]
    reflectance = np.where(parts.is_mixed, float(fresnel_reflectance_db(INDEX_OF_GLASS)), reflectance)
    part = np.where(parts.kind == PAIR, 10.0 ** (reflectance / 10.0), 0.0)
    on_cable = (parts.kind == CABLE) & ~parts.is_multimode & (parts.length_km > 0)
    if on_cable.any():
        index = limits.get("group index", "typical", ("SM",)).value
        anchors = [limits.get("backscatter", "typical", ("SM",), nm).value for nm in (1310.0, 1550.0)]
        backscatter = float(np.interp(wavelength_nm, [1310.0, 1550.0], anchors))
        km = parts.length_km[on_cable]
        part[on_cable] = backscatter_fraction(km, values.typical[on_cable] / km, backscatter, index)
    typical = np.nan_to_num(values.typical)
    running = np.cumsum(typical) - typical
    start = np.zeros(size)
    if len(parts.circuit):
        first = np.concatenate(([True], parts.circuit[1:] != parts.circuit[:-1]))
        start[parts.circuit[first]] = running[first]
    before = running - start[parts.circuit]
    total = np.bincount(parts.circuit, weights=part * np.exp(-2.0 * before / DB_PER_NEPER), minlength=size)
    with np.errstate(divide="ignore"):
        result: Floats = -10.0 * np.log10(total)
    return np.where(np.isfinite(result), result, np.nan)


# --- measured, allowed, margins -------------------------------------------------------------------------

POWER_LOSS_SD_DB = 3.0 / np.sqrt(2.0)
"""Standard deviation of a loss from two transceiver readings: each +-3 dB (SFF-8472) at two deviations. [dB]"""


@dataclass
class _Ends:
    """What the equipment at both ends of each circuit reports; NaN where unknown or shared."""

    a_tx: Floats
    a_rx: Floats
    z_tx: Floats
    z_rx: Floats
    read_at: npt.NDArray[Any]
    z_is_head: Bools


def _ends(circuits: pd.DataFrame, powers: pd.DataFrame, ids: pd.Index[Any]) -> _Ends:
    size = len(ids)
    ports = pd.concat([circuits["a_port_id"].astype(object), circuits["z_port_id"].astype(object)])
    code = pd.factorize(ports)[0]
    uses = np.bincount(code[code >= 0], minlength=int(code.max()) + 1 if len(code) else 0)
    shared = np.where(code >= 0, uses[np.maximum(code, 0)], 0) > 1 if len(code) else np.zeros(0, dtype=bool)
    a_shared, z_shared = shared[:size], shared[size:]
    columns = {name: np.full(size, np.nan) for name in ("a_tx_dbm", "a_rx_dbm", "z_tx_dbm", "z_rx_dbm")}
    at = np.full(size, np.datetime64("NaT", "us"))
    if len(powers):
        circuit = _circuit_codes(powers["circuit_id"], ids)
        good = circuit >= 0
        for name, values in columns.items():
            read = pd.to_numeric(powers[name]).to_numpy(dtype=float, na_value=np.nan)
            values[circuit[good]] = read[good]
        at[circuit[good]] = powers["measured_at"].to_numpy(dtype="datetime64[us]")[good]
    return _Ends(
        a_tx=columns["a_tx_dbm"],
        a_rx=np.where(a_shared, np.nan, columns["a_rx_dbm"]),
        z_tx=columns["z_tx_dbm"],
        z_rx=np.where(z_shared, np.nan, columns["z_rx_dbm"]),
        read_at=at,
        z_is_head=z_shared & ~a_shared,
    )


def _with_measured(budget: pd.DataFrame, ends: _Ends, limits: Limits) -> pd.DataFrame:
    """Latest loss test, else loss from reported powers at the working wavelength."""
    measured = budget["measured_db"].to_numpy(dtype=float).copy()
    by_test = ~np.isnan(measured)
    cords = pd.to_numeric(budget["reference_cords"]).to_numpy(dtype=float, na_value=np.nan)
    hidden_count = np.zeros(len(budget))
    for number in (1, 2, 3):
        hidden_count[by_test & (cords == number)] = hidden_connections(number, limits)
    circuit = budget["circuit"].to_numpy()
    both = np.column_stack((ends.a_tx - ends.z_rx, ends.z_tx - ends.a_rx))
    known = (~np.isnan(both)).sum(axis=1)
    from_power = np.where(known > 0, np.nansum(both, axis=1) / np.maximum(known, 1), np.nan)[circuit]
    by_power = ~by_test & budget["is_working"].to_numpy() & ~np.isnan(from_power)
    measured[by_power] = from_power[by_power]
    at = budget["measured_at"].to_numpy(dtype="datetime64[us]").copy()
    at[by_power] = ends.read_at[circuit[by_power]]

    directions = pd.to_numeric(budget["directions"]).to_numpy(dtype=float, na_value=np.nan)
    two_way = np.nan_to_num(directions, nan=1.0) >= 2
    sd = np.where(by_test, loss_test_sd_db(limits).value / np.where(two_way, np.sqrt(2.0), 1.0), np.nan)
    sd = np.where(by_power, POWER_LOSS_SD_DB, sd)
    hidden = np.where(by_test, hidden_count * budget["end_pair_db"].fillna(0.0).to_numpy(), 0.0)

    flags = budget["flags"].fillna(UNTRACED).to_numpy(dtype=np.int64).copy()
    flags[by_power] |= FROM_POWER
    flags[by_test & ~two_way] |= ONE_WAY
    flags[by_test & (cords == 2)] |= TWO_CORDS
    flags[by_test & (cords == 3)] |= THREE_CORDS
    flags[by_test & np.isnan(cords)] |= NO_METHOD
    return budget.assign(
        measured_db=measured,
        measured_at=at,
        measured_from=_labelled(np.select([by_test, by_power], [0, 1], 2), ["loss_test", "power", "not assessed"]),
        measured_sd_db=sd,
        hidden_db=np.where(by_test | by_power, hidden, np.nan),
        excess_db=measured - (budget["typical_db"].to_numpy(dtype=float) - hidden),
        flags=flags,
    )


def _fibre_of_circuit(parts: _Parts, size: int) -> Ints:
    """Fibre type with the greatest length on each circuit; -1 without a cable."""
    on_cable = np.flatnonzero((parts.kind == CABLE) & (parts.fibre >= 0))
    types = len(FIBRE_TYPES)
    key = parts.circuit[on_cable] * types + parts.fibre[on_cable]
    # a cable of length 0 still names its type
    length = np.bincount(key, weights=parts.length_km[on_cable] + 1e-9, minlength=size * types)
    table = length.reshape(size, types)
    return np.where(table.max(axis=1) > 0, table.argmax(axis=1), -1).astype(np.int64)


@dataclass
class _Demands:
    """What the application of each circuit asks; the last row of every array stands for none."""

    of_circuit: Ints
    texts: list[str]
    values: dict[str, Floats]
    reach_m: Floats
    is_sure: Bools
    power_is_sure: Bools


def _demands(circuits: pd.DataFrame, fibre: Ints, limits: Limits) -> _Demands:
    text_codes, texts = pd.factorize(circuits["application"].astype(object))
    pair = np.where(text_codes >= 0, text_codes * 1000 + fibre + 1, -1)
    distinct, where = np.unique(pair, return_inverse=True)
    place = np.full(len(distinct), -1, dtype=np.int64)
    names: list[str] = []
    found: list[Application | None] = []
    for number, key in enumerate(distinct):
        if key < 0:
            continue
        text, fibre_code = str(texts[int(key) // 1000]), int(key) % 1000 - 1
        place[number] = len(found)
        names.append(text)
        found.append(limits.application(text, FIBRE_TYPES[fibre_code] if fibre_code >= 0 else ""))
    every = [*found, None]

    def column(parameter: str) -> Floats:
        picked = [app.values.get(parameter) if app else None for app in every]
        return np.array([limit.value if limit else np.nan for limit in picked])

    most = [app.max_loss if app else None for app in every]
    return _Demands(
        of_circuit=place[where].astype(np.int64),
        texts=[
            _allowed_text(app, limit) if app and limit else _why_not(name, limits)
            for name, app, limit in zip(names, found, most, strict=False)
        ],
        values={name: column(name) for name in APPLICATION_PARAMETERS},
        reach_m=np.array([app.reach_m if app and app.reach_m else np.nan for app in every]),
        is_sure=np.array([bool(limit and limit.confirmed) for limit in most]),
        power_is_sure=np.array([_power_is_sure(app) for app in every]),
    )


def _power_is_sure(application: Application | None) -> bool:
    """Whether every launch and receive limit the application gives is confirmed."""
    values = application.values.items() if application else ()
    return all(limit.confirmed for name, limit in values if name.endswith(("launch_min", "receive_min")))


def _allowed_text(application: Application, limit: Limit) -> str:
    remark = f" ({application.note})" if application.note else ""
    return f"{application.name}: {limit.reference}{remark}"


def _why_not(text: str, limits: Limits) -> str:
    if limits.knows_application(text):
        return f"not assessed: {text} has no budget for this fibre type"
    stem = normalised(text)
    classes = [name for name in limits.application_names if normalised(name).startswith(stem)]
    if classes:
        return f"not assessed: {text} names no class, e.g. {classes[0]}"
    return f"not assessed: no budget known for {text}; set max_loss_db or give it in --limits"


def _with_allowed(budget: pd.DataFrame, circuits: pd.DataFrame, demands: _Demands) -> pd.DataFrame:
    """Channel loss allowed: the circuit's own, else the application's; and the margin."""
    circuit = budget["circuit"].to_numpy()
    app = demands.of_circuit[circuit]
    own = pd.to_numeric(circuits["max_loss_db"]).to_numpy(dtype=float, na_value=np.nan)[circuit]
    is_own = ~np.isnan(own)
    texts = [*demands.texts, "not assessed: the circuit names neither application nor max_loss_db", "circuit"]
    place = np.where(is_own, len(texts) - 1, np.where(app >= 0, app, len(texts) - 2))
    names, unique = pd.factorize(np.array(texts, dtype=object))
    allowed = np.where(is_own, own, demands.values["max_loss"][app])
    complete = budget["measured_db"].to_numpy(dtype=float) + budget["hidden_db"].fillna(0.0).to_numpy()
    against = np.where(np.isnan(complete), budget["typical_db"].to_numpy(dtype=float), complete)
    flags = budget["flags"].to_numpy().copy()
    flags[complete < demands.values["min_loss"][app]] |= TOO_LITTLE_LOSS
    flags[budget["length_m"].to_numpy(dtype=float) > demands.reach_m[app]] |= TOO_LONG
    flags[~is_own & ~np.isnan(allowed) & ~demands.is_sure[app]] |= ALLOWED_UNCONFIRMED
    return budget.assign(
        allowed_db=allowed,
        allowed_from=_labelled(names[place], list(unique)),
        margin_db=allowed - against,
        flags=flags,
    )


def _with_power_margin(budget: pd.DataFrame, ends: _Ends, demands: _Demands) -> pd.DataFrame:
    """Light at the receivers above the least they need, at the working wavelength; the worse end counts.

    Reported received power where there is some, else the least launched power less the typical loss.
    """
    circuit = budget["circuit"].to_numpy()
    app = demands.of_circuit[circuit]
    z_is_head = ends.z_is_head[circuit]

    def of_end(parameter: str, at_head: Bools) -> Floats:
        plain = demands.values[parameter][app]
        head, far = demands.values[f"olt_{parameter}"][app], demands.values[f"onu_{parameter}"][app]
        asked: Floats = np.where(np.isnan(plain), np.where(at_head, head, far), plain)
        return asked

    need_a, need_z = of_end("receive_min", ~z_is_head), of_end("receive_min", z_is_head)
    launch_a, launch_z = of_end("launch_min", ~z_is_head), of_end("launch_min", z_is_head)
    typical = budget["typical_db"].to_numpy(dtype=float)
    reported = np.fmin(ends.a_rx[circuit] - need_a, ends.z_rx[circuit] - need_z)
    planned = np.fmin(launch_a - typical - need_z, launch_z - typical - need_a)
    working = budget["is_working"].to_numpy()
    by_report = working & ~np.isnan(reported)
    by_plan = working & ~by_report & ~np.isnan(planned)
    sure = demands.power_is_sure[app]
    return budget.assign(
        power_margin_db=np.select([by_report, by_plan], [reported, planned], np.nan),
        power_margin_from=_labelled(
            np.select([by_report & sure, by_report, by_plan & sure, by_plan], [0, 1, 2, 3], 4),
            [
                "power",
                "power; receiver limit not confirmed",
                "application",
                "application; power limits not confirmed",
                "not assessed",
            ],
        ),
    )


LEAST_CIRCUITS = 10
"""Fewest tested circuits that say how their kind compares with the planning values (our choice)."""


def _fleet_offset(budget: pd.DataFrame, demands: _Demands) -> Floats:
    """How much less (or more) circuits of the same application and wavelength lost at acceptance than expected.

    Planning values and grade means are meant to be safe, so this is usually below 0; compare the excess of one
    circuit with it.
    """
    app = demands.of_circuit[budget["circuit"].to_numpy()]
    offset = budget["as_built_db"] - (budget["typical_db"] - budget["hidden_db"].fillna(0.0))
    kind = pd.DataFrame({"app": app, "nm": budget["wavelength_nm"].to_numpy(), "offset": offset.to_numpy(dtype=float)})
    grouped = kind.groupby(["app", "nm"])["offset"]
    enough = grouped.transform("count").to_numpy() >= LEAST_CIRCUITS
    return np.where(enough, grouped.transform("median").to_numpy(dtype=float), np.nan)


def _circuit_rows(budget: pd.DataFrame, ids: pd.Index[Any], limits: Limits) -> pd.DataFrame:
    """The declared columns of `circuit_budget`."""
    flags = budget["flags"].to_numpy()
    distinct, where = np.unique(flags, return_inverse=True)
    notes = [_note(int(value), limits) for value in distinct]
    codes, texts = pd.factorize(np.array(notes, dtype=object))
    frame = budget.assign(
        circuit_id=_labelled(budget["circuit"].to_numpy(), list(ids)),
        typical_sd_db=np.sqrt(budget["variance"].to_numpy(dtype=float)),
        confirmed=(flags & (UNCONFIRMED | ALLOWED_UNCONFIRMED | UNTRACED)) == 0,
        note=_labelled(codes[where], list(texts)),
    )
    return frame[list(CIRCUIT_BUDGET.column_names)].reset_index(drop=True)


def _note(flags: int, limits: Limits) -> str:
    grades = {"grade": limits.default_grade(False), "array_grade": limits.default_grade(True)}
    return "; ".join(text.format(**grades) for bit, text in enumerate(NOTES) if flags >> bit & 1)


def _named_elements(
    blocks: list[dict[str, npt.NDArray[Any]]], elements: pd.DataFrame, ids: pd.Index[Any], sources: _Sources
) -> pd.DataFrame:
    """The declared columns of `budget_elements`; a mated pair goes by the port it meets in."""
    rows = {name: np.concatenate([block[name] for block in blocks]) for name in blocks[0]}
    named = pa.array(elements["element_id"].array).take(pa.array(rows["row"])).cast(pa.string())
    columns = {
        **rows,
        "circuit_id": _labelled(rows["circuit"], ids),
        "element_kind": _labelled(rows["kind"], KINDS),
        "element_id": pd.array(named, dtype=pd.ArrowDtype(pa.string())),
        "source": _labelled(rows["source"], sources.texts),
    }
    return pd.DataFrame({name: columns[name] for name in BUDGET_ELEMENTS.column_names}, copy=False)
