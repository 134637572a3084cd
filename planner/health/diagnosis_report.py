"""The diagnosis as rows for people: causes with probabilities, evidence in words, what to test next.

In: weighed hypotheses (`planner.health.diagnosis`) and their cases. Out: the frames of `diagnosis`,
`diagnosis_evidence`, `face_blame` and `unread_circuits`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from planner.health.circuit_cases import LAUNCH_A as LAUNCHES
from planner.health.circuit_cases import Cases
from planner.health.diagnosis import Weighed
from planner.health.diagnosis_evidence import Evidence, Rows, moments
from planner.health.evidence_sources import BELIEF, NEIGHBOURS
from planner.health.fault_laws import CODE, COSTS_LIGHT, UNSEEN_DB
from planner.health.hypotheses import ELEMENT_KINDS, LAUNCH_A, LAUNCH_Z, Hypotheses
from planner.tables.result_tables import CAUSES

LOWEST_LISTED = 0.001
LOWEST_BLAME = 0.002
WORTH_A_TEST_DB = 0.5  # rise of the last test that is worth another one, though nothing is thought to be wrong now
ALIKE_NEPER = 0.7  # 3 decibans
POINTED_AT = 0.2  # neighbours alone speak for a circuit where they make a fault that probable
FACES = ("contamination", "damaged_end_face", "remating_offset")
USUAL_SIZE_DB = {"contamination": 0.35, "damaged_end_face": 0.40}  # median of the size law, where none was seen

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


def leading_rows(weighed: Weighed, hypotheses: Hypotheses, cases: Cases) -> Rows:
    """Leading cases' hypotheses as rows, one per circuit, cause and element.

    The several ways in which one element can fail (launch, receiver) are one row, and so are all in which nothing
    is wrong.
    """
    leads = np.zeros(len(cases.circuit), np.bool_)
    leads[weighed.leading_case] = True
    main = np.flatnonzero(leads[weighed.case])
    hypothesis = weighed.hypothesis[main]
    cause = hypotheses.cause[hypothesis].astype(np.int64)
    harmless = cause == CODE["nothing"]
    nameless = int(hypotheses.names.get_indexer(pd.Index([""]))[0])
    pairs = pd.DataFrame(
        {
            "circuit": cases.circuit[weighed.case[main]],
            "cause": cause,
            "element": np.where(harmless, nameless, hypotheses.element[hypothesis]),
            "element_kind": np.where(harmless, 0, hypotheses.element_kind[hypothesis]),
            "probability": weighed.probability[main],
            "pair": main,
        }
    )
    key = (pairs["circuit"].to_numpy(np.int64) * len(CODE) + cause) * len(hypotheses.names) + pairs["element"]
    _, group = np.unique(key.to_numpy(np.int64), return_inverse=True)
    likeliest = pairs.iloc[np.lexsort((-pairs["probability"].to_numpy(np.float64), group))]
    frame = likeliest[~pd.Series(np.sort(group)).duplicated().to_numpy()].reset_index(drop=True)
    frame["probability"] = np.bincount(group, weights=pairs["probability"], minlength=len(frame))
    order = frame.sort_values(
        ["circuit", "probability", "cause", "element"], ascending=[True, False, True, True], kind="stable"
    ).index.to_numpy()
    place = np.empty(len(frame), np.int64)
    place[order] = np.arange(len(frame))
    return Rows(frame.iloc[order].reset_index(drop=True), main, place[group])


def folded(rows: pd.DataFrame) -> FloatArray:
    """Probability under which each row is listed: at least .001, or none.

    What is smaller goes to the first row of its cause, else to the circuit's first row, so that probabilities of
    a circuit still sum to 1. Rows are in order of circuit and falling probability.
    """
    key = rows["circuit"].to_numpy(np.int64) * len(CODE) + rows["cause"].to_numpy(np.int64)
    first_of_cause = pd.Series(np.arange(len(rows))).groupby(key).transform("first").to_numpy()
    first_of_circuit = pd.Series(np.arange(len(rows))).groupby(rows["circuit"].to_numpy()).transform("first").to_numpy()
    probability = rows["probability"].to_numpy(np.float64).copy()
    small = probability < LOWEST_LISTED
    target = np.where(probability[first_of_cause] >= LOWEST_LISTED, first_of_cause, first_of_circuit)
    np.add.at(probability, target[small], probability[small])
    probability[small] = 0.0
    total = pd.Series(probability).groupby(rows["circuit"].to_numpy()).transform("sum").to_numpy(np.float64)
    return np.asarray(probability / total, np.float64)


def assessed(weighed: Weighed, rows: Rows, cases: Cases, has_otdr: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Circuits with something to go by: readings or tests of their own, or neighbours that point at an element."""
    known = has_otdr.copy()
    for flags in (cases.has_power_of, cases.has_tests_of):
        known |= flags if len(flags) else False
    pair = rows.frame["pair"].to_numpy(np.int64)
    pointed = weighed.log_evidence[pair, NEIGHBOURS] > ALIKE_NEPER
    pointed &= rows.frame["probability"].to_numpy(np.float64) >= POINTED_AT
    known[rows.frame["circuit"].to_numpy(np.int64)[pointed]] = True
    return known


