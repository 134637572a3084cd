"""The figures that beliefs rest on: learned from the history up to a date, and kept until the next one.

What the fleet teaches (planner.health.learning) and how far its looks correct it (calibration) is learned from
the events before the learning date, from a sample of the ports of a large fleet. Both are functions of those
events and of nothing else, so they can be kept under a fingerprint of them: as long as no load brings or corrects
an event of that time, the nights of a week only look them up, and a night that has to learn anew, or a new
database, comes to the very same figures.

In: the whole history as arrays and its ids. Out: `FleetFigures`, which a document (JSON) can hold.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, fields, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.health.calibration import Calibration, calibrate
from planner.health.contamination import Figures, History, Names, learn_figures, named_part, sample_by_port
from planner.health.learning import Rates

LATE_DAYS = 7  # records come in late: the newest are not learned from, so that they need not be learned from twice
FEWEST_SHARE = 0.75  # of the events that must lie before the learning date; a younger fleet is learned every night
MOST_EVENTS = 1_000_000  # events that are learned from at all; a larger fleet is sampled by ports
# By group: arrays of `Rates` with one entry per group and a last one for those that are not known.
GROUPED = {"site": "site", "technician": "technician", "cleaning_technician": "technician",
           "look_test_set": "test_set", "start_batch": "batch"}  # fmt: skip


@dataclass(frozen=True)
class Lesson:
    """What is learned from: the part of the history before the learning date, sampled, and its own ids."""

    past: History
    names: Names


@dataclass(frozen=True)
class FleetFigures:
    """What the fleet taught: figures by the numbers of `names`, the calibration, and from how many `events` of how
    many end `faces`."""

    rates: Rates
    calibration: Calibration
    names: Names
    events: int
    faces: int


def learning_date(now: datetime) -> datetime:
    """The last midnight to a Monday that lies at least `LATE_DAYS` before `now`.

    Examples
    --------
    >>> learning_date(datetime(2030, 5, 13)), learning_date(datetime(2030, 5, 12, 23))
    (datetime.datetime(2030, 5, 6, 0, 0), datetime.datetime(2030, 4, 29, 0, 0))
    """
    day = (now - timedelta(days=LATE_DAYS)).date()
    return datetime.combine(day - timedelta(days=day.weekday()), datetime.min.time())


def lesson_of(history: History, names: Names, date: int) -> Lesson:
    """The part of the history to learn from.

    Parameters
    ----------
    history
        All events up to now.
    names
        Ids by number.
    date
        The learning date; now itself where fewer than `FEWEST_SHARE` of the events lie before it. [s since 1970]
    """
    before = int(np.searchsorted(history.seconds, date, side="right"))
    if before < FEWEST_SHARE * len(history.seconds):
        date = history.end_at
    past, own = named_part(history.until(date), names)
    return Lesson(*named_part(sample_by_port(past, MOST_EVENTS), own))


def fingerprint(lesson: Lesson, code: str) -> str:
    """Fingerprint of a lesson and of the `code` that learns from it: equal ones mean equal figures."""
    digest = hashlib.sha256(code.encode())
    for field in fields(History):
        value = getattr(lesson.past, field.name)
        digest.update(field.name.encode() + (value.tobytes() if isinstance(value, np.ndarray) else str(value).encode()))
    digest.update(json.dumps(lesson.names, sort_keys=True).encode())
    return digest.hexdigest()


def learn_fleet(lesson: Lesson) -> tuple[FleetFigures, Figures]:
    """Learn figures and calibration; also what the rows of `learned_parameters` are made of."""
    figures = learn_figures(lesson.past)
    calibration = calibrate(lesson.past, figures.rates.look)
    return FleetFigures(figures.rates, calibration, lesson.names, figures.events, figures.faces), figures


def rates_for(figures: FleetFigures, names: Names) -> Rates:
    """The figures by the numbers that sites, people, test sets and batches have in `names`.

    Groups that nothing was learned of get what stands for unknown ones.
    """
    moved: dict[str, Any] = {}
    for field, kind in GROUPED.items():
        values = getattr(figures.rates, field)
        number = {name: place for place, name in enumerate(figures.names[kind])}
        moved[field] = values[[*(number.get(name, -1) for name in names[kind]), -1]]
    return replace(figures.rates, **moved)


def as_document(figures: FleetFigures) -> str:
    """The figures as JSON; numbers come back exactly."""

    def plain(value: npt.NDArray[Any] | float) -> Any:
        return value.tolist() if isinstance(value, np.ndarray) else value

    parts = {
        name: {field.name: plain(getattr(part, field.name)) for field in fields(part)}
        for name, part in (("rates", figures.rates), ("calibration", figures.calibration))
    }
    return json.dumps(parts | {"names": figures.names, "events": figures.events, "faces": figures.faces})


def from_document(document: str) -> FleetFigures:
    """The figures that `as_document` wrote."""
    parts = json.loads(document)

    def arrays(part: dict[str, Any]) -> dict[str, Any]:
        return {name: np.array(value) if isinstance(value, list) else value for name, value in part.items()}

    return FleetFigures(
        Rates(**arrays(parts["rates"])),
        Calibration(**arrays(parts["calibration"])),
        parts["names"],
        parts["events"],
        parts["faces"],
    )
