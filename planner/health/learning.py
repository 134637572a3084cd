"""What the fleet's own history says of exposure, transfer, cleaning and looking: EM with priors.

Classes of operations say what an opening, cleaning, look or wait was about (place, method, person, test set);
`Rates` holds the figures, `tables_of` turns them into matrices for the sweeps, `updated` re-estimates them
from expected counts in closed form. Sites, technicians, test sets and batches are shrunk towards the fleet
(empirical Bayes). All priors are assumptions, weak against a few thousand events.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from planner.health.episodes import WAITS, Operations
from planner.health.sweeps import Counts, Tables, backward, forward, no_messages

Float64 = npt.NDArray[np.float64]
Float32 = npt.NDArray[np.float32]
Int32 = npt.NDArray[np.int32]

ENVIRONMENTS = ("controlled", "indoor", "outdoor", "unknown")
FACE_KINDS = ("plug", "built_in", "test_cord")
METHODS = (
    "dry_pen",
    "dry_cassette",
    "dry_stick",
    "dry_wipe",
    "wet_dry_wipe",
    "wet_dry_stick",
    "unknown",
    "not_recorded",  # what becomes of an end face that was found dirty and closed without a recorded cleaning
)
BASES = len(ENVIRONMENTS) * len(FACE_KINDS) * 2  # environment x kind of end face x (recorded, implied)

# Prior means and strengths (pseudo-cases); assumptions, no published figure is known.
EXPOSURE_PRIOR = {"controlled": 0.03, "indoor": 0.08, "outdoor": 0.15, "unknown": 0.08}
EXPOSURE_STRENGTH = 14.0
IMPLIED_SHARE = 0.5  # an opening that only a look or cleaning tells of
TRANSFER_PRIOR, TRANSFER_STRENGTH = 0.5, 6.0
DAMAGE_PRIOR, DAMAGE_STRENGTH = 0.02, 60.0
CLEANING_PRIOR = np.array([0.70, 0.80, 0.75, 0.70, 0.92, 0.92, 0.75, 0.50])
CLEANING_STRENGTH = 11.0
REPEATED_SHARE = 0.6  # what survives one cleaning sticks
SOILING_PRIOR, SOILING_STRENGTH = 0.02, 50.0  # a cleaning that makes a clean end face dirty
LOOK_PRIOR = np.array([[0.95, 0.045, 0.005], [0.12, 0.83, 0.05], [0.05, 0.15, 0.80], [0.03, 0.55, 0.42]])
LOOK_STRENGTH = np.array([1000.0, 1000.0, 60.0, 60.0])  # strong: looks alone cannot tell misses from new dirt
REPORT_PRIOR = np.array([[0.70, 0.25, 0.05], [0.35, 0.60, 0.05], [0.35, 0.25, 0.40], [0.30, 0.45, 0.25]])
REPORT_STRENGTH = 20.0
START_PRIOR = np.array([0.84, 0.145, 0.01, 0.005])
START_STRENGTH = 20.0
WAIT_PRIOR = np.array([2e-5, 2e-4])  # dirt arriving per day at rest: mated, open
WAIT_STRENGTH = 5000.0  # days
VANISHING_PRIOR, VANISHING_STRENGTH = 0.08, 300.0  # dirt gone at an opening: unrecorded cleaning, or it fell off
GROUP_CASES = 20.0  # pseudo-openings, pseudo-cleanings that shrink a site or a person
TEST_SET_CASES = 60.0
BATCH_CASES = 25.0


@dataclass(frozen=True)
class Classes:
    """What each class of operation is about; the classes lie in this order.

    `opening_base`, `opening_site`, `opening_technician` (o,); `cleaning_method`, `cleaning_technician` (c,),
    twice: the first of a job, and again after the end face was still found dirty;
    `look_outcome` (0 pass, 1 dirt, 2 damage, 3 fail without a finding), `look_test_set` (l,); 2 x WAITS waiting
    classes; 3 reports; 1 renewal. Numbers are -1 where unknown.
    `start_kind`, `start_batch` (n,) group what end faces start with.
    """

    opening_base: Int32
    opening_site: Int32
    opening_technician: Int32
    cleaning_method: Int32
    cleaning_technician: Int32
    look_outcome: Int32
    look_test_set: Int32
    start_kind: Int32
    start_batch: Int32
    sites: int
    technicians: int
    test_sets: int
    batches: int

    @property
    def first_cleaning(self) -> int:
        """Class number of the first cleaning class (the first of a job; repeated ones follow)."""
        return len(self.opening_base)

    @property
    def first_look(self) -> int:
        """Class number of the first look class."""
        return self.first_cleaning + 2 * len(self.cleaning_method)

    @property
    def first_wait(self) -> int:
        """Class number of the first waiting class."""
        return self.first_look + len(self.look_outcome)

    @property
    def first_report(self) -> int:
        """Class number of the first report class."""
        return self.first_wait + 2 * WAITS

    @property
    def renewal(self) -> int:
        """Class number of a replaced end face."""
        return self.first_report + 3

    @property
    def count(self) -> int:
        """Number of classes."""
        return self.renewal + 1


@dataclass(frozen=True)
class Rates:
    """The figures of the model; see the module text for priors.

    `exposure` (BASES,): P(an opening makes a clean end face dirty); `site`, `technician`: factors on it
    (one more entry than there are, the last for unknown). `transfer`, `damage` (2,): per mating, recorded and
    implied. `cleaning` (2, methods), first and repeated, `cleaning_technician` (t + 1,): success, and what a
    person adds to it. `soiling`: P(cleaning makes dirty). `vanishing`: P(an opening ends with
    dirt gone, unrecorded). `look` (4, 3), `look_test_set` (s + 1, 4, 3):
    P(outcome | state). `report` (4, 3). `start` (kinds, 4), `start_batch` (b + 1, 4). `wait` (2,): dirt per
    day mated, open.
    """

    exposure: Float64
    site: Float64
    technician: Float64
    transfer: Float64
    damage: Float64
    cleaning: Float64
    cleaning_technician: Float64
    soiling: float
    vanishing: float
    look: Float64
    look_test_set: Float64
    report: Float64
    start: Float64
    start_batch: Float64
    wait: Float64


def prior_exposure() -> Float64:
    """Prior mean of each exposure base, shape (BASES,)."""
    per_place = np.array([EXPOSURE_PRIOR[name] for name in ENVIRONMENTS])
    recorded = np.repeat(per_place, len(FACE_KINDS))
    return np.concatenate([recorded, IMPLIED_SHARE * recorded])


def prior_rates(classes: Classes) -> Rates:
    """The figures before anything is learned."""
    return Rates(
        exposure=prior_exposure(),
        site=np.ones(classes.sites + 1),
        technician=np.ones(classes.technicians + 1),
        transfer=np.array([TRANSFER_PRIOR, 0.5 * TRANSFER_PRIOR]),
        damage=np.array([DAMAGE_PRIOR, DAMAGE_PRIOR]),
        cleaning=np.stack([CLEANING_PRIOR, REPEATED_SHARE * CLEANING_PRIOR]),
        cleaning_technician=np.zeros(classes.technicians + 1),
        soiling=SOILING_PRIOR,
        vanishing=VANISHING_PRIOR,
        look=LOOK_PRIOR.copy(),
        look_test_set=np.tile(LOOK_PRIOR, (classes.test_sets + 1, 1, 1)),
        report=REPORT_PRIOR.copy(),
        start=np.tile(START_PRIOR, (len(FACE_KINDS), 1)),
        start_batch=np.tile(START_PRIOR, (classes.batches + 1, 1)),
        wait=WAIT_PRIOR.copy(),
    )


def of_group(values: Float64, group: Int32) -> Float64:
    """The values of groups; the last entry is for those unknown, also for those not seen when it was learned."""
    return np.asarray(values[np.where(group >= len(values) - 1, -1, group)])


def class_exposure(rates: Rates, classes: Classes) -> Float64:
    """P(dirty after | clean before) of every opening class, shape (o,)."""
    exposure = rates.exposure[classes.opening_base] * of_group(rates.site, classes.opening_site)
    return np.clip(exposure * of_group(rates.technician, classes.opening_technician), 1e-4, 0.9)


def class_cleaning(rates: Rates, classes: Classes) -> Float64:
    """P(clean after | dirty before) of every cleaning class, shape (2 c,): first of a job, repeated."""
    success = rates.cleaning[:, classes.cleaning_method] + of_group(
        rates.cleaning_technician, classes.cleaning_technician
    )
    return np.clip(success.ravel(), 0.02, 0.995)


def dirt_steps(arrives: Float64, leaves: Float64) -> Float64:
    """Matrices (k, 4, 4) in which dirt arrives and leaves with these probabilities; damage stays."""
    out = np.zeros((len(arrives), 4, 4))
    for base in (0, 2):
        out[:, base, base], out[:, base, base + 1] = 1.0 - arrives, arrives
        out[:, base + 1, base], out[:, base + 1, base + 1] = leaves, 1.0 - leaves
    return out


def seen(likelihood: Float64) -> Float64:
    """Diagonal matrices (k, 4, 4) of likelihoods (k, 4)."""
    return np.asarray(likelihood[:, :, None] * np.eye(4)[None])


def mating(transfer: float, damage: float) -> Float64:
    """The 16 x 16 matrix of a mating: two-way transfer and damage, from the states just before.

    A clean end face becomes dirty with `transfer` if the other is dirty; if either was dirty, each undamaged
    one becomes damaged with `damage`.
    """
    state = np.arange(4)
    dirt, marred = state & 1, state >> 1
    out = np.zeros((4, 4, 4, 4))
    for a in range(4):
        for b in range(4):
            either = bool(dirt[a] or dirt[b])
            sides = []
            for own, met in ((a, b), (b, a)):
                p_dirty = 1.0 if dirt[own] else (transfer if dirt[met] else 0.0)
                p_marred = 1.0 if marred[own] else (damage if either else 0.0)
                sides.append(np.where(dirt == 1, p_dirty, 1 - p_dirty) * np.where(marred == 1, p_marred, 1 - p_marred))
            out[a, b] = np.outer(*sides)
    return out.reshape(16, 16)


def look_likelihood(look: Float64, outcome: Int32) -> Float64:
    """P(outcome | state), shape (k, 4), for tables (k, 4, 3); outcome 3 is a failure without a finding."""
    rows = np.arange(len(outcome))
    named = look[rows, :, np.minimum(outcome, 2)]
    return np.where((outcome == 3)[:, None], 1.0 - look[:, :, 0], named)


def tables_of(rates: Rates, classes: Classes, days: Float64) -> Tables:
    """The matrices of all classes; `days` is the mean wait of each waiting class, shape (2 WAITS,)."""
    openings = dirt_steps(class_exposure(rates, classes), np.full(len(classes.opening_base), rates.vanishing))
    q = class_cleaning(rates, classes)
    cleanings = dirt_steps(np.full(len(q), rates.soiling), q)
    looks = seen(look_likelihood(of_group(rates.look_test_set, classes.look_test_set), classes.look_outcome))
    arrives = 1.0 - np.exp(-np.repeat(rates.wait, WAITS) * days)
    waits = dirt_steps(arrives, np.zeros(2 * WAITS))
    reports = seen(rates.report.T)
    renewal = np.tile(rates.start[0], (1, 4, 1))
    single = np.concatenate([openings, cleanings, looks, waits, reports, renewal])
    both = np.stack([mating(rates.transfer[k], rates.damage[k]) for k in range(2)])
    start = start_beliefs(rates, classes)
    return Tables(single.astype(np.float32), both.astype(np.float32), start.astype(np.float32))


def start_beliefs(rates: Rates, classes: Classes) -> Float64:
    """What every end face starts with: its kind, moved by what its batch shows; shape (n, 4)."""
    of_kind = rates.start[classes.start_kind]
    moved = of_kind * (of_group(rates.start_batch, classes.start_batch) / rates.start_batch[-1])
    return np.asarray(moved / moved.sum(axis=1, keepdims=True))


def _grouped(group: Int32, groups: int, weights: Float64) -> Float64:
    """Sum of weights by group; group -1 goes to the last of `groups` + 1 entries."""
    return np.asarray(
        np.bincount(np.where(group < 0, groups, group), weights=weights, minlength=groups + 1), dtype=np.float64
    )


def _beta(successes: Float64, cases: Float64, mean: Float64, strength: float) -> Float64:
    return np.asarray((successes + mean * strength) / (cases + strength))


def updated(rates: Rates, classes: Classes, counts: Counts, days: Float64) -> Rates:
    """The figures re-estimated from expected counts (posterior means under the priors)."""
    o, c, wait = classes.first_cleaning, classes.first_look, classes.first_wait
    opening, cleaning = counts.single[:o], counts.single[o:c]
    clean_opened = opening[:, 0].sum(axis=1) + opening[:, 2].sum(axis=1)
    soiled = opening[:, 0, 1] + opening[:, 2, 3]
    site = rates.site[classes.opening_site]
    person = rates.technician[classes.opening_technician]
    exposure = _beta(
        np.asarray(np.bincount(classes.opening_base, weights=soiled, minlength=BASES), dtype=np.float64),
        np.asarray(
            np.bincount(classes.opening_base, weights=clean_opened * site * person, minlength=BASES), dtype=np.float64
        ),
        prior_exposure(),
        EXPOSURE_STRENGTH,
    )
    expected = clean_opened * exposure[classes.opening_base]
    mean = float(soiled.sum() / max(clean_opened.sum(), 1.0)) + 1e-6
    pseudo = GROUP_CASES * mean

    def factor(group: Int32, groups: int, other: Float64) -> Float64:
        out = (_grouped(group, groups, soiled) + pseudo) / (_grouped(group, groups, expected * other) + pseudo)
        out[-1] = 1.0
        return np.clip(out, 0.1, 8.0)

    site_factor = factor(classes.opening_site, classes.sites, person)
    person_factor = factor(classes.opening_technician, classes.technicians, site_factor[classes.opening_site])
    dirty_cleaned = (cleaning[:, 1].sum(axis=1) + cleaning[:, 3].sum(axis=1)).reshape(2, -1)
    worked = (cleaning[:, 1, 0] + cleaning[:, 3, 2]).reshape(2, -1)
    prior = np.stack([CLEANING_PRIOR, REPEATED_SHARE * CLEANING_PRIOR])
    success = np.stack(
        [
            _beta(
                np.asarray(
                    np.bincount(classes.cleaning_method, weights=worked[k], minlength=len(METHODS)), dtype=np.float64
                ),
                np.asarray(
                    np.bincount(classes.cleaning_method, weights=dirty_cleaned[k], minlength=len(METHODS)),
                    dtype=np.float64,
                ),
                prior[k],
                CLEANING_STRENGTH,
            )
            for k in range(2)
        ]
    )
    surplus = (worked - dirty_cleaned * success[:, classes.cleaning_method]).sum(axis=0)
    by_person = _grouped(classes.cleaning_technician, classes.technicians, surplus)
    by_person /= _grouped(classes.cleaning_technician, classes.technicians, dirty_cleaned.sum(axis=0)) + GROUP_CASES
    by_person[-1] = 0.0
    clean_cleaned = float((cleaning[:, 0].sum(axis=1) + cleaning[:, 2].sum(axis=1)).sum())
    soiling = float(
        _beta(
            (cleaning[:, 0, 1] + cleaning[:, 2, 3]).sum(),
            np.asarray(clean_cleaned),
            np.asarray(SOILING_PRIOR),
            SOILING_STRENGTH,
        )
    )
    dirty_opened = float((opening[:, 1].sum(axis=1) + opening[:, 3].sum(axis=1)).sum())
    vanished = float((opening[:, 1, 0] + opening[:, 3, 2]).sum())
    vanishing = (vanished + VANISHING_PRIOR * VANISHING_STRENGTH) / (dirty_opened + VANISHING_STRENGTH)
    looks = np.diagonal(counts.single[c:wait], axis1=1, axis2=2)
    look, per_set = _look_tables(classes, looks)
    waits = counts.single[wait : wait + 2 * WAITS]
    report_seen = np.diagonal(counts.single[classes.first_report : classes.renewal], axis1=1, axis2=2).T
    report = _rows(report_seen + REPORT_PRIOR * REPORT_STRENGTH)
    start, start_batch = _start(classes, counts.start)
    transfer, damage = _mating_rates(counts)
    return replace(
        rates,
        exposure=exposure,
        site=site_factor,
        technician=person_factor,
        transfer=transfer,
        damage=damage,
        cleaning=success,
        cleaning_technician=by_person,
        soiling=soiling,
        vanishing=vanishing,
        look=look,
        look_test_set=per_set,
        report=report,
        start=start,
        start_batch=start_batch,
        wait=_wait_rates(waits, days),
    )


def _rows(table: Float64) -> Float64:
    return np.asarray(table / table.sum(axis=-1, keepdims=True))


def _look_tables(classes: Classes, seen_as: Float64) -> tuple[Float64, Float64]:
    """P(outcome | state) of the fleet and, shrunk towards it, of every test set."""
    sets = classes.test_sets
    table = np.zeros((sets + 1, 4, 3))
    for outcome in range(3):
        rows = np.flatnonzero(classes.look_outcome == outcome)
        for state in range(4):
            table[:, state, outcome] = _grouped(classes.look_test_set[rows], sets, seen_as[rows, state])
    fleet = _rows(table.sum(axis=0) + LOOK_PRIOR * LOOK_STRENGTH[:, None])
    each = _rows(table + fleet * TEST_SET_CASES)
    each[-1] = fleet
    return fleet, each


def _start(classes: Classes, started: Float64) -> tuple[Float64, Float64]:
    """What end faces start with: by kind, and by batch shrunk towards all batches (last entry: all)."""
    kinds = np.stack(
        [
            np.asarray(
                np.bincount(classes.start_kind, weights=started[:, s], minlength=len(FACE_KINDS)), dtype=np.float64
            )
            for s in range(4)
        ],
        axis=1,
    )
    start = _rows(kinds + START_PRIOR * START_STRENGTH)
    batch = np.stack([_grouped(classes.start_batch, classes.batches, started[:, s]) for s in range(4)], axis=1)
    overall = _rows(batch[:-1].sum(axis=0) + START_PRIOR * START_STRENGTH)
    shrunk = _rows(batch + overall * BATCH_CASES)
    shrunk[-1] = overall
    return start, shrunk


def _mating_rates(counts: Counts) -> tuple[Float64, Float64]:
    """Transfer and damage per mating, recorded and implied, from the counts (2, 16, 16)."""
    joint = counts.both.reshape(2, 4, 4, 4, 4)
    state = np.arange(4)
    dirt, marred = (state & 1).astype(np.bool_), (state >> 1).astype(np.bool_)
    met = moved = exposed = hurt = np.zeros(2)
    for side in range(2):
        view = joint if side == 0 else joint.transpose(0, 2, 1, 4, 3)
        clean_met_dirty = view[:, ~dirt][:, :, dirt]
        met = met + clean_met_dirty.sum(axis=(1, 2, 3, 4))
        moved = moved + clean_met_dirty[:, :, :, dirt].sum(axis=(1, 2, 3, 4))
        either = (dirt[:, None] | dirt[None, :]) & ~marred[:, None]
        sound = view * either[None, :, :, None, None]
        exposed = exposed + sound.sum(axis=(1, 2, 3, 4))
        hurt = hurt + sound[:, :, :, marred].sum(axis=(1, 2, 3, 4))
    transfer = _beta(moved, met, np.array([TRANSFER_PRIOR, 0.5 * TRANSFER_PRIOR]), TRANSFER_STRENGTH)
    damage = _beta(hurt, exposed, np.full(2, DAMAGE_PRIOR), DAMAGE_STRENGTH)
    return transfer, damage


def _wait_rates(waits: Float64, days: Float64) -> Float64:
    """Dirt arriving per day at rest, mated and open."""
    arrived = (waits[:, 0, 1] + waits[:, 2, 3]).reshape(2, WAITS).sum(axis=1)
    waited = ((waits[:, 0].sum(axis=1) + waits[:, 2].sum(axis=1)) * days).reshape(2, WAITS).sum(axis=1)
    return np.asarray((arrived + WAIT_PRIOR * WAIT_STRENGTH) / (waited + WAIT_STRENGTH))


@dataclass(frozen=True)
class Learned:
    """Figures after learning, how many rounds it took, and the counts they rest on."""

    rates: Rates
    rounds: int
    counts: Counts


def learn(operations: Operations, classes: Classes, n_faces: int, rounds: int = 25, stop: float = 3e-3) -> Learned:
    """EM: sweep, count, re-estimate, until no leading figure moves by more than `stop` or after `rounds`.

    Below three events per end face transfer and damage hardly move from their priors, and the caller should
    say so (`Learned.counts` holds the effective numbers of cases).
    """
    rates = prior_rates(classes)
    messages = no_messages(operations, n_faces)
    done = 0
    while True:
        done += 1
        tables = tables_of(rates, classes, operations.waited)
        forward(operations, tables, messages)
        counts = backward(operations, tables, messages, count=True)
        assert counts is not None  # counting was asked for
        after = updated(rates, classes, counts, operations.waited)
        moved = max(
            float(np.max(np.abs(getattr(after, name) - getattr(rates, name))))
            for name in ("exposure", "transfer", "damage", "cleaning", "look", "start")
        )
        rates = after
        if moved < stop or done >= rounds:
            return Learned(rates, done, counts)
