"""What to simulate, and how much of each trouble of real records goes with it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from planner.errors import ParameterError
from planner.synthetic import particles as pt
from planner.synthetic.readings import Meter
from planner.synthetic.records import (
    Spoiling,
)

Numbers = npt.NDArray[np.generic]
IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]


LOOK_AHEAD_DAYS = 60


DEGRADES_DB = 0.2


TRAPS = (
    "missing_events",
    "mistimed_events",
    "suspicion_only_inspection",
    "wrong_close_codes",
    "heavy_tails",
    "quantised",
    "missing_days",
    "seasonal",
    "large_offsets",
    "technician_quality",
    "clock_errors",
    "order_lost",
    "biased_meters",
)


@dataclass(frozen=True)
class Settings:
    """What to simulate. `traps` names real-life troubles to exaggerate; the standard fleet has a little of each.

    With `perfect_records` everything that happened is written down as it happened.
    """

    connectors: int
    days: int
    seed: int
    start: np.datetime64 = field(default_factory=lambda: np.datetime64("2030-01-01"))
    file_format: str = "csv"
    traps: tuple[str, ...] = ()
    readings_per_day: int = 1
    monitored_share: float = 0.8
    activity: float = 1.0
    perfect_records: bool = False

    def __post_init__(self) -> None:
        if self.connectors < 150:
            raise ParameterError(f"--connectors: got {self.connectors}, must be at least 150")
        if self.days < 10:
            raise ParameterError(f"--days: got {self.days}, must be at least 10")
        if self.file_format not in ("csv", "parquet"):
            raise ParameterError(f"--format: got {self.file_format!r}, must be csv or parquet")
        for trap in self.traps:
            if trap not in TRAPS:
                raise ParameterError(f"--trap: got {trap!r}, must be one of {', '.join(TRAPS)}")

    def has(self, trap: str) -> bool:
        """Whether that trouble is exaggerated."""
        return trap in self.traps


def parameters(settings: Settings) -> FloatArray:
    """The kernel's parameter vector for these settings."""
    p = np.zeros(pt.PARAMETERS)
    p[pt.P_DUST] = 1.0
    p[pt.P_GRAIN_SHARE] = 0.22
    p[pt.P_FINGER] = 1.0
    p[pt.P_TRANSFER] = 0.33
    p[pt.P_PIT] = 0.35
    p[pt.P_WEAR] = 0.03
    p[pt.P_QUALITY] = 1.6 if settings.has("technician_quality") else 0.6
    p[pt.P_EYE] = 1.3 if settings.has("technician_quality") else 0.5
    p[pt.P_FALSE_FIND] = 0.025
    p[pt.P_OFFSET] = 2.2 if settings.has("large_offsets") else 1.0
    p[pt.P_CREEP] = 0.02
    p[pt.P_FILM_CREEP] = 0.05
    p[pt.P_SUSPICION_ONLY] = 1.0 if settings.has("suspicion_only_inspection") else 0.0
    p[pt.P_RIGHT_CODE] = 0.55 if settings.has("wrong_close_codes") else 0.87
    p[pt.P_LOOK] = 0.03 if settings.has("suspicion_only_inspection") else 0.42
    p[pt.P_CLEAN_BLIND] = 0.22
    p[pt.P_DEFECT_ROWS] = 0.12
    p[pt.P_ALARM_CHANCE] = 0.45
    return p


def spoiling(settings: Settings) -> Spoiling:
    """How much the records are spoilt: a little of everything, more of what is named as a trap."""
    if settings.perfect_records:
        return Spoiling(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, settings.seed)
    return Spoiling(
        missing_rows=0.12 if settings.has("missing_events") else 0.02,
        missing_jobs=0.20 if settings.has("missing_events") else 0.03,
        late_jobs=0.25 if settings.has("mistimed_events") else 0.03,
        late_hours=36.0 if settings.has("mistimed_events") else 6.0,
        same_minute_jobs=0.8 if settings.has("order_lost") else 0.12,
        shuffled_jobs=0.8 if settings.has("order_lost") else 0.0,
        clock_share=1.0 if settings.has("clock_errors") else 0.1,
        seed=settings.seed,
    )


def meter(settings: Settings) -> Meter:
    """How readings are troubled."""
    return Meter(
        noise_db=0.055,
        heavy_tails=0.25 if settings.has("heavy_tails") else 0.02,
        step_db=(0.5,) if settings.has("quantised") else (0.01, 0.01, 0.05, 0.1),
        missing=0.25 if settings.has("missing_days") else 0.04,
        gap_days=40.0 if settings.has("missing_days") else 8.0,
        season_db=0.35 if settings.has("seasonal") else 0.06,
        outliers=0.02 if settings.has("heavy_tails") else 0.003,
        bias_db=0.8 if settings.has("biased_meters") else 0.0,
    )


def log_rows(settings: Settings) -> int:
    """Room of each log before it is emptied to its file."""
    return 8_000 if settings.connectors < 50_000 else 60_000
