"""The diagnosis as rows for people: causes with probabilities, evidence in words, what to test next.

In: weighed hypotheses (`planner.health.diagnosis`) and their cases. Out: the frames of `diagnosis`,
`diagnosis_evidence` and `face_blame`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from planner.health.circuit_cases import LAUNCH_A, LAUNCH_Z, LOSS_AZ, LOSS_ZA, Cases
from planner.health.diagnosis import SOURCES, Weighed
from planner.health.fault_laws import CODE
from planner.health.hypotheses import ELEMENT_KINDS, PATH, Hypotheses
from planner.tables.result_tables import CAUSES

LOWEST_LISTED = 0.001
LOWEST_BLAME = 0.002
DECIBANS_PER_NEPER = 10.0 / np.log(10.0)
ALIKE_NEPER = 0.7  # 3 decibans
MOST_ALIKE = 6
SMALLEST_MOVE_DB = 0.05
USUAL_SIZE_DB = {"contamination": 0.35, "damaged_end_face": 0.40}  # median of the size law, where none was seen

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

NAMES = {
    "contamination": "dirt on",
    "damaged_end_face": "damage of",
    "bend": "bend in",
    "splice": "splice",
    "fibre_break": "break in",
    "transceiver": "transceiver in",
    "remating_offset": "remating offset at",
    "record_error": "wrong record",
    "nothing": "nothing wrong",
}


def leading_rows(weighed: Weighed, hypotheses: Hypotheses, cases: Cases) -> pd.DataFrame:
    """Leading cases' rows, one per circuit, cause and element, ordered by circuit and falling probability.

    The several ways in which one element can fail (launch, receiver) are one row. Columns circuit, cause,
    element, element_kind, probability, pair (the likeliest pair behind it).
    """
    leads = np.zeros(len(cases.circuit), np.bool_)
    leads[weighed.leading_case] = True
    main = np.flatnonzero(leads[weighed.case])
    hypothesis = weighed.hypothesis[main]
    frame = pd.DataFrame(
        {
            "circuit": cases.circuit[weighed.case[main]],
            "cause": hypotheses.cause[hypothesis],
            "element": hypotheses.element[hypothesis],
            "element_kind": hypotheses.element_kind[hypothesis],
            "probability": weighed.probability[main],
            "pair": main,
        }
    )
    frame = frame.sort_values(["circuit", "probability"], ascending=[True, False], kind="stable")
    harmless = frame["cause"].to_numpy() == CODE["nothing"]
    nameless = int(hypotheses.names.get_indexer(pd.Index([""]))[0])
    frame["element"] = np.where(harmless, nameless, frame["element"])
    frame["element_kind"] = np.where(harmless, 0, frame["element_kind"])
    several = (frame["cause"].to_numpy() == CODE["transceiver"]) | harmless
    single = frame[~several]
    ends = (
        frame[several]
        .groupby(["circuit", "cause", "element"], as_index=False, sort=False)
        .agg(element_kind=("element_kind", "first"), probability=("probability", "sum"), pair=("pair", "first"))
    )
    joined = pd.DataFrame({name: np.concatenate([single[name], ends[name]]) for name in single})
    ordered: pd.DataFrame = joined.sort_values(
        ["circuit", "probability", "cause", "element"], ascending=[True, False, True, True], kind="stable"
    ).reset_index(drop=True)
    return ordered


def folded(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows of at least .001; the rest goes to the first row of its cause, else to the circuit's first row.

    Probabilities of a circuit still sum to 1.
    """
    key = rows["circuit"].to_numpy(np.int64) * len(CODE) + rows["cause"].to_numpy(np.int64)
    first_of_cause = pd.Series(np.arange(len(rows))).groupby(key).transform("first").to_numpy()
    first_of_circuit = pd.Series(np.arange(len(rows))).groupby(rows["circuit"].to_numpy()).transform("first").to_numpy()
    probability = rows["probability"].to_numpy(np.float64).copy()
    small = probability < LOWEST_LISTED
    target = np.where(probability[first_of_cause] >= LOWEST_LISTED, first_of_cause, first_of_circuit)
    np.add.at(probability, target[small], probability[small])
    kept = rows.assign(probability=probability)[~small].reset_index(drop=True)
    total = kept.groupby("circuit")["probability"].transform("sum")
    kept["probability"] = kept["probability"] / total
    ordered: pd.DataFrame = kept.sort_values(
        ["circuit", "probability"], ascending=[True, False], kind="stable"
    ).reset_index(drop=True)
    return ordered


