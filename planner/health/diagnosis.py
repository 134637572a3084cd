"""Posterior over what is wrong with each circuit, element by element, with the evidence for it.

In: hypotheses with their prior, cases with the likelihood of their readings by day and cause, touches of
the joints, what was done to the end faces, traces, absolute loss. Out: one weight per pair of case and
hypothesis, split by source of evidence, and probabilities that sum to one per case.

Sources are added in a fixed order, so the lines shown add up to the log-odds: how common the cause is, the
end-face belief, received and launched power, loss tests, timing against touches, loss that stood before the
first reading, reflectance and place, other circuits over the same element.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.health.absolute_levels import Before
from planner.health.circuit_cases import Cases
from planner.health.evidence_sources import (
    BELIEF,
    COMMON,
    LEVEL,
    NEIGHBOURS,
    POWER,
    SOURCES,
    TESTS,
    TIMING,
    TRACE,
    log_total,
    normalised,
)
from planner.health.face_looks import Looks, bad_from_the_start, still_bad
from planner.health.fault_laws import (
    BEFORE_TOUCHES,
    CODE,
    FACE_CAUSES,
    JOINT_CAUSES,
    OFFSETS,
    PATH_CAUSES,
    PATH_COLUMN,
    SMALL_SHIFT_SHARE,
    TOUCH_SPREAD,
    log_costing,
    offset_share,
)
from planner.health.hypotheses import (
    LAUNCH_A,
    LAUNCH_Z,
    NOTHING,
    PATH,
    RECEIVER_A,
    RECEIVER_Z,
    RECORD,
    Hypotheses,
)
from planner.health.neighbours import Neighbours
from planner.health.touches import Touches

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

OLDER_OFFSET = 0.3  # weight of an offset at a touch that was not the joint's last
BEFORE_SHARE = 0.25  # of bends, splices, transceivers: so before the first reading
QUIET_POWER, QUIET_TESTS = 0.02, 0.3  # what is left of a within-history fault where nothing moved
ROUNDS = 4
PRIOR_CASES = 20.0  # weight of the prior share of each cause when it is learned, in circuits
LEARNING_LIMITS = (0.2, 5.0)
# what is rare by our estimate may be far commoner in some fleet: bends, splices, breaks, large offsets
MOST_OF_RARE = 20.0
LEARNED_TOGETHER = np.arange(len(CODE))  # cause whose factor each cause takes
LEARNED_TOGETHER[CODE["damaged_end_face"]] = CODE["contamination"]


@dataclass
class Weighed:
    """Pairs of case and hypothesis with the log evidence of each source, shape (pairs, sources)."""

    case: IntArray
    hypothesis: IntArray
    log_evidence: FloatArray
    onset_day: FloatArray  # NaN: before the first reading or not known
    probability: FloatArray
    leading_case: IntArray  # per circuit, the case that most probably is the worst fault
    before: Before  # per circuit, what absolute loss says
    learned: dict[str, float]


def weigh_hypotheses(
    hypotheses: Hypotheses,
    cases: Cases,
    touches: Touches,
    looks: Looks,
    before: Before,
    touch_count: FloatArray,
    days: int,
    ordered_causes: dict[str, float],
    costing_share: float | None = None,
    trace_evidence: FloatArray | None = None,
) -> Weighed:
    """Weigh every hypothesis of every case and learn how common each cause is in this fleet.

    Parameters
    ----------
    hypotheses
        All circuits' hypotheses.
    cases
        Main case of every circuit first; further cases after.
    touches, looks
        Of the joints and end faces on computed circuits.
    before
        What absolute loss says of every circuit.
    touch_count
        Matings per joint (`Hypotheses.ports`), for circuits whose readings were not weighed.
    days
        Days on the axis of the series.
    ordered_causes
        Shares of causes from closed work orders, corrected for wrong codes, times the orders they rest
        on; empty if there are none.
    costing_share
        Share of dirt that costs light, where it was learned apart (`planner.health.dirt_costs`).
    trace_evidence
        Log evidence of OTDR traces per hypothesis; zeros if none.

    Returns
    -------
    `Weighed`; probabilities sum to 1 over the pairs of each case.
    """
    case, hypothesis = _pairs(hypotheses, cases)
    sources = np.zeros((len(case), len(SOURCES)))
    common = hypotheses.rate[hypothesis] + _offset_size_share(hypotheses, hypothesis, cases.offset_scale_db)
    sources[:, COMMON] = common
    sources[:, BELIEF] = hypotheses.belief[hypothesis]
    onset = _weigh_readings(sources, case, hypothesis, hypotheses, cases, touches, looks, touch_count, before, days)
    cause = hypotheses.cause[hypothesis]
    main = case < int(hypotheses.circuit.max(initial=-1)) + 1
    if trace_evidence is not None:
        sources[:, TRACE] = trace_evidence[hypothesis] * main
    prior = normalised(common + sources[:, BELIEF], case)[main]
    rounds = _Learning(cause[main], _shares(hypotheses, hypothesis[main]), prior, ordered_causes)
    factor = np.zeros(len(CODE))
    neighbours = Neighbours(sources, case, hypothesis, hypotheses, cases, touches, looks)
    cured = _Cured(case, hypothesis, hypotheses, cases, looks)
    tested = sources[:, TESTS].copy()
    for _ in range(ROUNDS):
        sources[:, COMMON] = common + factor[cause]
        sources[:, TESTS] = tested
        sources[:, TESTS] += cured.weigh(sources[:, :NEIGHBOURS].sum(axis=1), sources[:, BELIEF])
        total = sources[:, :NEIGHBOURS].sum(axis=1)
        sources[:, NEIGHBOURS] = neighbours.weigh(total, sources[:, COMMON] + sources[:, BELIEF])
        probability = normalised(total + sources[:, NEIGHBOURS], case)
        factor = rounds.update(probability[main])
        if costing_share is not None:
            # faults that were found and what cleaning won each tell it, both poorly: between the two
            factor[FACE_CAUSES] = 0.5 * (factor[FACE_CAUSES] + log_costing(costing_share))
    learned = {name: float(np.exp(factor[code])) for name, code in CODE.items()}
    leading = _leading_cases(cases, case, cause, probability, int(hypotheses.circuit.max(initial=-1)) + 1)
    return Weighed(case, hypothesis, sources, onset, probability, leading, before, learned)


class _Cured:
    """What tests showed may be gone: of circuits that tests alone tell, dirt that was cleaned away after the last one.

    That an end face was dirty then is taken to be as probable as of any other; that it no longer is, by what was done
    to it since. Nothing is wrong now in that case.
    """

    def __init__(
        self, case: IntArray, hypothesis: IntArray, hypotheses: Hypotheses, cases: Cases, looks: Looks
    ) -> None:
        self.case, self.cases = case, len(cases.circuit)
        self.calm = np.flatnonzero(hypotheses.family[hypothesis] == NOTHING)
        last = cases.last_test_of[cases.circuit[case]]
        dirt = (hypotheses.cause[hypothesis] == CODE["contamination"]) & (hypotheses.family[hypothesis] == PATH)
        self.dirt = np.flatnonzero(dirt & ~np.isnan(last) & (hypotheses.joint[hypothesis] >= 0))
        own = hypothesis[self.dirt]
        kept = still_bad(looks, hypotheses.element[own], last[self.dirt] + 1.0, hypotheses.cause[own])
        with np.errstate(divide="ignore"):
            self.gone = np.log(1.0 - kept)

    def weigh(self, total: FloatArray, belief: FloatArray) -> FloatArray:
        """What that adds, for each pair, to the log weight of nothing being wrong now.

        `total`, `belief`: log weight of every pair, and what of it is what is believed of its end face now.
        """
        result = np.zeros(len(self.case))
        then = (total - belief)[self.dirt] + self.gone
        gone = log_total(then, self.case[self.dirt], self.cases)[self.case[self.calm]]
        result[self.calm] = np.logaddexp(total[self.calm], gone) - total[self.calm]
        return result


def _offset_size_share(hypotheses: Hypotheses, hypothesis: IntArray, offset_scale_db: float) -> FloatArray:
    """Log share of a joint's offsets that are large enough to name, or not; 0 for other hypotheses."""
    large = offset_share(offset_scale_db)
    path = hypotheses.family[hypothesis] == PATH
    cause = hypotheses.cause[hypothesis]
    named, small = path & (cause == CODE["remating_offset"]), path & (cause == CODE["nothing"])
    return np.where(named, np.log(max(large, 1e-6)), np.where(small, np.log(max(1 - large, 1e-6)), 0.0))


