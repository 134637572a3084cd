"""What the other circuits over an element say of a fault there, for it or against it.

In: pairs of case and hypothesis with the evidence of the circuit itself. Out: the evidence of its neighbours per
pair. A trunk whose bend would dim twelve circuits is not bent where eleven of them did not move.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.health.circuit_cases import Cases
from planner.health.evidence_sources import LEVEL, NEIGHBOURS, POWER, log_total
from planner.health.face_looks import Looks, bad_from_the_start, still_bad
from planner.health.fault_laws import (
    ALONE,
    ALONE_ARRAY_FACE,
    ALONE_ONE_FIBRE,
    BEFORE_TOUCHES,
    CODE,
    JOINT_CAUSES,
    OFFSET_COLUMNS,
    PATH_CAUSES,
    PATH_COLUMN,
    SIZES_DB,
    SPARED,
    SPARED_ARRAY_FACE,
    TOUCH_SPREAD,
    offset_share,
    shape_law,
    size_law,
)
from planner.health.hypotheses import ELEMENT_KINDS, PATH, Hypotheses
from planner.health.shared_onsets import Onsets, weigh_together
from planner.health.touches import Touches

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

DAY_STEP, SIZE_STEP = 2, 2  # grid on which a fault that hits one fibre is weighed


class Neighbours:
    """What the other circuits over an element add for it or against it.

    For an element e of circuits C(e) and its hypothesis on circuit c: mean over the day of onset (a joint's by when
    it was opened) of (1 - spared) Lambda_c(day) times the product over the others of [(1 - spared) Lambda(day)
    + spared W], where W is what explains a circuit without e. Against it stands that every other circuit has a fault
    of its own or none, and that e or any other element of c is at fault for the others but spared c: else a fault of
    the others would be laid on a circuit that changed for a reason of its own. What stands against is the same for
    all elements of c, so that they differ by what speaks for each: how common its fault is, when it was opened, what
    is believed of it.
    """

    def __init__(
        self,
        sources: FloatArray,
        case: IntArray,
        hypothesis: IntArray,
        hypotheses: Hypotheses,
        cases: Cases,
        touches: Touches,
        looks: Looks,
    ) -> None:
        self.case, self.cases = case, len(cases.circuit)
        self.pairs, self.start, self.size = _shared_pairs(case, hypothesis, hypotheses, cases)
        pairs = self.pairs
        cause = hypotheses.cause[hypothesis[pairs]]
        column = np.array([PATH_COLUMN.get(code, 0) for code in range(len(CODE))])[cause]
        fibres = hypotheses.fibres[hypothesis[pairs]]
        array_face = (hypotheses.element_kind[hypothesis[pairs]] == ELEMENT_KINDS.index("connector")) & (fibres > 1)
        spared = _by_cause(SPARED, SPARED_ARRAY_FACE, cause, array_face)
        self.alone = _by_cause(ALONE, ALONE_ARRAY_FACE, cause, array_face)
        # where all circuits ride on one fibre a break hits them all
        self.alone = np.where(fibres == 1, np.minimum(self.alone, ALONE_ONE_FIBRE), self.alone)
        without = self._without(sources[:, :NEIGHBOURS].sum(axis=1))
        rows = cases.computed[case[pairs]]
        heads = pairs[self.start]
        joint = np.where(np.isin(cause[self.start], JOINT_CAUSES), hypotheses.joint[hypothesis[heads]], -1)
        onsets = _onsets_of(touches, looks, joint, hypotheses.element[hypothesis[heads]], cause[self.start])
        joint, others_only = _joint_evidence(
            cases, rows, column, spared, fibres == 1, without, self.start, self.size, onsets
        )
        self.gain = joint - sources[pairs, POWER:LEVEL].sum(axis=1)
        self.others_only = others_only + np.log(spared)

    def weigh(self, total: FloatArray, rate: FloatArray) -> FloatArray:
        """Log evidence per pair; zero for elements of one weighed circuit.

        Parameters
        ----------
        total
            Log weight of every pair without its neighbours.
        rate
            Log probability of every pair's fault before any reading.
        """
        result = np.zeros(len(self.case))
        if len(self.pairs) == 0:
            return result
        case = self.case[self.pairs]
        # what explains the other circuits by faults of their own: of none of the elements they share
        own = total.copy()
        own[self.pairs] = -np.inf
        others = log_total(own, self.case, self.cases)[case]
        others = np.repeat(np.add.reduceat(others, self.start), self.size) - others
        # that some element of the circuit, whichever, is at fault for the others but spared it
        spared = rate[self.pairs] + self.others_only - others
        against = others + np.logaddexp(0.0, log_total(spared, case, self.cases))[case]
        # the others speak only if the fault hits more than this one
        result[self.pairs] = np.logaddexp(np.log1p(-self.alone) + self.gain - against, np.log(self.alone))
        return result

    def _without(self, total: FloatArray) -> FloatArray:
        """Log evidence of each pair's circuit without the element."""
        evidence = log_total(total, self.case, self.cases)[self.case[self.pairs]]
        share = np.exp(np.minimum(total[self.pairs] - evidence, -1e-9))
        return np.asarray(evidence + np.log1p(-share), np.float64)