def _first_two(kept: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """First and second row of each circuit as listed; where only one is listed, as they were before folding."""
    several = kept["circuit"].duplicated(keep=False).to_numpy()
    alone = rows["circuit"].isin(kept.loc[~several, "circuit"]).to_numpy()
    listed, unlisted = kept[several], rows[alone]
    both = pd.DataFrame({name: np.concatenate([listed[name], unlisted[name]]) for name in rows})
    both = both.sort_values(["circuit", "probability"], ascending=[True, False], kind="stable")
    ordered: pd.DataFrame = both[both.groupby("circuit").cumcount() < 2].reset_index(drop=True)
    return ordered


def diagnosis_frames(
    weighed: Weighed,
    hypotheses: Hypotheses,
    cases: Cases,
    by_circuit: pd.DataFrame,
    circuit_ids: pd.Index,
    first_day: np.datetime64,
    has_otdr: NDArray[np.bool_],
    wavelengths: NDArray[np.int64],
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """The rows of `diagnosis`, `diagnosis_evidence` and `face_blame`.

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
    rows = leading_rows(weighed, hypotheses, cases)
    kept = folded(rows)
    evidence = _evidence_lines(weighed, hypotheses, cases, _first_two(kept, rows), circuit_ids, first_day)
    strongest = _strongest_lines(evidence)
    pair = kept["pair"].to_numpy(np.int64)
    top = ~kept["circuit"].duplicated().to_numpy()
    cause = kept["cause"].to_numpy(np.int64)
    size = _sizes(weighed, hypotheses, cases, pair)
    names = np.asarray(hypotheses.names, dtype=object)
    circuit = kept["circuit"].to_numpy(np.int64)
    identifier = np.asarray(circuit_ids, dtype=object)[circuit]
    frame = pd.DataFrame(
        {
            "circuit_id": identifier,
            "cause": np.array(CAUSES, dtype=object)[cause],
            "element_id": names[kept["element"].to_numpy(np.int64)],
            "element_kind": np.array(ELEMENT_KINDS, dtype=object)[kept["element_kind"].to_numpy(np.int64)],
            "probability": kept["probability"],
            "evidence": np.where(top, pd.Series(identifier).map(strongest).fillna("").to_numpy(object), ""),
            "onset_at": _moment(weighed.onset_day[pair], first_day),
            "size_db": size,
            "same_as": _alike(weighed, hypotheses, kept),
            "next_test": _next_tests(kept, names, cases, has_otdr, wavelengths),
        }
    )
    return frame, evidence, face_blame(weighed, hypotheses, cases, by_circuit, circuit_ids, first_day)


def _moment(day: FloatArray, first_day: np.datetime64) -> NDArray[np.datetime64]:
    known = ~np.isnan(day)
    at = (first_day + np.where(known, day, 0).astype("timedelta64[D]")).astype("datetime64[us]")
    return np.where(known, at, np.datetime64("NaT", "us"))


def _sizes(weighed: Weighed, hypotheses: Hypotheses, cases: Cases, pair: IntArray) -> FloatArray:
    """Loss that each pair's hypothesis costs now; NaN where nothing was seen to change. [dB]"""
    case = weighed.case[pair]
    cause = hypotheses.cause[weighed.hypothesis[pair]]
    size = cases.size_db[case].copy()
    row = cases.computed[case]
    if len(cases.moves_db):
        launch = np.nanmax(np.nan_to_num(cases.moves_db[np.maximum(row, 0)][:, LAUNCH_A:]), axis=1)
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
) -> pd.DataFrame:
    """How probably each end face costs each circuit light now, over all open changes of the circuit."""
    cause = hypotheses.cause[weighed.hypothesis]
    known = hypotheses.joint[weighed.hypothesis] >= 0
    face = np.flatnonzero(
        np.isin(cause, (CODE["contamination"], CODE["damaged_end_face"])) & known & (weighed.probability > 0)
    )
    hypothesis = weighed.hypothesis[face]
    frame = pd.DataFrame(
        {
            "circuit": cases.circuit[weighed.case[face]],
            "element": hypotheses.element[hypothesis],
            "case": weighed.case[face],
            "p": weighed.probability[face],
            "size_db": _sizes(weighed, hypotheses, cases, face),
            "onset_day": weighed.onset_day[face],
        }
    )
    frame["size_db"] = frame["size_db"].fillna(USUAL_SIZE_DB["contamination"])
    frame = frame.sort_values(["circuit", "element", "p"], ascending=[True, True, False], kind="stable")
    by_case = frame.groupby(["circuit", "element", "case"], sort=False, as_index=False).agg(
        p=("p", "sum"), size_db=("size_db", "first"), onset_day=("onset_day", "first")
    )
    by_case["none"] = np.log1p(-np.minimum(by_case["p"], 1 - 1e-12))
    by_case["weighted"] = by_case["p"] * by_case["size_db"]
    by_case = by_case.sort_values(["circuit", "element", "p"], ascending=[True, True, False], kind="stable")
    total = by_case.groupby(["circuit", "element"], sort=True, as_index=False).agg(
        none=("none", "sum"), p=("p", "sum"), weighted=("weighted", "sum"), onset_day=("onset_day", "first")
    )
    total["p_cause"] = -np.expm1(total["none"])
    total = total[total["p_cause"] >= LOWEST_BLAME]
    total = total.merge(by_circuit, on=["circuit", "element"], how="left")
    names = np.asarray(hypotheses.names, dtype=object)
    return pd.DataFrame(
        {
            "connector_id": names[total["element"].to_numpy(np.int64)],
            "circuit_id": np.asarray(circuit_ids, dtype=object)[total["circuit"].to_numpy(np.int64)],
            "p_cause": np.clip(total["p_cause"], 0.0, 1.0).to_numpy(),
            "p_dirt": np.clip(total["p_dirt"], 0.0, 1.0).to_numpy(),
            "p_damage": np.clip(total["p_damage"], 0.0, 1.0).to_numpy(),
            "size_db": (total["weighted"] / total["p"]).to_numpy(),
            "onset_at": _moment(total["onset_day"].to_numpy(np.float64), first_day),
        }
    )


def _evidence_lines(
    weighed: Weighed,
    hypotheses: Hypotheses,
    cases: Cases,
    rows: pd.DataFrame,
    circuit_ids: pd.Index,
    first_day: np.datetime64,
) -> pd.DataFrame:
    """Evidence of each circuit's first row against its second, source by source; it adds up to the log-odds."""
    circuit = rows["circuit"].to_numpy(np.int64)
    order = rows.groupby("circuit").cumcount().to_numpy()
    first, second = np.flatnonzero(order == 0), np.flatnonzero(order == 1)
    has_second = np.isin(circuit[first], circuit[second])
    first = first[has_second]
    pair = rows["pair"].to_numpy(np.int64)
    probability = rows["probability"].to_numpy(np.float64)
    difference = weighed.log_evidence[pair[first]] - weighed.log_evidence[pair[second]]
    odds = np.log(probability[first]) - np.log(np.maximum(probability[second], 1e-300))
    # what is left: several ways of one element to fail and rows too small to list, summed into these
    rest = odds - difference.sum(axis=1)
    values = np.concatenate([difference, rest[:, None]], axis=1) * DECIBANS_PER_NEPER
    words = _Words(weighed, hypotheses, cases, first_day)
    texts = words.lines(pair[first], pair[second])
    texts.append(
        np.full(len(first), "the several ways in which these can fail, and rows too small to list", dtype=object)
    )
    shown = np.abs(values) >= 0.05
    shown[:, 0] = True
    # what is too small to show goes with the first line, so that the lines still add up
    values[:, 0] += np.where(shown, 0.0, values).sum(axis=1)
    line_circuit, source = np.nonzero(shown)
    text = np.stack(texts, axis=1)[line_circuit, source] if len(line_circuit) else np.zeros(0, object)
    frame = pd.DataFrame(
        {
            "circuit_id": np.asarray(circuit_ids, dtype=object)[circuit[first][line_circuit]],
            "text": text,
            "decibans": values[line_circuit, source],
        }
    )
    frame.insert(1, "line", frame.groupby("circuit_id", sort=False).cumcount().to_numpy(np.int64) + 1)
    return frame


class _Words:
    """Puts the evidence of pairs of hypotheses in words."""

    def __init__(self, weighed: Weighed, hypotheses: Hypotheses, cases: Cases, first_day: np.datetime64) -> None:
        self.weighed, self.hypotheses, self.cases, self.first_day = weighed, hypotheses, cases, first_day
        self.names = np.asarray(hypotheses.names, dtype=object)

    def called(self, pair: IntArray) -> NDArray[np.object_]:
        """Each hypothesis in words: "dirt on C-12"."""
        hypothesis = self.weighed.hypothesis[pair]
        head = np.array([NAMES[name] for name in CAUSES], dtype=object)[self.hypotheses.cause[hypothesis]]
        return np.array(
            [
                f"{words} {name or ('its unknown path' if path else '')}".strip()
                for words, name, path in zip(
                    head,
                    self.names[self.hypotheses.element[hypothesis]],
                    self.hypotheses.family[hypothesis] == PATH,
                    strict=True,
                )
            ],
            dtype=object,
        )

    def lines(self, first: IntArray, second: IntArray) -> list[NDArray[np.object_]]:
        """One text per source (`SOURCES`) for each pair of pairs."""
        top, other = self.called(first), self.called(second)
        readings = self.readings(self.weighed.case[first])
        onset = self.onsets(first)
        return [
            self._each("how common: {} against {}", top, other),
            self._each("what inspections, cleanings and contacts say of {} against {}", top, other),
            readings,
            self._each("loss tests: {} against {}", top, other),
            self._each("timing: {} would have begun {}; against {}", top, onset, other),
            self._each("{}: {} against {}", self.levels(self.weighed.case[first]), top, other),
            self._each("reflectance and place in the OTDR trace: {} against {}", top, other),
            self._each("other circuits over the same element: {} against {}", top, other),
        ][: len(SOURCES)]

    @staticmethod
    def _each(form: str, *parts: NDArray[np.object_]) -> NDArray[np.object_]:
        return np.array([form.format(*values) for values in zip(*parts, strict=True)], dtype=object)

    def onsets(self, pair: IntArray) -> NDArray[np.object_]:
        """When each hypothesis would have begun, in words."""
        moments = _moment(self.weighed.onset_day[pair], self.first_day).astype("datetime64[D]")
        return np.array(["before the first reading" if np.isnat(day) else f"on {day}" for day in moments], dtype=object)

    def levels(self, case: IntArray) -> NDArray[np.object_]:
        """What the first readings of each case's circuit say of its loss as built, in words."""
        above = self.weighed.standing_db[self.cases.circuit[case]]
        return np.array(
            [
                "absolute loss" if np.isnan(db) else f"first readings {db:+.2f} dB from the as-built test"
                for db in above
            ],
            dtype=object,
        )

    def readings(self, case: IntArray) -> NDArray[np.object_]:
        """What the power readings of each case did, in words."""
        row = self.cases.computed[case]
        moments = _moment(
            np.where(row >= 0, self.cases.best_day[np.maximum(row, 0)], np.nan)
            if len(self.cases.best_day)
            else np.full(len(case), np.nan),
            self.first_day,
        ).astype("datetime64[D]")
        texts = np.empty(len(case), dtype=object)
        for number, (place, day) in enumerate(zip(row, moments, strict=True)):
            if place < 0:
                seen = self.cases.has_power_of[self.cases.circuit[case[number]]]
                texts[number] = "power readings: no open change" if seen else "no power readings: not assessed"
                continue
            texts[number] = _move_words(self.cases.moves_db[place], day)
        return texts


def _move_words(moves_db: FloatArray, day: np.datetime64) -> str:
    parts = []
    for kind, name in (
        (LOSS_AZ, "received at Z"),
        (LOSS_ZA, "received at A"),
        (LAUNCH_A, "launched at A"),
        (LAUNCH_Z, "launched at Z"),
    ):
        size = moves_db[kind]
        if np.isnan(size):
            continue
        if abs(size) < SMALLEST_MOVE_DB:
            parts.append(f"{name} steady")
        else:
            when = f" about {day}" if kind in (LOSS_AZ, LOSS_ZA) else ""
            parts.append(f"{name} {'fell' if size > 0 else 'rose'} {abs(size):.2f} dB{when}")
    return "power: " + ", ".join(parts) if parts else "no power readings: not assessed"


def _strongest_lines(evidence: pd.DataFrame) -> pd.Series:
    """The three strongest lines of each circuit in one text, by circuit name."""
    if evidence.empty:
        return pd.Series(dtype=object)
    ordered = evidence.assign(strength=evidence["decibans"].abs())
    ordered = ordered.sort_values(["circuit_id", "strength"], ascending=[True, False], kind="stable")
    ordered = ordered[ordered.groupby("circuit_id").cumcount() < 3]
    text = ordered["text"] + ordered["decibans"].map(" ({:+.0f})".format)
    return text.groupby(ordered["circuit_id"]).agg("; ".join)


def _alike(weighed: Weighed, hypotheses: Hypotheses, kept: pd.DataFrame) -> NDArray[np.object_]:
    """Elements of the same cause that the readings cannot tell from each row's, separated by `; `.

    Alike means: within three decibans once what is believed of the end faces is left out.
    """
    names = np.asarray(hypotheses.names, dtype=object)
    pair = kept["pair"].to_numpy(np.int64)
    alone = weighed.log_evidence[pair].sum(axis=1) - weighed.log_evidence[pair, SOURCES.index("belief")]
    key = kept["circuit"].to_numpy(np.int64) * len(CODE) + kept["cause"].to_numpy(np.int64)
    result = np.full(len(kept), "", dtype=object)
    several = pd.Series(key).duplicated(keep=False).to_numpy() & (kept["probability"].to_numpy() >= 0.01)
    groups: dict[int, list[int]] = {}
    for row in np.flatnonzero(several):
        groups.setdefault(int(key[row]), []).append(int(row))
    element = names[kept["element"].to_numpy(np.int64)]
    for members in groups.values():
        for number in members:
            like = [m for m in members if m != number and abs(alone[m] - alone[number]) < ALIKE_NEPER]
            result[number] = "; ".join(str(element[m]) for m in like[:MOST_ALIKE])
    return result


def _next_tests(
    kept: pd.DataFrame,
    names: NDArray[np.object_],
    cases: Cases,
    has_otdr: NDArray[np.bool_],
    wavelengths: NDArray[np.int64],
) -> NDArray[np.object_]:
    """What would tell most, on the first row of each circuit that is in doubt; empty elsewhere."""
    result = np.full(len(kept), "", dtype=object)
    circuit = kept["circuit"].to_numpy(np.int64)
    cause = np.array(CAUSES, dtype=object)[kept["cause"].to_numpy(np.int64)]
    element = names[kept["element"].to_numpy(np.int64)]
    probability = kept["probability"].to_numpy(np.float64)
    first = np.flatnonzero(np.concatenate(([True], circuit[1:] != circuit[:-1]))) if len(kept) else np.zeros(0, int)
    last = np.concatenate((first[1:], [len(kept)])).astype(np.int64)
    for start, end in zip(first, last, strict=True):
        if cause[start] == "nothing" and probability[start] > 0.9:
            continue
        second = start + 1 if start + 1 < end else start
        result[start] = next_test(
            cause[start],
            str(element[start]),
            cause[second],
            str(element[second]),
            float(probability[start]),
            bool(has_otdr[circuit[start]]),
            int(wavelengths[circuit[start]]),
        )
    return result


def next_test(
    cause: str, element: str, rival: str, rival_element: str, probability: float, traced: bool, wavelengths: int
) -> str:
    """The next step that tells the first cause from its rival, in words.

    Examples
    --------
    >>> next_test("bend", "CB-7", "contamination", "C-12", 0.6, False, 1)
    'measure at 1310 and 1550 nm: a bend loses far more at 1550; look along CB-7 for a tight bend'
    """
    faces = ("contamination", "damaged_end_face", "remating_offset")
    pair = {cause, rival}
    if cause not in ("nothing", "record_error") and not element:
        return "mend the records of its path first: without them nobody can say where on it to look"
    if "bend" in pair and pair & {"contamination", "damaged_end_face", "splice", "remating_offset"} and wavelengths < 2:
        cable = element if cause == "bend" else rival_element
        return f"measure at 1310 and 1550 nm: a bend loses far more at 1550; look along {cable} for a tight bend"
    if cause in faces and rival in faces:
        if element == rival_element:
            return f"inspect {element}; clean it if dirty and read the power again"
        return f"inspect {element} first, then {rival_element}; clean what is dirty and read the power again"
    if cause in faces:
        if rival == "transceiver":
            return f"inspect {element}; if clean, measure the light at {rival_element} with a power meter"
        if rival in ("splice", "fibre_break", "bend") and not traced:
            return f"inspect {element}; if clean, take an OTDR trace from both ends"
        return f"inspect {element}; clean it if dirty and read the power again"
    if cause == "transceiver":
        return f"measure the light at {element} with a power meter; exchange the transceiver if it is weak"
    if cause in ("splice", "fibre_break", "bend"):
        return f"take an OTDR trace from both ends and look at {element}"
    if cause == "record_error":
        return "check on site that the path is patched as recorded, then measure the loss end to end"
    if rival in faces and probability < 0.9:
        return f"inspect {rival_element} at the next visit"
    return "measure the loss end to end at two wavelengths"


__all__ = ["diagnosis_frames", "face_blame", "folded", "leading_rows", "next_test"]