def _leading_cases(
    cases: Cases, case: IntArray, cause: NDArray[np.integer], probability: FloatArray, circuits: int
) -> IntArray:
    """The case of each circuit with the most decibels at fault: size times the probability of a fault."""
    harmless = np.isin(cause, [CODE["nothing"], CODE["remating_offset"], CODE["record_error"]])
    fault = np.bincount(case, weights=np.where(harmless, 0.0, probability), minlength=len(cases.circuit))
    worth = fault * np.maximum(cases.size_db, 0.01)
    order = np.lexsort((np.arange(len(worth)), -worth, cases.circuit))
    first = np.concatenate(([True], np.diff(cases.circuit[order]) > 0)) if len(order) else np.zeros(0, np.bool_)
    leading = np.arange(circuits)
    leading[cases.circuit[order][first]] = order[first]
    return leading


def _pairs(hypotheses: Hypotheses, cases: Cases) -> tuple[IntArray, IntArray]:
    """Case and hypothesis numbers of every pair, ordered by case."""
    circuits = int(hypotheses.circuit.max(initial=-1)) + 1
    start = np.searchsorted(hypotheses.circuit, np.arange(circuits + 1))
    size = np.diff(start)[cases.circuit]
    case = np.repeat(np.arange(len(cases.circuit)), size)
    first = np.repeat(start[cases.circuit] - np.concatenate(([0], np.cumsum(size)[:-1])), size)
    return case, np.arange(len(case)) + first


