"""Why a circuit's diagnosis says what it says: evidence line by line, in words and decibans that add up.

In: the weighed hypotheses of each circuit's leading case, gathered into rows (one per cause and element). Out: the
frame of `diagnosis_evidence` and a short text for every row of `diagnosis`. Several hypotheses answer a question
together - dirt or damage on either end face of one joint, every way of nothing being wrong - so what one source says
of them is what it adds to the logarithm of their summed weight, sources being added in a fixed order. The lines of
one question therefore add up to the log-odds of its two answers, whatever stands behind each.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from planner.health.circuit_cases import LAUNCH_A, LAUNCH_Z, LOSS_AZ, LOSS_ZA, Cases
from planner.health.diagnosis import Weighed
from planner.health.evidence_sources import BELIEF, COMMON, LEVEL, NEIGHBOURS, POWER, SOURCES, TESTS, TIMING, TRACE
from planner.health.fault_laws import CODE, SMALLEST_FAULT_DB
from planner.health.hypotheses import PATH, Hypotheses
from planner.health.tracing import DECIBANS

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Words = NDArray[np.object_]

SMALLEST_SHOWN = 0.05  # deciban; what is smaller goes with the largest line
CANCELS = 0.5  # two sources of one thing that leave less than this share of the larger are told together
WORTH_A_QUESTION = 0.01  # probability from which a second answer is compared with the first
WORTH_NAMING = 0.1  # share of an answer from which an end face or a kind of fault is named in it
SMALLEST_MOVE_DB = 0.05
REST = len(SOURCES)  # column of what was too small to list

FAULTS_OF_JOINT = np.array([CODE["contamination"], CODE["damaged_end_face"]])
OF_JOINTS = np.array([*FAULTS_OF_JOINT, CODE["remating_offset"], CODE["nothing"]])
QUESTIONS = ("Is anything wrong?", "Where, or what else?", "Which of these?")
SHORT = ("how common", "history", "power", "loss tests", "timing", "level", "trace", "other circuits", "unlisted")
NAMES = {
    "contamination": "dirt on",
    "damaged_end_face": "damage of",
    "bend": "a bend in",
    "splice": "a bad splice",
    "fibre_break": "a break in",
    "transceiver": "the transceiver in",
    "remating_offset": "only a new mating of",
    "record_error": "a wrong record",
    "nothing": "nothing wrong",
}
ALIKE = "nothing that was read tells them apart"
SHIFTED = "nothing wrong but new matings that shifted it a little"
UNPLACED = {
    "contamination": "dirt on an unknown end face",
    "damaged_end_face": "damage of an unknown end face",
    "bend": "a bend at an unknown place",
    "splice": "an unknown splice",
    "fibre_break": "a break at an unknown place",
    "transceiver": "a transceiver",
    "remating_offset": "only a new mating",
}


@dataclass
class Rows:
    """The leading case's hypotheses of every circuit as rows, and what belongs to which.

    `frame` has one row per circuit, cause and element: circuit, cause, element, element_kind, probability, pair (the
    likeliest pair behind it), ordered by circuit and falling probability. `pair` and `row` (both one per pair of a
    leading case) say which pairs a row gathers.
    """

    frame: pd.DataFrame
    pair: IntArray
    row: IntArray


def by_source(log_evidence: FloatArray, group: IntArray, groups: int) -> FloatArray:
    """What each source adds to the logarithm of every group's summed weight, shape (groups, sources). [neper]

    Sources are added from left to right; a group's row sums to the logarithm of its weight.

    Examples
    --------
    >>> by_source(np.log(np.array([[0.5, 4.0], [0.5, 2.0]])), np.array([0, 0]), 1).round(3)
    array([[0.   , 1.099]])
    """
    order = np.argsort(group, kind="stable")
    start = np.searchsorted(group[order], np.arange(groups))
    size = np.diff(np.append(start, len(order)))
    added, before = np.zeros((groups, log_evidence.shape[1])), np.zeros(groups)
    if not groups:
        return added
    total = np.zeros(len(order))
    for source in range(log_evidence.shape[1]):
        total += log_evidence[order, source]
        best = np.maximum.reduceat(total, start)
        after = best + np.log(np.add.reduceat(np.exp(total - np.repeat(best, size)), start))
        added[:, source] = after - before
        before = after
    return added


def places(rows: Rows, weighed: Weighed, hypotheses: Hypotheses) -> IntArray:
    """Number of the answer each row belongs to, shape (rows,).

    Dirt and damage of a joint's end faces are one answer (the same visit settles them); every other row is its own.
    """
    frame = rows.frame
    cause = frame["cause"].to_numpy(np.int64)
    joint = hypotheses.joint[weighed.hypothesis[frame["pair"].to_numpy(np.int64)]]
    own = len(hypotheses.ports) + np.arange(len(frame))
    key = np.where(np.isin(cause, FAULTS_OF_JOINT) & (joint >= 0), joint, own)
    span = len(hypotheses.ports) + len(frame)
    _, number = np.unique(frame["circuit"].to_numpy(np.int64) * span + key, return_inverse=True)
    return np.asarray(number, np.int64)


class Evidence:
    """The evidence of the rows and of the answers they make up, in numbers and in words."""

    def __init__(
        self,
        rows: Rows,
        listed: FloatArray,
        weighed: Weighed,
        hypotheses: Hypotheses,
        cases: Cases,
        first_day: np.datetime64,
        onset_day: FloatArray,
        has_otdr: NDArray[np.bool_],
    ) -> None:
        """`listed`: probability under which each row stands in the diagnosis; `onset_day`: per pair, NaN unknown."""
        self.rows, self.listed = rows, listed
        self.weighed, self.hypotheses, self.cases = weighed, hypotheses, cases
        self.first_day, self.onset_day, self.has_otdr = first_day, onset_day, has_otdr
        self.names = np.asarray(hypotheses.names, dtype=object)
        self.ports = np.asarray(hypotheses.ports, dtype=object)
        frame = rows.frame
        self.circuit = frame["circuit"].to_numpy(np.int64)
        self.cause = frame["cause"].to_numpy(np.int64)
        self.pair = frame["pair"].to_numpy(np.int64)
        self.harmless = self.cause == CODE["nothing"]
        self.place = places(rows, weighed, hypotheses)
        _, side = np.unique(2 * self.circuit + self.harmless, return_inverse=True)
        # what the answers to each question are: something or nothing, a place, a row
        self.answers = tuple(
            _Answers.of(number, rows, listed, weighed) for number in (side, self.place, np.arange(len(frame)))
        )
        self.members = _Members.of(self.place, listed, int(self.place.max(initial=-1)) + 1)

    # ------------------------------------------------------------------------------------------- questions

    def lines(self, circuit_ids: pd.Index) -> pd.DataFrame:
        """Rows of `diagnosis_evidence`: circuit_id, line, question, text, decibans."""
        asked = self._questions()
        if asked.empty:
            return pd.DataFrame({name: [] for name in ("circuit_id", "line", "question", "text", "decibans")})
        question = asked["question"].to_numpy(np.int64)
        first, second = asked["first"].to_numpy(np.int64), asked["second"].to_numpy(np.int64)
        values = self._values(question, first, second)
        alike = np.abs(values).max(axis=1) < SMALLEST_SHOWN
        shown = _shown(values)
        texts = self._texts(first, second)
        one, other = (self._answered(question, row) for row in (first, second))
        heads = np.array(
            [
                f"{QUESTIONS[number]} {_sentence(a)} against {b.removesuffix(',')}"
                for number, a, b in zip(question, one, other, strict=True)
            ],
            dtype=object,
        )
        for text in texts:
            text[alike] = ALIKE
        which, source = np.nonzero(shown)
        frame = pd.DataFrame(
            {
                "circuit_id": np.asarray(circuit_ids, dtype=object)[self.circuit[first][which]],
                "question": heads[which],
                "text": np.stack(texts, axis=1)[which, source],
                "decibans": values[which, source],
            }
        )
        frame.insert(1, "line", frame.groupby("circuit_id", sort=False).cumcount().to_numpy(np.int64) + 1)
        return frame

    def _questions(self) -> pd.DataFrame:
        """What is compared on each circuit: question, first and second (rows that lead their answers)."""
        sides, of_places, _ = self.answers
        place = np.arange(len(of_places.listed))
        lead = self.members.first
        table = pd.DataFrame({"circuit": self.circuit[lead], "row": lead, "chance": of_places.listed[place]})
        table["harmless"], table["side"] = self.harmless[lead], sides.listed[sides.number[lead]]
        table["second"] = self.members.second
        table = table.sort_values(["circuit", "chance", "row"], ascending=[True, False, True], kind="stable")
        calm = table[table["harmless"]].drop_duplicates("circuit").set_index("circuit")
        faults = table[~table["harmless"]]
        suspect = faults.drop_duplicates("circuit").set_index("circuit")
        rival = faults[faults.groupby("circuit").cumcount() == 1].set_index("circuit")
        parts = []
        both = suspect.index[suspect["side"] >= WORTH_A_QUESTION].intersection(calm.index)
        sound = calm.loc[both, "side"].to_numpy() > suspect.loc[both, "side"].to_numpy()
        rows = [calm.loc[both, "row"].to_numpy(np.int64), suspect.loc[both, "row"].to_numpy(np.int64)]
        parts.append((0, both, np.where(sound, rows[0], rows[1]), np.where(sound, rows[1], rows[0])))
        wrong = suspect[suspect["side"] > calm["side"].reindex(suspect.index).fillna(0.0)]
        other = wrong.index.intersection(rival.index[rival["chance"] >= WORTH_A_QUESTION])
        parts.append((1, other, wrong.loc[other, "row"].to_numpy(np.int64), rival.loc[other, "row"].to_numpy(np.int64)))
        second = wrong["second"].to_numpy(np.int64)
        two = (second >= 0) & (self.listed[np.maximum(second, 0)] >= WORTH_A_QUESTION)
        parts.append((2, wrong.index[two], wrong["row"].to_numpy(np.int64)[two], second[two]))
        asked = pd.concat(
            [
                pd.DataFrame({"circuit": circuit, "question": number, "first": one, "second": two})
                for number, circuit, one, two in parts
            ]
        )
        ordered: pd.DataFrame = asked.sort_values(["circuit", "question"], kind="stable").reset_index(drop=True)
        return ordered

    def _of_each(self, question: IntArray, row: IntArray, what: str) -> FloatArray:
        """What is known (`evidence`, `listed` or `said`) of the answer each row leads, by the question asked."""
        kept = [getattr(answers, what)[answers.number[row]] for answers in self.answers]
        picked: FloatArray = np.stack(kept)[question, np.arange(len(row))]
        return picked

    def _values(self, question: IntArray, first: IntArray, second: IntArray) -> FloatArray:
        """Decibans of each source, and of what was not listed, for one answer against another."""
        values = np.zeros((len(first), len(SOURCES) + 1))
        one, other = (self._of_each(question, row, "evidence") for row in (first, second))
        values[:, : len(SOURCES)] = one - other
        one, other = (self._of_each(question, row, "listed") for row in (first, second))
        listed = (one > 0) & (other > 0)  # else the odds are those of the weights alone
        odds = np.log(np.where(listed, one, 1.0) / np.where(listed, other, 1.0))
        values[:, REST] = np.where(listed, odds - values[:, : len(SOURCES)].sum(axis=1), 0.0)
        values *= DECIBANS
        row = self.cases.computed[self.weighed.case[self.pair[first]]]
        circuit = self.circuit[first]
        read = _flags(self.cases.has_power_of, circuit) | ((row >= 0) & _flags(self.cases.has_power, row))
        tested = _flags(self.cases.has_tests_of, circuit)
        # without power readings what is left of them is what the other measurements say
        _moved(values, ~read & tested, POWER, TESTS)
        _moved(values, ~read & ~tested, POWER, LEVEL)
        for told, with_it in ((TIMING, POWER), (LEVEL, POWER), (TIMING, TESTS), (LEVEL, TESTS), (TIMING, NEIGHBOURS)):
            left, both = values[:, with_it] + values[:, told], values[:, [with_it, told]]
            cancel = (both.prod(axis=1) < 0) & (np.abs(left) < CANCELS * np.abs(both).max(axis=1))
            _moved(values, cancel, told, with_it)
        return values

    # ----------------------------------------------------------------------------------------------- rows

    def of_rows(self, chosen: IntArray) -> Words:
        """For each of these rows all its evidence in one line: against nothing wrong, or nothing against the worst.

        Every source with its decibans, and their sum: the row's log-odds against nothing wrong on its circuit.
        """
        table = pd.DataFrame({"circuit": self.circuit, "row": np.arange(len(self.circuit)), "listed": self.listed})
        calm = table[self.harmless].drop_duplicates("circuit").set_index("circuit")["row"]
        suspects = table[~self.harmless].sort_values(["circuit", "listed"], ascending=[True, False], kind="stable")
        suspect = suspects.drop_duplicates("circuit").set_index("circuit")["row"]
        own = self.harmless[chosen]
        against = np.where(
            own,
            suspect.reindex(self.circuit[chosen]).fillna(-1).to_numpy(np.int64),
            calm.reindex(self.circuit[chosen]).fillna(-1).to_numpy(np.int64),
        )
        texts = np.full(len(chosen), "", dtype=object)
        some = against >= 0
        first, second = chosen[some], against[some]
        alone = np.full(len(first), len(QUESTIONS) - 1)
        values = self._values(alone, first, second)
        rival = np.where(own[some], self._called(second, alone), "nothing wrong")
        labels = np.array(SHORT, dtype=object)[None, :].repeat(len(first), axis=0)
        labels[~self.has_otdr[self.circuit[first]], TRACE] = "return loss"
        texts[some] = _one_line(values, labels) + " against " + rival
        return texts

    # ----------------------------------------------------------------------------------------------- words

    def _called(self, row: IntArray, question: IntArray) -> Words:
        """The answer each row leads in words: "dirt or damage on C-12 or C-13"."""
        cause, pair = self.cause[row], self.pair[row]
        head = np.array([NAMES[name] for name in CODE], dtype=object)[cause]
        element = self.names[self.rows.frame["element"].to_numpy(np.int64)[row]]
        named = element != ""
        unplaced = np.array([UNPLACED.get(name, NAMES[name]) for name in CODE], dtype=object)[cause]
        place = np.where(
            cause == CODE["remating_offset"],
            self._joint(pair, element),
            element,
        )
        words: Words = np.where(named, head + " " + place, unplaced)
        small = self.hypotheses.family[self.weighed.hypothesis[pair]] == PATH
        words[cause == CODE["nothing"]] = NAMES["nothing"]
        words[(cause == CODE["nothing"]) & small & (self.listed[row] >= WORTH_NAMING)] = SHIFTED
        alone = question == len(QUESTIONS) - 1
        for number in np.flatnonzero(~alone & named & np.isin(cause, FAULTS_OF_JOINT)):
            words[number] = self._joint_words(int(self.place[row[number]]))
        return words

    def _answered(self, question: IntArray, row: IntArray) -> Words:
        """Each answer with its probability: "something (85 %), most probably dirt on C-12"."""
        words = self._called(row, question)
        chance = [f" ({_percent(share)})" for share in self._of_each(question, row, "said")]
        something = (question == 0) & ~self.harmless[row]
        return np.array(
            [
                f"something{share}, most probably {text}," if open_ else f"{text}{share}"
                for text, share, open_ in zip(words, chance, something, strict=True)
            ],
            dtype=object,
        )

    def _joint(self, pair: IntArray, otherwise: Words) -> Words:
        """Name of the joint of each pair."""
        joint = self.hypotheses.joint[self.weighed.hypothesis[pair]]
        if not len(self.ports):
            return otherwise
        named: Words = np.where(joint >= 0, "joint " + self.ports[np.maximum(joint, 0)], otherwise)
        return named

    def _joint_words(self, place: int) -> str:
        """Dirt or damage of a joint's end faces, those with a share worth naming; the joint where one goes unnamed."""
        rows = self.members.of_place(place)
        share = self.listed[rows] / max(float(self.listed[rows].sum()), 1e-300)
        rows = rows[share >= WORTH_NAMING]
        kinds = [word for word, name in (("dirt", FAULTS_OF_JOINT[0]), ("damage", FAULTS_OF_JOINT[1]))
                 if name in self.cause[rows]]  # fmt: skip
        every, faces = (
            list(dict.fromkeys(self.names[self.rows.frame["element"].to_numpy(np.int64)[some]]))
            for some in (self.members.of_place(place), rows)
        )
        where = "on" if len(faces) == len(every) else "at the joint of"
        return f"{' or '.join(kinds)} {where} {' or '.join(str(face) for face in faces)}"

    def _texts(self, first: IntArray, second: IntArray) -> list[Words]:
        """One text per source for each question."""
        circuit, case = self.circuit[first], self.weighed.case[self.pair[first]]
        record = (self.cause[first] == CODE["record_error"]) | (self.cause[second] == CODE["record_error"])
        traced = self.has_otdr[circuit]
        texts = [np.full(len(first), "", dtype=object) for _ in range(len(SOURCES) + 1)]
        texts[COMMON][:] = "how common each is, before anything is read"
        texts[BELIEF][:] = "what openings, cleanings and looks say of the end faces"
        texts[POWER] = self._power(case)
        texts[TESTS] = np.where(record, "measured loss against what the path should lose", "loss tests")
        texts[TIMING] = self._timing(first, second)
        texts[LEVEL] = self._level(circuit)
        texts[TRACE] = np.where(traced, "reflectance and place in the OTDR trace", "return loss in the loss tests")
        texts[NEIGHBOURS][:] = "other circuits over the same elements"
        texts[REST][:] = "rows too small to list by themselves"
        return texts

    def _timing(self, first: IntArray, second: IntArray) -> Words:
        """When each answer would have begun; for joints, against the days on which they were worked on."""
        one, other = self._onsets(self.pair[first]), self._onsets(self.pair[second])
        joint = [np.isin(self.cause[row], OF_JOINTS) for row in (first, second)]
        calm = [self.cause[row] == CODE["nothing"] for row in (first, second)]
        head = np.where(joint[0] | joint[1], "timing, against work on the joints: ", "timing: ").astype(object)
        both = np.where(one == other, "both " + one, "the first " + one + ", the second " + other)
        texts: Words = head + np.where(calm[0], other, np.where(calm[1], one, both))
        return texts

    def _onsets(self, pair: IntArray) -> Words:
        """When the fault behind each pair would have begun, in words."""
        days = moments(self.onset_day[pair], self.first_day).astype("datetime64[D]")
        path = self.hypotheses.family[self.weighed.hypothesis[pair]] == PATH
        distinct, place = np.unique(days, return_inverse=True)
        named = np.array(["" if np.isnat(day) else f"from {_day(day)}" for day in distinct], dtype=object)[place]
        words: Words = np.where(
            named == "", np.where(path, "from before the first reading", "on a day not known"), named
        )
        return words

    def _level(self, circuit: IntArray) -> Words:
        """What the level of the circuit says, apart from its changes."""
        before = self.weighed.before
        told = []
        # what was measured: of a circuit that is read, at its first reading or before
        read = _flags(self.cases.has_power_of, circuit)
        at_start = np.where(
            before.at_start[circuit], "loss from the first reading on", "loss tested before the readings"
        )
        of_what = np.where(read, at_start, "tested loss")
        for what, above, standing in zip(of_what, before.above_db[circuit], before.standing_db[circuit], strict=True):
            words = []
            if not np.isnan(above):
                words.append(f"{what} {_apart(above)} the usual for such a path")
            if not np.isnan(standing):
                words.append(f"first readings {_apart(standing)} the as-built test")
            told.append(", ".join(words) or "level of the light")
        return np.array(told, dtype=object)

    def _power(self, case: IntArray) -> Words:
        """What the power readings of each case did, in words."""
        cases, row = self.cases, self.cases.computed[case]
        texts = np.empty(len(case), dtype=object)
        read = _flags(cases.has_power_of, cases.circuit[case])
        for number, place in enumerate(row):
            told = "power: no lasting change" if read[number] else "no power was read"
            if place >= 0:
                told = _move_words(
                    cases.moves_db[place], int(cases.best_day[place]), cases.end_day[place], self.first_day, told
                )
            texts[number] = told
        return texts


