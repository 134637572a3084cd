"""What every circuit should lose, element by element and wavelength by wavelength, against what was measured.

In: the elements of the traced paths with the properties that decide their loss (as arrays straight from the
trace, or as rows), the circuits, the first and latest loss tests, the power the end ports report, and the
limits in force. Out: the rows of `circuit_budget` and `budget_elements`. Everything is computed for all
circuits at once: elements of one type share one look-up per wavelength, sums run over the arrays.

Three sums per circuit: the largest loss the limits allow (a splitter's is the top of a planning range), the
loss to expect (mean and spread; spreads of independent elements add as squares) and the loss as built (first
test). A mated pair is two end faces that meet in one adapter; the pairs at the end equipment count, because a
one-cord reference measures them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from planner.errors import ParameterError
from planner.health import path_sums
from planner.plant.graph import GRADES
from planner.plant.loss_elements import (
    CABLE,
    FIRST_CABLE,
    FIRST_SPLICE,
    FIRST_SPLITTER,
    KINDS,
    PAIR,
    SPLICE,
    SPLITTER,
    ElementNames,
    LossElements,
    cable_codes,
    face_codes,
    of_face,
    of_pair,
    pair_codes,
    splice_codes,
    splitter_codes,
)
from planner.standards.lookup import (
    APPLICATION_PARAMETERS,
    Application,
    Limit,
    Limits,
    fibre_mode,
    normalised,
)
from planner.standards.physics import backscatter_fraction, fresnel_reflectance_db
from planner.tables.intake_tables import FIBRE_TYPES, POLISHES
from planner.tables.result_tables import BUDGET_ELEMENTS, CIRCUIT_BUDGET

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Ints32 = npt.NDArray[np.int32]
Bools = npt.NDArray[np.bool_]

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
    "as_built_cords",
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
    "later power readings contradict the last loss test, which no longer counts",
    "as built and measured were tested by different reference methods: do not compare them",
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
    TEST_OUTDATED,
    OTHER_METHOD,
) = (1 << bit for bit in range(len(NOTES)))


@dataclass(frozen=True)
class Budgets:
    """Rows of `circuit_budget` and of `budget_elements`."""

    circuits: pd.DataFrame
    elements: pd.DataFrame


@dataclass(frozen=True)
class _Type:
    """What decides an element's loss apart from its length; elements of one type share one look-up."""

    kind: int
    is_multimode: bool
    is_array: bool = False
    is_assumed: bool = False
    is_lone: bool = False
    is_mixed: bool = False
    polish: int = -1
    grade: int = -1
    fibre: int = -1
    is_recorded: bool = False
    is_mechanical: bool = False
    ratio: int = 0

    @property
    def scatters(self) -> bool:
        """Whether it scatters light back along its length; multimode fibre counts without."""
        return self.kind == CABLE and not self.is_multimode and self.fibre >= 0

    @property
    def flags(self) -> int:
        """Remarks that an element of this type brings to its circuit."""
        bits = 0
        if self.kind == PAIR:
            bits |= (NO_ARRAY_GRADE if self.is_array else NO_GRADE) if self.is_assumed else 0
            bits |= (NO_END_FACE if self.is_lone else 0) | (MIXED_POLISH if self.is_mixed else 0)
        elif self.kind == SPLICE:
            bits |= 0 if self.is_recorded else NO_SPLICE_LOSS
        elif self.kind == SPLITTER:
            bits |= NO_RATIO if self.ratio < 2 else 0
        return bits


@dataclass(frozen=True)
class _Typed:
    """Loss elements with the type of each; types are few, and one look-up serves all elements of a type.

    `type` counts from 0 to `width`; `types` holds those that occur.
    """

    elements: LossElements
    type: Ints32
    types: dict[int, _Type]
    width: int

    @property
    def circuits(self) -> int:
        """Number of circuits."""
        return len(self.elements.start) - 1