def _weigh_readings(
    sources: FloatArray,
    case: IntArray,
    hypothesis: IntArray,
    hypotheses: Hypotheses,
    cases: Cases,
    touches: Touches,
    looks: Looks,
    touch_count: FloatArray,
    before: Before,
    days: int,
) -> FloatArray:
    """Fill power, tests, timing and level; return the most probable onset day of each pair."""
    family = hypotheses.family[hypothesis]
    cause = hypotheses.cause[hypothesis]
    row = cases.computed[case]
    weighed = row >= 0
    circuit = cases.circuit[case]
    onset = np.full(len(case), np.nan)
    column = np.full(len(CODE), -1)
    column[list(PATH_COLUMN)] = list(PATH_COLUMN.values())
    place: IntArray = column[cause]
    # the level of a circuit speaks in one of its cases
    has_level = case == cases.standing_case[circuit]
    stood = np.where(has_level, before.path[circuit, place], 0.0)
    # a launch that dims shows in its own monitor
    receives = np.isin(family, (RECEIVER_Z, RECEIVER_A))
    reads_low = np.where(has_level & receives, before.receiver[circuit], 0.0)

    for series, (kind, values, side) in enumerate(
        (
            (RECEIVER_Z, cases.receiver, 0),
            (RECEIVER_A, cases.receiver, 1),
            (LAUNCH_A, cases.launch, 0),
            (LAUNCH_Z, cases.launch, 1),
        )
    ):
        pick = weighed & (family == kind)
        if pick.any():
            sources[pick, POWER] = values[row[pick], side]
            onset[pick] = cases.end_day[row[pick], series]
    receiver = weighed & receives
    sources[receiver, LEVEL] = np.logaddexp(np.log(1 - BEFORE_SHARE), np.log(BEFORE_SHARE) + reads_low[receiver])
    calm = weighed & (family == NOTHING)
    shifted = cases.power_mean[row[calm], PATH_CAUSES.index("nothing")]
    sources[calm, POWER] = np.logaddexp(np.log(1 - SMALL_SHIFT_SHARE), np.log(SMALL_SHIFT_SHARE) + shifted)
    record = family == RECORD
    sources[record, TESTS] = before.record[circuit[record]]

    path = (family == PATH) & weighed
    sources[path, POWER] = cases.power_mean[row[path], place[path]]
    sources[path, TESTS] = (cases.tested_mean - cases.power_mean)[row[path], place[path]]
    onset[path] = cases.best_day[row[path]]
    uniform = path & ~np.isin(cause, JOINT_CAUSES)
    mean = cases.tested_mean[row[uniform], place[uniform]]
    since, early = np.log(1 - BEFORE_SHARE) + mean, np.log(BEFORE_SHARE)
    timing = np.logaddexp(since, early)
    sources[uniform, TIMING] = timing - mean
    sources[uniform, LEVEL] = np.logaddexp(since, early + stood[uniform]) - timing
    joint = np.flatnonzero(path & np.isin(cause, JOINT_CAUSES))
    _weigh_timing(sources, onset, joint, case, hypothesis, hypotheses, cases, touches, looks, stood, place, days)

    quiet = (family == PATH) & ~weighed
    matings = np.where(
        hypotheses.joint[hypothesis] >= 0,
        touch_count[np.maximum(hypotheses.joint[hypothesis], 0)] if len(touch_count) else 0.0,
        0.0,
    )
    is_joint = np.isin(cause, FACE_CAUSES)
    early = np.where(is_joint, BEFORE_TOUCHES / (BEFORE_TOUCHES + touches.unrecorded + matings), BEFORE_SHARE)
    early = np.where(np.isin(cause, OFFSETS), 0.0, early)
    read, by_tests = cases.has_power_of[circuit], ~np.isnan(cases.last_test_of[circuit])
    # what is left of a fault that came while measured, and how much of the time is measured
    left = np.where(read, QUIET_POWER, np.where(cases.retested_of[circuit], QUIET_TESTS, 1.0))
    tested = np.clip((np.nan_to_num(cases.last_test_of[circuit], nan=-1.0) + 1.0) / max(days, 1), 0.0, 1.0)
    measured = np.where(read, 1.0, tested)

    def fill_quiet(
        pairs: NDArray[np.bool_], share: FloatArray, level: FloatArray, left: FloatArray, by_tests: NDArray[np.bool_]
    ) -> None:
        """Log evidence of faults that came before the readings, or since and show in nothing.

        The level of a test holds what came since too, up to the day of the test.
        """

        def unseen(ratio: FloatArray) -> FloatArray:
            since = measured[pairs] * left[pairs] * np.where(by_tests[pairs], ratio, 1.0) + 1.0 - measured[pairs]
            return np.asarray(np.log(share * ratio + (1 - share) * since), np.float64)

        sources[pairs, POWER] = unseen(np.ones(len(level)))
        sources[pairs, LEVEL] = unseen(np.exp(np.clip(level, -30, 30))) - sources[pairs, POWER]

    fill_quiet(quiet, early[quiet], stood[quiet], left, by_tests)
    ends = ~weighed & np.isin(family, (RECEIVER_Z, RECEIVER_A, LAUNCH_A, LAUNCH_Z))
    # no loss test tells of the equipment
    of_ends = np.where(read, left, 1.0), np.zeros(len(read), np.bool_)
    fill_quiet(ends, np.full(int(ends.sum()), 0.5 * BEFORE_SHARE), reads_low[ends], *of_ends)
    return onset