@dataclass
class _Answers:
    """What a question can be answered with: `number` of the answer of every row, and by answer what is known of it.

    `evidence` as from `by_source`; `listed` the probability under which its rows stand in the diagnosis, `said` the
    same, or its own where none of them does.
    """

    number: IntArray
    evidence: FloatArray
    listed: FloatArray
    said: FloatArray

    @classmethod
    def of(cls, number: IntArray, rows: Rows, listed: FloatArray, weighed: Weighed) -> _Answers:
        count = int(number.max(initial=-1)) + 1
        evidence = by_source(weighed.log_evidence[rows.pair], number[rows.row], count)
        chance = rows.frame["probability"].to_numpy(np.float64)
        own, stood = (
            np.asarray(np.bincount(number, weights=values, minlength=count), np.float64) for values in (chance, listed)
        )
        return cls(number, evidence, stood, np.where(stood > 0, stood, own))


@dataclass
class _Members:
    """Rows of every answer, the most probable first: `row` ordered by answer, `start` of each (answers + 1)."""

    row: IntArray
    start: IntArray

    @classmethod
    def of(cls, place: IntArray, chance: FloatArray, count: int) -> _Members:
        order = np.lexsort((np.arange(len(place)), -chance, place))
        return cls(order, np.searchsorted(place[order], np.arange(count + 1)))

    @property
    def first(self) -> IntArray:
        """The most probable row of each answer."""
        return self.row[self.start[:-1]]

    @property
    def second(self) -> IntArray:
        """The second row of each answer, -1 if it has one only."""
        several = np.diff(self.start) > 1
        return np.where(several, self.row[np.where(several, self.start[:-1] + 1, 0)], -1)

    def of_place(self, place: int) -> IntArray:
        """All rows of one answer."""
        return self.row[self.start[place] : self.start[place + 1]]