@dataclass(frozen=True)
class Expected:
    """What every circuit should lose at one wavelength; NaN where a circuit has no path. Shape (c,) each.

    Attributes
    ----------
    maximum_db, typical_db, variance_db2
        Sum of the limits (for splitters the top of a planning range); expected loss and its variance.
    length_m
        Cable on the path.
    return_loss_db
        Optical return loss seen from A.
    end_pairs_db
        Mean typical loss of the outermost mated pairs; 0 where there is none.
    flags
        Remarks, one bit per place in `NOTES`.
    """

    maximum_db: Floats
    typical_db: Floats
    variance_db2: Floats
    length_m: Floats
    return_loss_db: Floats
    end_pairs_db: Floats
    flags: Ints32


@dataclass(frozen=True)
class _Values:
    """Look-up of every type at one wavelength; 0 for types that do not occur.

    `costs` has the columns of `planner.health.path_sums`, shape (width, 8); `flags` and `source` are by type.
    """

    costs: Floats
    flags: Ints32
    source: Ints
    relative_sd: float
    scattered_per_m: float


@dataclass(frozen=True)
class _TypeValues:
    """Look-up of one type at one wavelength: what an element costs by itself and what its length costs."""

    maximum: float = 0.0
    typical: float = 0.0
    sd: float = 0.0
    maximum_per_km: float = 0.0
    typical_per_km: float = 0.0
    confirmed: bool = False
    source: str = ""


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
    elements: pd.DataFrame | LossElements,
    circuits: pd.DataFrame,
    tests: pd.DataFrame,
    powers: pd.DataFrame,
    limits: Limits,
) -> Budgets:
    """Expected against measured loss of every circuit at its working wavelength and at every tested one.

    Parameters
    ----------
    elements
        What loses light on each traced path: from `planner.plant.loss_elements`, or one row per element with
        the columns `ELEMENT_COLUMNS`, any order; adapters may be left out, text columns may be categories.
    circuits
        `circuit_id, a_port_id, z_port_id, application, wavelength_nm, max_loss_db`.
    tests
        First and latest loss test of each circuit and wavelength (`TEST_COLUMNS`); `directions` is the number
        of directions in the latest figure, `as_built_cords` the reference method of the first.
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
    typed = _typed(_in_order(elements, ids) if isinstance(elements, LossElements) else _from_rows(elements, ids))
    asked = _asked(circuits, tests, ids)
    sources = _Sources()
    blocks: list[dict[str, npt.NDArray[Any]]] = []
    sums: list[pd.DataFrame] = []
    for key, rows in asked.groupby("wavelength_nm", sort=True):
        wavelength, wanted = float(str(key)), rows["circuit"].to_numpy()
        chosen = _of_circuits(typed, wanted)
        values = _values_at(chosen, wavelength, limits, sources)
        expected = _expected(chosen, values)
        blocks.append(_element_rows(chosen, values, wavelength))
        sums.append(_circuit_sums(expected, wanted, wavelength))
    budget = asked.merge(pd.concat(sums, ignore_index=True), on=["circuit", "wavelength_nm"], how="left")
    ends = _ends(circuits, powers, ids)
    demands = _demands(circuits, _fibre_of_circuit(typed), limits)
    budget = _with_measured(budget, ends, limits)
    budget = _with_allowed(budget, circuits, demands)
    budget = _with_power_margin(budget, ends, demands)
    budget = budget.assign(fleet_offset_db=_fleet_offset(budget, demands))
    return Budgets(_circuit_rows(budget, ids, limits), _named_elements(blocks, typed.elements, ids, sources))


def expected_losses(elements: LossElements, wavelengths_nm: Iterable[float], limits: Limits) -> dict[float, Expected]:
    """What every circuit should lose at each wavelength: sums over the elements of its path, nothing else.

    Parameters
    ----------
    elements
        From `planner.plant.loss_elements`.
    wavelengths_nm
        Wavelengths asked for. [nm]
    limits
        From `planner.standards.lookup`.
    """
    typed = _typed(elements)
    sources = _Sources()
    return {nm: _expected(typed, _values_at(typed, nm, limits, sources)) for nm in wavelengths_nm}


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


def _from_rows(elements: pd.DataFrame, ids: pd.Index[Any]) -> LossElements:
    """Rows of path elements as arrays, sorted by circuit and position."""
    circuit = _circuit_codes(elements["circuit_id"], ids)
    position = elements["position"].to_numpy(dtype=np.int64)
    kind = _codes(elements["element_kind"], ("connector", "cable", "splice", "splitter"))
    rows = np.flatnonzero((kind >= 0) & (circuit >= 0))
    key = circuit[rows] * (int(position.max(initial=0)) + 1) + position[rows]
    order = rows if (np.diff(key) > 0).all() else rows[np.argsort(key, kind="stable")]
    circuit, kind = circuit[order], kind[order]

    keep, partner, is_lone = _mated(elements, order, circuit, kind)
    kept, other = order[keep], order[partner]
    kind, circuit = kind[keep], circuit[keep]
    loss = pd.to_numeric(elements["splice_loss_db"]).to_numpy(dtype=float, na_value=np.nan)[kept]
    ratio = np.nan_to_num(pd.to_numeric(elements["ratio"]).to_numpy(dtype=float, na_value=np.nan)[kept])
    length = pd.to_numeric(elements["length_m"]).to_numpy(dtype=float, na_value=np.nan)[kept]
    face = face_codes(
        _codes(elements["family"], ("MPO",)) == 0,
        _codes(elements["polish"], POLISHES),
        _codes(elements["grade"], GRADES),
    )
    mechanical = _codes(elements["splice_kind"], ("mechanical",))[kept] == 0
    code = np.select(
        [kind == PAIR, kind == CABLE, kind == SPLICE],
        [
            pair_codes(face[kept], face[other], is_lone),
            cable_codes(_codes(elements["fibre_type"], FIBRE_TYPES)[kept]),
            splice_codes(loss, mechanical),
        ],
        splitter_codes(ratio.astype(np.int32)),
    )
    names = pa.array(elements["element_id"].array).take(pa.array(kept)).cast(pa.string())
    return LossElements(
        start=np.append(0, np.cumsum(np.bincount(circuit, minlength=len(ids)))).astype(np.int64),
        code=code.astype(np.int32),
        length_km=np.where(kind == CABLE, np.nan_to_num(length), 0.0) / 1000.0,
        splice_loss_db=np.where(kind == SPLICE, loss, np.nan),
        circuit_ids=pa.array(ids.to_numpy(), type=pa.string()),
        names=ElementNames(
            position=position[kept].astype(np.int32),
            element=np.arange(len(kept), dtype=np.int32),
            ids=(names,) * len(KINDS),
        ),
    )


def _in_order(elements: LossElements, ids: pd.Index[Any]) -> LossElements:
    """The elements of the circuits asked for, in their order."""
    place = pd.Index(elements.circuit_ids.to_numpy(zero_copy_only=False)).get_indexer(ids)
    if len(place) == len(elements.start) - 1 and (place == np.arange(len(place))).all():
        return elements
    count = np.where(place >= 0, np.append(np.diff(elements.start), 0)[place], 0)
    start = np.append(0, np.cumsum(count))
    first = np.append(elements.start[:-1], 0)[place]
    return _picked(elements, start, np.repeat(first - start[:-1], count) + np.arange(start[-1]), ids.to_numpy())


def _picked(
    elements: LossElements, start: Ints, rows: Ints, circuit_ids: npt.NDArray[Any] | None = None
) -> LossElements:
    """Chosen elements under another division into circuits."""
    names = elements.names
    return LossElements(
        start=start,
        code=elements.code[rows],
        length_km=elements.length_km[rows],
        splice_loss_db=elements.splice_loss_db[rows],
        circuit_ids=elements.circuit_ids if circuit_ids is None else pa.array(circuit_ids, type=pa.string()),
        names=replace(names, position=names.position[rows], element=names.element[rows]) if names else None,
    )


def _mated(elements: pd.DataFrame, order: Ints, circuit: Ints, kind: Ints) -> tuple[Ints, Ints, Bools]:
    """Which rows of the order stand for an element, the second end face of a pair, and which pairs lack one.

    Two end faces next to each other in one port are a mated pair. A lone end face counts as a pair where it
    ends the path in equipment, whose own end face is then not recorded; elsewhere it costs nothing.
    """
    port = _ports(elements["element_id"])[order]
    is_face = kind == PAIR
    new = np.ones(len(order) + 1, dtype=bool)
    new[1:-1] = circuit[1:] != circuit[:-1]
    meets = np.zeros(len(order) + 1, dtype=bool)
    meets[1:-1] = is_face[:-1] & is_face[1:] & ~new[1:-1] & (port[:-1] == port[1:]) & (port[:-1] >= 0)
    # in a run of faces at one port only the first two are a pair
    meets[1:] &= ~meets[:-1]
    meets_next, is_second = meets[1:], meets[:-1]
    at_end = new[:-1] | new[1:]
    in_equipment = _codes(elements["role"], ("equipment",))[order] == 0
    lone = is_face & ~meets_next & ~is_second & at_end & in_equipment
    keep = np.flatnonzero(~is_face | meets_next | lone)
    return keep, keep + meets_next[keep], lone[keep]


def _typed(elements: LossElements) -> _Typed:
    """The type of every element: its code, and whether its circuit runs on multimode fibre."""
    type_ = elements.code
    width = max(int(type_.max(initial=0)), FIRST_SPLITTER) + 1
    used = np.flatnonzero(np.bincount(type_, minlength=width))
    multimode = np.array([FIRST_CABLE + 1 + i for i, name in enumerate(FIBRE_TYPES) if fibre_mode(name) == "MM"])
    types = {int(code): _type_of(int(code), is_multimode=False) for code in used}
    if np.isin(used, multimode).any():
        circuit = _owners(elements.start)
        is_multimode = np.zeros(len(elements.start) - 1, dtype=bool)
        is_multimode[circuit[np.isin(type_, multimode)]] = True
        type_ = type_ + np.where(is_multimode[circuit], width, 0).astype(np.int32)
        used = np.flatnonzero(np.bincount(type_, minlength=2 * width))
        types = {int(code): _type_of(int(code) % width, is_multimode=bool(code >= width)) for code in used}
        width *= 2
    return _Typed(elements, type_, types, width)


def _owners(start: Ints) -> Ints:
    """Circuit of every element."""
    return np.repeat(np.arange(len(start) - 1), np.diff(start))


def _type_of(code: int, *, is_multimode: bool) -> _Type:
    """The type that a code stands for."""
    if code >= FIRST_SPLITTER:
        return _Type(SPLITTER, is_multimode, ratio=code - FIRST_SPLITTER)
    if code >= FIRST_SPLICE:
        detail = code - FIRST_SPLICE
        return _Type(SPLICE, is_multimode, is_recorded=bool(detail % 2), is_mechanical=bool(detail // 2))
    if code >= FIRST_CABLE:
        return _Type(CABLE, is_multimode, fibre=code - FIRST_CABLE - 1)
    one, other, is_lone = of_pair(np.array([code]))
    (is_array, polish, grade), (_, other_polish, other_grade) = (
        [int(part[0]) for part in of_face(face)] for face in (one, other)
    )
    both_known = polish >= 0 and other_polish >= 0
    return _Type(
        PAIR,
        is_multimode,
        is_array=bool(is_array),
        is_assumed=grade < 0 or other_grade < 0,
        is_lone=bool(is_lone[0]),
        is_mixed=both_known and (POLISHES[polish] == "APC") != (POLISHES[other_polish] == "APC"),
        polish=min(polish, other_polish) if both_known else max(polish, other_polish),
        grade=max(grade, other_grade),
    )


def _of_circuits(typed: _Typed, circuits: Ints) -> _Typed:
    """The elements of some circuits; the others are left without any."""
    wanted = np.zeros(typed.circuits, dtype=bool)
    wanted[circuits] = True
    if wanted.all():
        return typed
    count = np.diff(typed.elements.start)
    rows = np.flatnonzero(np.repeat(wanted, count))
    start = np.append(0, np.cumsum(np.where(wanted, count, 0)))
    return replace(typed, elements=_picked(typed.elements, start, rows), type=typed.type[rows])


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


def _values_at(typed: _Typed, wavelength_nm: float, limits: Limits, sources: _Sources) -> _Values:
    """Limit, expectation and spread of every type at one wavelength."""
    looked_up = {code: _type_values(each, wavelength_nm, limits) for code, each in typed.types.items()}
    used = np.fromiter(looked_up, dtype=np.int64, count=len(looked_up))

    def of_type(values: list[Any], dtype: type = np.float64) -> npt.NDArray[Any]:
        """One value per type, 0 for those that do not occur."""
        column: npt.NDArray[Any] = np.zeros(typed.width, dtype=dtype)
        column[used] = values
        return column

    found = list(looked_up.values())
    flags = [
        each.flags | (0 if values.confirmed else UNCONFIRMED)
        for each, values in zip(typed.types.values(), found, strict=True)
    ]
    costs = np.zeros((typed.width, 8))
    costs[:, path_sums.MAXIMUM] = of_type([values.maximum for values in found])
    costs[:, path_sums.TYPICAL] = of_type([values.typical for values in found])
    costs[:, path_sums.VARIANCE] = of_type([values.sd**2 for values in found])
    costs[:, path_sums.MAXIMUM_PER_KM] = of_type([values.maximum_per_km for values in found])
    costs[:, path_sums.TYPICAL_PER_KM] = of_type([values.typical_per_km for values in found])
    costs[:, path_sums.REFLECTED] = of_type([_reflected(each, limits) for each in typed.types.values()])
    costs[:, path_sums.SCATTERS] = of_type([each.scatters for each in typed.types.values()])
    costs[:, path_sums.IS_PAIR] = of_type([each.kind == PAIR for each in typed.types.values()])
    return _Values(
        costs=costs,
        flags=of_type(flags, np.int32),
        source=of_type([sources.code(values.source) for values in found], np.int64),
        relative_sd=limits.get("cable", "relative sd").value,
        scattered_per_m=_scattered_per_m(wavelength_nm, limits),
    )


def _reflected(each: _Type, limits: Limits) -> float:
    """Share of light that an element of this type reflects: joints at their limits, others not at all."""
    if each.kind != PAIR:
        return 0.0
    if each.is_mixed:
        return float(10.0 ** (float(fresnel_reflectance_db(INDEX_OF_GLASS)) / 10.0))
    return float(10.0 ** (-limits.return_loss(POLISHES[max(each.polish, 0)]).value / 10.0))


def _scattered_per_m(wavelength_nm: float, limits: Limits) -> float:
    """Share of light that a metre of single-mode fibre scatters back; the levels are from memory. [1/m]"""
    index = limits.get("group index", "typical", ("SM",)).value
    anchors = [limits.get("backscatter", "typical", ("SM",), nm).value for nm in (1310.0, 1550.0)]
    level = float(np.interp(wavelength_nm, [1310.0, 1550.0], anchors))
    return float(backscatter_fraction(1e-3, 0.0, level, index))


def _type_values(each: _Type, wavelength_nm: float, limits: Limits) -> _TypeValues:
    """What the limits say of one type of element at one wavelength."""
    if each.kind == PAIR:
        return _pair_values(each, limits)
    if each.kind == CABLE:
        return _cable_values(each, wavelength_nm, limits)
    if each.kind == SPLICE:
        return _splice_values(each, limits)
    return _splitter_values(each, limits)


def _pair_values(each: _Type, limits: Limits) -> _TypeValues:
    grade = each.grade
    if each.is_assumed:
        grade = max(grade, GRADES.index(limits.default_grade(each.is_array)))
    name = GRADES[grade]
    mean, p97 = limits.grade(name)
    maximum = limits.connection("max", each.is_array, "MM" if each.is_multimode else "SM")
    remark = " (assumed)" if each.is_assumed else ""
    return _TypeValues(
        maximum=maximum.value,
        typical=mean.value,
        sd=limits.grade_sd_db(name),
        confirmed=maximum.confirmed and mean.confirmed and p97.confirmed and not each.is_assumed,
        source=f"limit {maximum.reference}; grade {name}{remark}: {mean.reference}",
    )


def _cable_values(each: _Type, wavelength_nm: float, limits: Limits) -> _TypeValues:
    if each.fibre < 0:
        return _TypeValues(np.nan, np.nan, source="not assessed: fibre type not recorded")
    maximum = limits.cable(FIBRE_TYPES[each.fibre], wavelength_nm, "max")
    typical = limits.cable(FIBRE_TYPES[each.fibre], wavelength_nm, "typical")
    limit_text = f"{maximum.value:g} dB/km limit {maximum.reference}"
    return _TypeValues(
        maximum_per_km=maximum.value,
        typical_per_km=typical.value,
        confirmed=maximum.confirmed and typical.confirmed,
        source=f"{limit_text}; {typical.value:g} dB/km typical {typical.reference}",
    )


def _splice_values(each: _Type, limits: Limits) -> _TypeValues:
    maximum = limits.get("splice", "max", ("any",))
    text = f"limit {maximum.reference}"
    if each.is_recorded:
        return _TypeValues(maximum.value, confirmed=maximum.confirmed, source=f"{text}; as built: recorded loss")
    variance = limits.get("splice", "variance", ("any",))
    typical = limits.get("splice", "typical", ("MM" if each.is_multimode else "SM", "any"))
    if each.is_mechanical:
        typical = Limit(maximum.value, "dB", f"mechanical: the limit, {maximum.source}", confirmed=False)
    return _TypeValues(
        maximum=maximum.value,
        typical=typical.value,
        sd=float(np.sqrt(variance.value)),
        confirmed=maximum.confirmed and typical.confirmed and variance.confirmed,
        source=f"{text}; typical {typical.reference}",
    )


def _splitter_values(each: _Type, limits: Limits) -> _TypeValues:
    """The middle of the planning range, which is taken as plus and minus two deviations (our estimate)."""
    if each.ratio < 2:
        return _TypeValues(np.nan, np.nan, source="not assessed: splitter ratio not recorded")
    low, high = limits.splitter(each.ratio)
    return _TypeValues(
        maximum=high.value,
        typical=(low.value + high.value) / 2.0,
        sd=(high.value - low.value) / 4.0,
        confirmed=low.confirmed and high.confirmed,
        source=f"1:{each.ratio} {low.value:g} to {high.value:g} dB, {high.reference}",
    )


def _element_rows(typed: _Typed, values: _Values, wavelength_nm: float) -> dict[str, npt.NDArray[Any]]:
    """What each element should lose, as columns of rows; a splice of recorded loss is expected to lose that."""
    elements, names = typed.elements, _names_of(typed.elements)
    km, loss = elements.length_km, elements.splice_loss_db
    by_length = values.costs[:, path_sums.TYPICAL_PER_KM].take(typed.type) * km
    maximum = values.costs[:, path_sums.MAXIMUM_PER_KM].take(typed.type) * km
    variance = values.costs[:, path_sums.VARIANCE].take(typed.type)
    return {
        "circuit": _owners(elements.start),
        "wavelength_nm": np.full(len(elements.code), wavelength_nm),
        "position": names.position,
        "kind": elements.kind,
        "element": names.element,
        "maximum_db": values.costs[:, path_sums.MAXIMUM].take(typed.type) + maximum,
        "typical_db": np.where(np.isnan(loss), values.costs[:, path_sums.TYPICAL].take(typed.type) + by_length, loss),
        "typical_sd_db": np.sqrt(variance + (values.relative_sd * by_length) ** 2),
        "as_built_db": loss,
        "source": values.source.take(typed.type),
    }


def _names_of(elements: LossElements) -> ElementNames:
    if elements.names is None:
        raise ParameterError("loss elements: got none of their names, must have them to be listed; ask with named=True")
    return elements.names


def _expected(typed: _Typed, values: _Values) -> Expected:
    """Sums over each circuit's elements at one wavelength.

    The return loss is seen from the A end: joints at their limits plus fibre backscatter. Multimode fibre
    counts without backscatter.
    """
    elements = typed.elements
    sums, flags = path_sums.sum_paths(
        elements.start,
        typed.type,
        elements.length_km,
        elements.splice_loss_db,
        values.costs,
        values.flags,
        values.relative_sd,
        values.scattered_per_m,
    )
    has_path = np.diff(elements.start) > 0

    def known(column: Floats) -> Floats:
        """NaN for circuits without a path."""
        return np.where(has_path, column, np.nan)

    with np.errstate(divide="ignore"):
        return_loss = -10.0 * np.log10(sums["returned"])
    return Expected(
        maximum_db=known(sums["maximum_db"]),
        typical_db=known(sums["typical_db"]),
        variance_db2=known(sums["variance_db2"]),
        length_m=known(sums["length_km"] * 1000.0),
        return_loss_db=known(np.where(np.isfinite(return_loss), return_loss, np.nan)),
        end_pairs_db=sums["end_pairs_db"],
        flags=np.where(has_path, flags, UNTRACED).astype(np.int32),
    )


def _circuit_sums(expected: Expected, circuits: Ints, wavelength_nm: float) -> pd.DataFrame:
    """The sums of the circuits asked for at one wavelength."""
    return pd.DataFrame(
        {
            "circuit": circuits,
            "wavelength_nm": wavelength_nm,
            "maximum_db": expected.maximum_db[circuits],
            "typical_db": expected.typical_db[circuits],
            "variance": expected.variance_db2[circuits],
            "length_m": expected.length_m[circuits],
            "return_loss_db": expected.return_loss_db[circuits],
            "end_pair_db": expected.end_pairs_db[circuits],
            "flags": expected.flags[circuits],
        }
    )


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
    """Latest loss test, else loss from reported powers at the working wavelength.

    A test that power read later contradicts by more than its uncertainty (three standard deviations) was of
    a state that is over, such as an outage since repaired, and no longer counts.
    """
    measured = budget["measured_db"].to_numpy(dtype=float).copy()
    circuit = budget["circuit"].to_numpy()
    both = np.column_stack((ends.a_tx - ends.z_rx, ends.z_tx - ends.a_rx))
    known = (~np.isnan(both)).sum(axis=1)
    from_power = np.where(known > 0, np.nansum(both, axis=1) / np.maximum(known, 1), np.nan)[circuit]
    outdated = _is_outdated(budget, measured, from_power, ends.read_at[circuit])
    measured[outdated] = np.nan
    by_test = ~np.isnan(measured)
    by_power = ~by_test & budget["is_working"].to_numpy() & ~np.isnan(from_power)
    measured[by_power] = from_power[by_power]
    at = budget["measured_at"].to_numpy(dtype="datetime64[us]").copy()
    at[by_power] = ends.read_at[circuit[by_power]]
    at[outdated & ~by_power] = np.datetime64("NaT", "us")

    cords = pd.to_numeric(budget["reference_cords"]).to_numpy(dtype=float, na_value=np.nan)
    first_cords = pd.to_numeric(budget["as_built_cords"]).to_numpy(dtype=float, na_value=np.nan)
    hidden_count, first_hidden = np.zeros(len(budget)), np.zeros(len(budget))
    for number in (1, 2, 3):
        hidden_count[by_test & (cords == number)] = hidden_connections(number, limits)
        first_hidden[first_cords == number] = hidden_connections(number, limits)
    directions = pd.to_numeric(budget["directions"]).to_numpy(dtype=float, na_value=np.nan)
    two_way = np.nan_to_num(directions, nan=1.0) >= 2
    sd = np.where(by_test, loss_test_sd_db(limits).value / np.where(two_way, np.sqrt(2.0), 1.0), np.nan)
    sd = np.where(by_power, POWER_LOSS_SD_DB, sd)
    end_pair = budget["end_pair_db"].fillna(0.0).to_numpy()
    hidden = np.where(by_test, hidden_count * end_pair, 0.0)

    flags = budget["flags"].fillna(UNTRACED).to_numpy(dtype=np.int64).copy()
    flags[by_power] |= FROM_POWER
    flags[outdated] |= TEST_OUTDATED
    flags[by_test & ~two_way] |= ONE_WAY
    flags[by_test & (cords == 2)] |= TWO_CORDS
    flags[by_test & (cords == 3)] |= THREE_CORDS
    flags[by_test & np.isnan(cords)] |= NO_METHOD
    flags[by_test & (hidden_count != first_hidden)] |= OTHER_METHOD
    return budget.assign(
        measured_db=measured,
        measured_at=at,
        measured_from=_labelled(np.select([by_test, by_power], [0, 1], 2), ["loss_test", "power", "not assessed"]),
        measured_sd_db=sd,
        hidden_db=np.where(by_test | by_power, hidden, np.nan),
        as_built_hidden_db=first_hidden * end_pair,
        excess_db=measured - (budget["typical_db"].to_numpy(dtype=float) - hidden),
        flags=flags,
    )


def _is_outdated(budget: pd.DataFrame, tested: Floats, from_power: Floats, read_at: npt.NDArray[Any]) -> Bools:
    """Whether power read after a test says otherwise, judged by the loss above the typical one of each."""
    typical = budget["typical_db"].to_numpy(dtype=float)
    working = budget["is_working"].to_numpy()
    circuit = budget["circuit"].to_numpy()
    by_power = np.full(int(circuit.max()) + 1 if len(circuit) else 0, np.nan)
    by_power[circuit[working]] = (from_power - typical)[working]
    later = read_at > budget["measured_at"].to_numpy(dtype="datetime64[us]")
    apart = np.abs((tested - typical) - by_power[circuit]) > 3.0 * POWER_LOSS_SD_DB
    outdated: Bools = later & apart
    return outdated


def _fibre_of_circuit(typed: _Typed) -> Ints:
    """Fibre type with the greatest length on each circuit; -1 without a cable."""
    elements, size, types = typed.elements, typed.circuits, len(FIBRE_TYPES)
    fibre = elements.code - FIRST_CABLE - 1
    on_cable = np.flatnonzero((elements.kind == CABLE) & (fibre >= 0))
    key = _owners(elements.start)[on_cable] * types + fibre[on_cable]
    # a cable of length 0 still names its type
    length = np.bincount(key, weights=elements.length_km[on_cable] + 1e-9, minlength=size * types)
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
        """One parameter of every application, NaN where it has none."""
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
    # A budget holds at the working wavelength; that of a passive optical network over its whole band.
    holds = budget["is_working"].to_numpy() | ~np.isnan(demands.values["min_loss"][app])
    texts = [
        *demands.texts,
        "not assessed: not the wavelength the circuit works at",
        "not assessed: the circuit names neither application nor max_loss_db",
        "circuit",
    ]
    named = np.where(is_own, len(texts) - 1, np.where(app >= 0, app, len(texts) - 2))
    place = np.where(holds, named, len(texts) - 3)
    names, unique = pd.factorize(np.array(texts, dtype=object))
    allowed = np.where(holds, np.where(is_own, own, demands.values["max_loss"][app]), np.nan)
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
        """What the application asks at one end: one value for both, or by head and far end of a PON."""
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
    offset = budget["as_built_db"] - (budget["typical_db"] - budget["as_built_hidden_db"])
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
    blocks: list[dict[str, npt.NDArray[Any]]], elements: LossElements, ids: pd.Index[Any], sources: _Sources
) -> pd.DataFrame:
    """The declared columns of `budget_elements`; a mated pair goes by the port it meets in."""
    rows = {name: np.concatenate([block[name] for block in blocks]) for name in blocks[0]}
    # the same ids may stand for several kinds: each list once
    ids_of_kind = _names_of(elements).ids
    lists = list({id(names): names for names in ids_of_kind}.values())
    begin = np.append(0, np.cumsum([len(names) for names in lists]))
    shift = begin[[next(i for i, names in enumerate(lists) if names is mine) for mine in ids_of_kind]]
    named = pa.concat_arrays([pa.array(names, type=pa.string()) for names in lists])
    named = named.take(pa.array(rows["element"] + shift[rows["kind"]]))
    columns = {
        **rows,
        "circuit_id": _labelled(rows["circuit"], ids),
        "element_kind": _labelled(rows["kind"], KINDS),
        "element_id": pd.array(named, dtype=pd.ArrowDtype(pa.string())),
        "source": _labelled(rows["source"], sources.texts),
    }
    return pd.DataFrame({name: columns[name] for name in BUDGET_ELEMENTS.column_names}, copy=False)