def _shared_pairs(
    case: IntArray, hypothesis: IntArray, hypotheses: Hypotheses, cases: Cases
) -> tuple[IntArray, IntArray, IntArray]:
    """Pairs whose element and cause several circuits have, one of them changed; start and size of each group."""
    nothing = np.zeros(0, np.int64)
    cause = hypotheses.cause[hypothesis]
    row = cases.computed[case]
    usable = (case < int(hypotheses.circuit.max(initial=-1)) + 1) & (row >= 0)
    usable &= hypotheses.family[hypothesis] == PATH
    usable &= cases.has_power_of[cases.circuit[case]]
    usable &= hypotheses.element_kind[hypothesis] > 0  # what lies on an unknown path is shared with nobody
    pairs = np.flatnonzero(usable)
    if len(pairs) == 0:
        return nothing, nothing, nothing
    key = hypotheses.element[hypothesis[pairs]] * len(CODE) + cause[pairs]
    order = np.argsort(key, kind="stable")
    pairs, key = pairs[order], key[order]
    start = np.flatnonzero(np.concatenate(([True], key[1:] != key[:-1])))
    size = np.diff(np.concatenate((start, [len(key)])))
    changed = (cases.last_day >= cases.first_day)[case[pairs]]
    kept = (size > 1) & np.logical_or.reduceat(changed, start)
    pairs, size = pairs[np.repeat(kept, size)], size[kept]
    return pairs, np.asarray(np.cumsum(size) - size, np.int64), size


def _by_cause(
    shares: dict[str, float], array_share: float, cause: NDArray[np.integer], array_face: NDArray[np.bool_]
) -> FloatArray:
    """The share of each pair's cause; another for end faces of several fibres."""
    table = np.full(len(CODE), 0.5)
    for name, share in shares.items():
        table[CODE[name]] = share
    return np.where(array_face, array_share, table[cause])


def _joint_evidence(
    cases: Cases,
    row: IntArray,
    column: IntArray,
    spared: FloatArray,
    one_fibre: NDArray[np.bool_],
    without: FloatArray,
    start: IntArray,
    size: IntArray,
    onsets: list[OnsetWeights],
) -> tuple[FloatArray, FloatArray]:
    """Log evidence, for each member of each group, that a fault of one onset hit it and perhaps the others; and
    that it hit the others, perhaps, and spared this one.

    `without` is the log evidence of each member's circuit without the element: what speaks where it was spared.
    Where all circuits ride on one fibre (the common part of a passive tree) they lose the same, else each
    its own. `onsets` says of each group when its fault may have begun.
    """
    joint, others = np.zeros(int(size.sum())), np.zeros(int(size.sum()))
    groups = []
    for number in range(len(size)):
        members = np.arange(start[number], start[number] + size[number])
        order = members[np.argsort(row[members], kind="stable")]
        first = order[0]
        key = (bool(one_fibre[first]), int(column[first]), float(spared[first]), onsets[number].key)
        groups.append((row[order].tobytes(), key, without[order].tobytes(), number, order))
    # those on the same circuits one after the other: what the circuits say of a fault is worked out once, and of
    # elements that are weighed alike the first speaks for all
    groups.sort(key=lambda group: group[:4])
    before, circuits, hits = None, b"", _Hits(cases, np.zeros(0, np.int64))
    found = np.zeros(0), np.zeros(0)
    for rows, key, left, number, order in groups:
        if rows != circuits:
            circuits, hits = rows, _Hits(cases, np.frombuffer(rows, row.dtype))
        if (rows, key, left) != before:
            before, found = (rows, key, left), hits.weigh(*key[:3], onsets[number], without[order])
        joint[order], others[order] = found
    return joint, others