def moments(day: FloatArray, first_day: np.datetime64) -> NDArray[np.datetime64]:
    """Days of the axis as dates; NaT where not known."""
    known = ~np.isnan(day)
    at = (first_day + np.where(known, day, 0).astype("timedelta64[D]")).astype("datetime64[us]")
    return np.where(known, at, np.datetime64("NaT", "us"))


def _flags(values: NDArray[np.bool_], at: IntArray) -> NDArray[np.bool_]:
    """Values at these places; false where there are none."""
    if not len(values):
        return np.zeros(len(at), np.bool_)
    return values[np.maximum(at, 0)] & (at >= 0)


def _moved(values: FloatArray, where: NDArray[np.bool_], source: int, to: int) -> None:
    """Tell what one source says with another, in place."""
    values[:, to] += np.where(where, values[:, source], 0.0)
    values[:, source] = np.where(where, 0.0, values[:, source])


def _shown(values: FloatArray) -> NDArray[np.bool_]:
    """Which lines are worth showing; the others go with the largest one, so that all still adds up."""
    shown = np.abs(values) >= SMALLEST_SHOWN
    largest = np.abs(values).argmax(axis=1)
    each = np.arange(len(values))
    shown[each, largest] = True
    values[each, largest] += np.where(shown, 0.0, values).sum(axis=1)
    return shown


