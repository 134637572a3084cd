"""Clock and calendar of a plan: shifts, access hours, time zones, breaks and days on one axis of minutes.

Every crew-day runs on the same axis: minutes after midnight of its day in the plan's time zone (a night shift
runs past 1440). A break at a fixed hour is cut out of the axis, so that the search needs no notion of it: work
under way simply pauses. `wall` brings axis minutes back to the clock.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from planner.tables.intake_tables import WEEKDAYS

DAY = 1440

Window = tuple[int, int]


def minutes_of_clock(text: object) -> int | None:
    """Minutes after midnight of an `HH:MM` text; None if empty.

    Examples
    --------
    >>> minutes_of_clock("07:30")
    450
    """
    if not isinstance(text, str) or ":" not in text:
        return None
    hours, minutes = text.split(":")[:2]
    return int(hours) * 60 + int(minutes)


def clock_of_minutes(minutes: float) -> str:
    """`HH:MM` of minutes after midnight, wrapped into the day.

    Examples
    --------
    >>> clock_of_minutes(450), clock_of_minutes(1500)
    ('07:30', '01:00')
    """
    whole = round(minutes) % DAY
    return f"{whole // 60:02d}:{whole % 60:02d}"


def weekday_of(day: date) -> str:
    """Mon, Tue, ... Sun."""
    return WEEKDAYS[day.weekday()]


def span(opens: str | None, closes: str | None) -> Window | None:
    """Minutes (from, to) of a daily span; `to` exceeds 1440 when it runs past midnight; None if unlimited."""
    first, last = minutes_of_clock(opens), minutes_of_clock(closes)
    if first is None or last is None or first == last:
        return None
    return (first, last if last > first else last + DAY)


def zone_of(name: object) -> ZoneInfo | None:
    """The time zone of that IANA name; None if empty or unknown."""
    if not isinstance(name, str) or not name:
        return None
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        return None


def zone_shift(site: ZoneInfo | None, plan: ZoneInfo | None, day: date) -> int:
    """Minutes to add to the site's clock to read the plan's clock on that day (at noon)."""
    if site is None or plan is None:
        return 0
    noon = datetime(day.year, day.month, day.day, 12)
    offsets = [noon.replace(tzinfo=zone).utcoffset() or timedelta() for zone in (plan, site)]
    return round((offsets[0] - offsets[1]).total_seconds() / 60)


def days_from(first: date, days: int) -> tuple[date, ...]:
    """The calendar days of a plan."""
    return tuple(first + timedelta(days=number) for number in range(days))


def pick_break(shift: Window, length: int, after_hours: float) -> int | None:
    """When a shift's break starts: noon if that is well inside the shift, else the middle; None if none is due."""
    opens, closes = shift
    if length <= 0 or closes - opens <= after_hours * 60:
        return None
    if opens + 120 <= 720 and 720 + length <= closes - 120:
        return 720
    middle = (opens + closes - length) // 2
    return middle - middle % 15


@dataclass(frozen=True)
class Axis:
    """The plan's clock with the breaks cut out: axis minute = clock minute less breaks before it."""

    breaks: tuple[Window, ...]

    @classmethod
    def of_breaks(cls, starts: Iterable[int], length: int) -> Axis:
        """An axis with a break of `length` minutes at each start; overlapping breaks are taken once."""
        kept: list[Window] = []
        for start in sorted(set(starts)):
            if not kept or start >= kept[-1][1]:
                kept.append((start, start + length))
        return cls(tuple(kept))

    def axis(self, clock: int) -> int:
        """Axis minute of a clock minute; any moment within a break is the break's start."""
        return clock - sum(min(max(clock - start, 0), end - start) for start, end in self.breaks)

    def wall(self, minute: int, *, ending: bool = False) -> int:
        """Clock minute of an axis minute; `ending` reads a moment on a break as before it, else after it."""
        clock = minute
        for start, end in self.breaks:
            if clock > start or (clock == start and not ending):
                clock += end - start
        return clock


def intersect(windows: Sequence[Window], others: Sequence[Window]) -> list[Window]:
    """All non-empty overlaps of two lists of windows."""
    found = [
        (max(first[0], second[0]), min(first[1], second[1]))
        for first in windows
        for second in others
        if min(first[1], second[1]) > max(first[0], second[0])
    ]
    return sorted(set(found))


def daily_windows(opened: Window | None, shift: int = 0) -> list[Window]:
    """A daily span on an axis of two days: yesterday's, today's and tomorrow's part; unlimited if None."""
    if opened is None:
        return [(0, 2 * DAY)]
    first, last = opened[0] + shift, opened[1] + shift
    parts = [(first + step * DAY, last + step * DAY) for step in (-1, 0, 1, 2)]
    return [(max(0, a), min(2 * DAY, b)) for a, b in parts if b > 0 and a < 2 * DAY]