def _weigh_timing(
    sources: FloatArray,
    onset: FloatArray,
    pairs: IntArray,
    case: IntArray,
    hypothesis: IntArray,
    hypotheses: Hypotheses,
    cases: Cases,
    touches: Touches,
    looks: Looks,
    stood: FloatArray,
    place: IntArray,
    days: int,
) -> None:
    """Timing and level of joint faults: weight 1 per touch of the joint, a background, and before the first reading.

    A touch weighs less when the face was cleaned or passed a look afterwards.
    """
    if len(pairs) == 0 or days == 0:
        return
    row, column = cases.computed[case[pairs]], place[pairs]
    own = hypotheses.joint[hypothesis[pairs]]
    cause = hypotheses.cause[hypothesis[pairs]]
    element = hypotheses.element[hypothesis[pairs]]
    offset = np.isin(cause, OFFSETS)
    mean = cases.tested_mean[row, column]
    level = np.where(offset, 0.0, stood[pairs])

    pair, row_of = touches.of(own)
    day = touches.day[row_of]
    kept = touches.share[row_of] * still_bad(looks, element[pair], day.astype(np.float64), cause[pair])
    # a later mating draws the offset anew
    newest = row_of == touches.start[own[pair] + 1] - 1
    kept = np.where(offset[pair] & ~newest, OLDER_OFFSET * touches.share[row_of], kept)
    ahead = bad_from_the_start(looks, element, cause)
    # touches before the first reading add to "before"
    old = day < 1
    weight_before = BEFORE_TOUCHES * ahead
    np.add.at(weight_before, pair[old], kept[old])
    weight_before = np.where(offset, 0.0, weight_before)
    pair, day, kept = pair[~old], day[~old], kept[~old]

    shift = np.maximum(mean, np.where(offset, mean, np.maximum(level, 0.0)))
    at_touch = np.full(len(pair), -np.inf)
    for later, share in TOUCH_SPREAD:
        shown = np.clip(day + later, 0, days - 1)
        seen = cases.evidence[row[pair], shown, column[pair]].astype(np.float64) + np.log(share)
        at_touch = np.logaddexp(at_touch, np.where(day + later < days, seen, -np.inf))
    np.maximum.at(shift, pair, at_touch)
    background = touches.unrecorded * np.exp(mean - shift)
    touch_mass = kept * np.exp(at_touch - shift[pair])
    since = background.copy()
    np.add.at(since, pair, touch_mass)
    before_mass = weight_before * np.exp(-shift)
    standing_mass = weight_before * np.exp(level - shift)
    total = touches.unrecorded + weight_before
    np.add.at(total, pair, kept)
    sources[pairs, TIMING] = np.log((since + before_mass) / total) + shift - mean
    sources[pairs, LEVEL] = np.log((since + standing_mass) / (since + before_mass))

    # the most probable onset: the best touch, else the day the readings point to, else before
    best_touch = np.zeros(len(pairs))
    np.maximum.at(best_touch, pair, touch_mass)
    lead = touch_mass >= best_touch[pair]
    touched_day = np.full(len(pairs), np.nan)
    touched_day[pair[lead]] = day[lead]
    onset[pairs] = np.where(
        (standing_mass > background) & (standing_mass > best_touch),
        np.nan,
        np.where(best_touch >= background, touched_day, onset[pairs]),
    )