class _Hits:
    """What some circuits say of a fault that they share; each size and each cause is worked out once."""

    def __init__(self, cases: Cases, rows: IntArray) -> None:
        self.cases, self.rows = cases, rows
        self.of_column: dict[int, tuple[Onsets, Onsets]] = {}
        days, shapes = len(range(0, cases.loss_a.shape[1], DAY_STEP)), cases.loss_a.shape[2]
        self.of_size = Onsets(
            np.empty((len(SIZES_DB), shapes, days, len(rows)), np.float32), np.empty((len(SIZES_DB), shapes, len(rows)))
        )
        self.known = np.zeros(len(SIZES_DB), np.bool_)

    def weigh(
        self, one_fibre: bool, column: int, spared: float, onset: OnsetWeights, without: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """With each circuit hit and perhaps the others, and of the others alone; shape (circuits,) each."""
        when = onset_law(onset, self.cases.evidence.shape[1])
        if not one_fibre:
            return weigh_together(*self._days(column), np.zeros(1, np.int64), np.log(when)[None, None], spared, without)
        law = size_law(PATH_CAUSES[column])
        used = np.flatnonzero(law > 0)[::SIZE_STEP]
        steps = np.arange(0, len(when), DAY_STEP)
        coarse = np.add.reduceat(when, steps) / np.diff(np.append(steps, len(when)))
        log_prior = (
            np.log(law[used] / law[used].sum())[:, None, None]
            + np.log(shape_law(PATH_CAUSES[column]))[None, :, None]
            + np.log(coarse)[None, None, :]
        )
        onsets = self._sizes(used)
        return weigh_together(onsets, onsets, used, log_prior, spared, without)

    def _days(self, column: int) -> tuple[Onsets, Onsets]:
        """Of one circuit and of the others, sizes integrated out.

        A new mating of an array draws each fibre's offset by itself: the others' may be large or small.
        """
        if column not in self.of_column:
            evidence = self.cases.evidence[self.rows]
            hit = others = Onsets.of_days(evidence[:, :, column])
            if column in OFFSET_COLUMNS:
                large = offset_share(self.cases.offset_scale_db)
                shares = np.log(np.clip([large, 1 - large], 1e-6, 1.0)).astype(np.float32)
                both = (evidence[:, :, c] + s for c, s in zip(OFFSET_COLUMNS, shares, strict=True))
                others = Onsets.of_days(np.logaddexp(*both))
            self.of_column[column] = hit, others
        return self.of_column[column]

    def _sizes(self, used: IntArray) -> Onsets:
        """By size, for those used at least."""
        more = used[~self.known[used]]
        if len(more):
            new = Onsets.of_sizes(self.cases.loss_a, self.cases.loss_b, self.rows, SIZES_DB[more], DAY_STEP)
            self.of_size.weight[more], self.of_size.top[more] = new.weight, new.top
            self.known[more] = True
        return self.of_size


@dataclass(frozen=True)
class OnsetWeights:
    """When a fault may have begun: weights of touches by `day`, `unrecorded` in all for other days, and `before` the
    first reading. `key` is the same for equal weights; one of no joint may begin any day.
    """

    key: bytes
    day: IntArray
    weight: FloatArray
    unrecorded: float
    before: float


def _onsets_of(
    touches: Touches, looks: Looks, joint: IntArray, element: IntArray, cause: NDArray[np.integer]
) -> list[OnsetWeights]:
    """Of each fault: the touches of its joint, as far as what began then may still be there."""
    fault, place = touches.of(joint)
    start = np.searchsorted(fault, np.arange(len(joint) + 1))
    day = touches.day[place]
    weight = touches.share[place] * still_bad(looks, element[fault], day.astype(np.float64), cause[fault])
    before = BEFORE_TOUCHES * bad_from_the_start(looks, element, cause)
    found = []
    for number in range(len(joint)):
        own = slice(int(start[number]), int(start[number + 1]))
        key = b"" if joint[number] < 0 else day[own].tobytes() + weight[own].tobytes() + before[number].tobytes()
        found.append(OnsetWeights(key, day[own], weight[own], touches.unrecorded, float(before[number])))
    return found


def onset_law(onset: OnsetWeights, days: int) -> FloatArray:
    """Probability of each day to be the onset of a fault, times the number of days; ones for one of no joint.

    The days on which its joint was opened, as readings show them, a background, and the rest before the first reading.
    """
    if not onset.key:
        return np.ones(days)
    law = np.full(days, onset.unrecorded / max(days, 1))
    for later, part in TOUCH_SPREAD:
        shown = onset.day + later
        inside = (shown >= 0) & (shown < days)
        np.add.at(law, shown[inside], part * onset.weight[inside])
    return np.asarray(law * days / (onset.unrecorded + onset.before + onset.weight.sum()))