def diagnosis_frames(
    weighed: Weighed,
    hypotheses: Hypotheses,
    cases: Cases,
    by_circuit: pd.DataFrame,
    circuit_ids: pd.Index,
    first_day: np.datetime64,
    has_otdr: NDArray[np.bool_],
    wavelengths: NDArray[np.int64],
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """The rows of `diagnosis`, `diagnosis_evidence`, `face_blame` and `unread_circuits`.

    Parameters
    ----------
    by_circuit
        From `planner.health.face_light.light_by_circuit`.
    circuit_ids
        Name of every circuit, in the order of the main cases.
    first_day
        First day of the series' axis.
    has_otdr
        Whether there is a trace, per circuit.
    wavelengths
        Number of wavelengths at which each circuit was measured.
    """
    every = leading_rows(weighed, hypotheses, cases)
    listed = folded(every.frame)
    read = assessed(weighed, every, cases, has_otdr)[every.frame["circuit"].to_numpy(np.int64)]
    untold = np.where(read, 0.0, listed)
    unread = _named_rows(every.frame, untold, _in_order(every.frame, untold), hypotheses, circuit_ids)
    listed *= read
    onset_day = onset_days(weighed, hypotheses, cases)
    evidence = Evidence(every, listed, weighed, hypotheses, cases, first_day, onset_day, has_otdr)
    chosen = _in_order(every.frame, listed)
    kept = every.frame.iloc[chosen].assign(probability=listed[chosen]).reset_index(drop=True)
    pair = kept["pair"].to_numpy(np.int64)
    begins = ~kept["cause"].isin((CODE["nothing"], CODE["record_error"])).to_numpy()
    names = np.asarray(hypotheses.names, dtype=object)
    circuits = len(has_otdr)
    tested_high = (cases.last_test_of >= 0) & (cases.size_db[:circuits] >= WORTH_A_TEST_DB)
    frame = _named_rows(every.frame, listed, chosen, hypotheses, circuit_ids).assign(
        evidence=evidence.of_rows(chosen),
        onset_at=moments(np.where(begins, onset_day[pair], np.nan), first_day),
        size_db=_sizes(weighed, hypotheses, cases, pair),
        same_as=_alike(weighed, hypotheses, kept),
        next_test=_next_tests(
            kept, names, known_damaged(hypotheses, weighed, pair), has_otdr, wavelengths, tested_high
        ),
    )
    blame = face_blame(weighed, hypotheses, cases, by_circuit, circuit_ids, first_day, onset_day)
    return frame, evidence.lines(circuit_ids), blame, unread


def _in_order(rows: pd.DataFrame, probability: FloatArray) -> IntArray:
    """The rows of some probability, by circuit and falling probability."""
    order = np.lexsort((-probability, rows["circuit"].to_numpy(np.int64)))
    return np.asarray(order[probability[order] > 0])


def _named_rows(
    rows: pd.DataFrame, probability: FloatArray, chosen: IntArray, hypotheses: Hypotheses, circuit_ids: pd.Index
) -> pd.DataFrame:
    """The chosen rows in words: circuit_id, cause, element_id, element_kind, probability."""
    kept = rows.iloc[chosen]
    return pd.DataFrame(
        {
            "circuit_id": np.asarray(circuit_ids, dtype=object)[kept["circuit"].to_numpy(np.int64)],
            "cause": np.array(CAUSES, dtype=object)[kept["cause"].to_numpy(np.int64)],
            "element_id": np.asarray(hypotheses.names, dtype=object)[kept["element"].to_numpy(np.int64)],
            "element_kind": np.array(ELEMENT_KINDS, dtype=object)[kept["element_kind"].to_numpy(np.int64)],
            "probability": probability[chosen],
        }
    )


def onset_days(weighed: Weighed, hypotheses: Hypotheses, cases: Cases) -> FloatArray:
    """Day on which each pair's fault began, as far as the data tell; NaN before the first reading or not known.

    Where no power was read, or none that changed, only the days on which the joint was worked on tell a day.
    """
    day = weighed.onset_day.copy()
    case = weighed.case
    row = cases.computed[case]
    changed = cases.last_day[case] >= cases.first_day[case]
    if len(cases.has_power):
        place = np.maximum(row, 0)
        own = np.isin(hypotheses.family[weighed.hypothesis], (LAUNCH_A, LAUNCH_Z))
        told = own | ((row >= 0) & cases.has_power[place] & changed)
        day[~told & (day == cases.best_day[place])] = np.nan
    day[day < 1] = np.nan
    return day


def known_damaged(hypotheses: Hypotheses, weighed: Weighed, pair: IntArray) -> NDArray[np.bool_]:
    """Whether its history alone makes the end face behind each pair more likely damaged than not."""
    hypothesis = weighed.hypothesis[pair]
    damage = hypotheses.cause[hypothesis] == CODE["damaged_end_face"]
    believed = np.exp(hypotheses.rate[hypothesis] + hypotheses.belief[hypothesis]) / COSTS_LIGHT["damaged_end_face"]
    return np.asarray(damage & (believed > 0.5), np.bool_)


def _sizes(weighed: Weighed, hypotheses: Hypotheses, cases: Cases, pair: IntArray) -> FloatArray:
    """Loss that each pair's hypothesis costs now; NaN where nothing was seen to change. [dB]"""
    case = weighed.case[pair]
    cause = hypotheses.cause[weighed.hypothesis[pair]]
    size = cases.size_db[case].copy()
    row = cases.computed[case]
    if len(cases.moves_db):
        launch = np.nanmax(np.nan_to_num(cases.moves_db[np.maximum(row, 0)][:, LAUNCHES:]), axis=1)
        size = np.where((row >= 0) & (cause == CODE["transceiver"]) & (launch > size), launch, size)
    quiet = (size <= 0) | np.isin(cause, (CODE["nothing"], CODE["record_error"]))
    return np.where(quiet, np.nan, size)


def face_blame(
    weighed: Weighed,
    hypotheses: Hypotheses,
    cases: Cases,
    by_circuit: pd.DataFrame,
    circuit_ids: pd.Index,
    first_day: np.datetime64,
    onset_day: FloatArray,
) -> pd.DataFrame:
    """How probably each end face costs each circuit light now, over all open changes of the circuit."""
    total = by_circuit.copy()
    pair = total["shown_pair"].to_numpy(np.int64)
    total["shown_db"] = np.nan_to_num(_sizes(weighed, hypotheses, cases, pair), nan=USUAL_SIZE_DB["contamination"])
    total["shown_share"] = total["p_shown"] / np.maximum(total["p_shown"] + total["p_unseen"], 1e-12)
    total["size_db"] = np.where(total["shown_share"] >= 0.5, total["shown_db"], UNSEEN_DB)
    total["onset_day"] = np.where(total["p_shown"] >= total["p_unseen"], onset_day[pair], np.nan)
    total = total[total["p_costs"] >= LOWEST_BLAME]
    names = np.asarray(hypotheses.names, dtype=object)
    return pd.DataFrame(
        {
            "connector_id": names[total["element"].to_numpy(np.int64)],
            "circuit_id": np.asarray(circuit_ids, dtype=object)[total["circuit"].to_numpy(np.int64)],
            "p_cause": np.clip(total["p_costs"], 0.0, 1.0).to_numpy(),
            "p_dirt": np.clip(total["p_dirt"], 0.0, 1.0).to_numpy(),
            "p_damage": np.clip(total["p_damage"], 0.0, 1.0).to_numpy(),
            "shown_share": total["shown_share"].to_numpy(),
            "shown_db": total["shown_db"].to_numpy(),
            "size_db": total["size_db"].to_numpy(),
            "onset_at": moments(total["onset_day"].to_numpy(np.float64), first_day),
        }
    )


def _alike(weighed: Weighed, hypotheses: Hypotheses, kept: pd.DataFrame) -> NDArray[np.object_]:
    """Elements of the same cause that the readings cannot tell from each row's, separated by `; `.

    Rows of one circuit and cause fall into groups: each begins with the row for which readings speak most and takes
    in those within three decibans of it, what is believed of the end faces left out. All rows of a group name each
    other, in order of probability.
    """
    names = np.asarray(hypotheses.names, dtype=object)
    pair = kept["pair"].to_numpy(np.int64)
    alone = weighed.log_evidence[pair].sum(axis=1) - weighed.log_evidence[pair, BELIEF]
    key = kept["circuit"].to_numpy(np.int64) * len(CODE) + kept["cause"].to_numpy(np.int64)
    result = np.full(len(kept), "", dtype=object)
    several = np.flatnonzero(pd.Series(key).duplicated(keep=False).to_numpy())
    several = several[np.lexsort((-alone[several], key[several]))]
    groups: list[list[int]] = []
    for row in several:
        head = groups[-1][0] if groups else -1
        if head >= 0 and key[head] == key[row] and alone[head] - alone[row] < ALIKE_NEPER:
            groups[-1].append(int(row))
        else:
            groups.append([int(row)])
    element = names[kept["element"].to_numpy(np.int64)]
    for members in groups:
        members.sort()  # rows of a circuit stand in order of probability
        for number in members:
            result[number] = "; ".join(str(element[other]) for other in members if other != number)
    return result


def _next_tests(
    kept: pd.DataFrame,
    names: NDArray[np.object_],
    damaged: NDArray[np.bool_],
    has_otdr: NDArray[np.bool_],
    wavelengths: NDArray[np.int64],
    tested_high: NDArray[np.bool_],
) -> NDArray[np.object_]:
    """What would tell most, on the first row of each circuit that is in doubt; empty elsewhere.

    Where something is more likely wrong than not, it is what tells the most probable faults apart; where the last
    test was high (`tested_high`, by circuit) and nothing is thought to be wrong any more, another test.
    """
    result = np.full(len(kept), "", dtype=object)
    circuit = kept["circuit"].to_numpy(np.int64)
    cause = np.array(CAUSES, dtype=object)[kept["cause"].to_numpy(np.int64)]
    element = names[kept["element"].to_numpy(np.int64)]
    probability = kept["probability"].to_numpy(np.float64)
    if kept.empty:
        return result
    first = np.flatnonzero(np.concatenate(([True], circuit[1:] != circuit[:-1])))
    last = np.concatenate((first[1:], [len(kept)])).astype(np.int64)
    for start, end in zip(first, last, strict=True):
        if cause[start] == "nothing" and tested_high[circuit[start]]:
            result[start] = "measure the loss again: it was high at the last test, and end faces were cleaned since"
            continue
        if cause[start] == "nothing" and probability[start] > 0.9:
            continue
        wrong = probability[start:end][cause[start:end] != "nothing"].sum() > 0.5
        asked = [row for row in range(start, end) if not wrong or cause[row] != "nothing"][:2]
        one, other = asked[0], asked[-1]
        result[start] = next_test(
            cause[one],
            str(element[one]),
            cause[other],
            str(element[other]),
            float(probability[one]),
            bool(has_otdr[circuit[start]]),
            int(wavelengths[circuit[start]]),
            bool(damaged[one]),
        )
    return result


def next_test(
    cause: str,
    element: str,
    rival: str,
    rival_element: str,
    probability: float,
    traced: bool,
    wavelengths: int,
    known_damaged: bool = False,
) -> str:
    """The next step that tells the first cause from its rival, in words; for known damage, what mends it.

    Examples
    --------
    >>> next_test("bend", "CB-7", "contamination", "C-12", 0.6, False, 1)
    'measure at 1310 and 1550 nm: a bend loses far more at 1550; look along CB-7 for a tight bend'
    >>> next_test("damaged_end_face", "C-12", "nothing", "", 0.9, False, 1, known_damaged=True)
    'replace the cord or connector of C-12: cleaning does not help damage'
    """
    pair = {cause, rival}
    if known_damaged:
        return f"replace the cord or connector of {element}: cleaning does not help damage"
    if not element and cause in (*FACES, "bend", "splice", "fibre_break"):
        return "find the path on site first: the records do not give it"
    if "bend" in pair and pair & {"contamination", "damaged_end_face", "splice", "remating_offset"} and wavelengths < 2:
        cable = element if cause == "bend" else rival_element
        return f"measure at 1310 and 1550 nm: a bend loses far more at 1550; look along {cable} for a tight bend"
    if cause == "remating_offset" and (rival not in FACES or rival == cause):
        return f"no visit of its own: at the next one inspect {element}, mate it anew and read the power again"
    if cause in FACES:
        return f"inspect {element}{_then(cause, element, rival, rival_element, traced)}"
    if cause == "transceiver":
        return f"measure the light at {element} with a power meter; exchange the transceiver if it is weak"
    if cause in ("splice", "fibre_break", "bend"):
        return f"take an OTDR trace from both ends and look at {element}"
    if cause == "record_error":
        return "check on site that the path is patched as recorded, then measure the loss end to end"
    if rival in FACES and rival_element and probability < 0.9:
        return f"inspect {rival_element} at the next visit"
    return "measure the loss end to end at two wavelengths"


def _then(cause: str, element: str, rival: str, rival_element: str, traced: bool) -> str:
    """What follows the inspection of a suspected end face."""
    damage = "damaged_end_face" in (cause, rival)
    if rival in FACES and element != rival_element:
        marked = ", replace what is damaged," if damage else ""
        return f" first, then {rival_element}; clean what is dirty{marked} and read the power again"
    if rival == "transceiver":
        return f"; if it is good, measure the light at {rival_element} with a power meter"
    if rival in ("splice", "fibre_break", "bend") and not traced:
        return "; if it is good, take an OTDR trace from both ends"
    if cause == "damaged_end_face":
        return "; if it is damaged, replace its cord or connector: cleaning does not help damage"
    marked = ", replace it if damaged," if damage else ""
    return f"; clean it if dirty{marked} and read the power again"


__all__ = ["assessed", "diagnosis_frames", "face_blame", "folded", "leading_rows", "next_test", "onset_days"]