def _apart(db: float) -> str:
    """How far a loss lies from another.

    Examples
    --------
    >>> _apart(0.54), _apart(-0.204)
    ('0.54 dB above', '0.20 dB below')
    """
    return f"{abs(db):.2f} dB {'above' if db >= 0 else 'below'}"


def _one_line(values: FloatArray, labels: Words) -> Words:
    """ "power +31.0, how common -14.2 = +16.8 decibans", strongest first; the figures add up as printed."""
    if not len(values):
        return np.zeros(0, dtype=object)
    tenths = np.rint(values * 10).astype(np.int64)
    total = np.rint(values.sum(axis=1) * 10).astype(np.int64)
    each, largest = np.arange(len(values)), np.abs(values).argmax(axis=1)
    tenths[each, largest] += total - tenths.sum(axis=1)
    order = np.argsort(-np.abs(tenths), axis=1, kind="stable")
    text = np.full(len(values), "", dtype=object)
    for position in range(values.shape[1]):
        source = order[:, position]
        figure = tenths[each, source]
        more = labels[each, source] + " " + _signed(figure)
        text = np.where(figure == 0, text, np.where(text == "", more, text + ", " + more))
    lines: Words = text + " = " + _signed(total) + " decibans"
    return lines


def _signed(tenths: IntArray) -> Words:
    """Numbers of tenths with sign and one decimal, each distinct one written once."""
    distinct, place = np.unique(tenths, return_inverse=True)
    return np.array([f"{value / 10:+.1f}" for value in distinct], dtype=object)[place]


def _move_words(moves_db: FloatArray, best: int, ends: IntArray, first_day: np.datetime64, otherwise: str) -> str:
    """What each direction's readings did about the day that speaks most for a change."""
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
        day = best if kind in (LOSS_AZ, LOSS_ZA) else int(ends[kind])
        moved = f"{'fell' if size > 0 else 'rose'} {abs(size):.2f} dB"
        if abs(size) < SMALLEST_MOVE_DB:
            moved = "steady"
        elif abs(size) >= SMALLEST_FAULT_DB:  # what is smaller stands out on no day
            moved += f" about {_day(first_day + np.timedelta64(day, 'D'))}"
        parts.append(f"{name} {moved}")
    return "power: " + ", ".join(parts) if parts else otherwise


def _day(day: np.datetime64) -> str:
    at = day.astype("datetime64[D]").astype(object)
    return f"{at.day} {at:%b %Y}"


def _percent(share: float) -> str:
    if 0 < share < 0.01:
        return "<1 %"
    return ">99 %" if share > 0.99 else f"{100 * share:.0f} %"


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:]


__all__ = ["Evidence", "Rows", "by_source", "moments", "places"]