def _shares(hypotheses: Hypotheses, hypothesis: IntArray) -> FloatArray:
    """One over the number of circuits that have the same fault among their hypotheses: it is one fault, not many."""
    key = hypotheses.element[hypothesis] * len(CODE) + hypotheses.cause[hypothesis]
    _, place, count = np.unique(key, return_inverse=True, return_counts=True)
    known = hypotheses.element_kind[hypothesis] > 0
    return np.asarray(np.where(known, 1.0 / count[place], 1.0), np.float64)


class _Learning:
    """Learns how much more or less common each cause is here than its prior says (empirical Bayes).

    Light cannot tell dirt from damage: they share one factor, and the beliefs about end faces keep them apart. A
    fault that several circuits share counts once, each circuit telling its `share` of it.
    """

    def __init__(
        self, cause: NDArray[np.integer], share: FloatArray, prior: FloatArray, ordered_causes: dict[str, float]
    ) -> None:
        self.kind, self.share = LEARNED_TOGETHER[cause], share
        self.expected = np.bincount(self.kind, weights=prior * share, minlength=len(CODE))
        self.orders = np.zeros(len(CODE))
        for name, weight in ordered_causes.items():
            self.orders[LEARNED_TOGETHER[CODE[name]]] += weight

    def update(self, probability: FloatArray) -> FloatArray:
        """Log factor per cause: found against expected, held near 1 while little was found."""
        found = np.bincount(self.kind, weights=probability * self.share, minlength=len(CODE))
        faults = np.array([name not in ("nothing", "record_error") for name in CODE])
        pseudo = PRIOR_CASES * self.expected[faults] / max(self.expected[faults].sum(), 1e-9)
        factor = np.ones(len(CODE))
        seen = found[faults] + self.orders[faults]
        # orders tell the shares of causes, not how many there are now
        scale = 1.0 + self.orders[faults].sum() / max(found[faults].sum() + PRIOR_CASES, 1e-9)
        expected = self.expected[faults] + pseudo
        # a cause that no circuit can have keeps its prior
        factor[faults] = np.where(expected > 0, seen / scale + pseudo, 1.0) / np.where(expected > 0, expected, 1.0)
        factor = factor[LEARNED_TOGETHER]
        most = np.full(len(CODE), LEARNING_LIMITS[1])
        most[[CODE[name] for name in ("bend", "splice", "fibre_break", "remating_offset")]] = MOST_OF_RARE
        return np.asarray(np.log(np.clip(factor, LEARNING_LIMITS[0], most)), np.float64)
