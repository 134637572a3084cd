"""Figures and times in words: units always shown, unknown never shown as zero."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

import pandas as pd
from dash import html
from dash.development.base_component import Component

UNKNOWN = "unknown"
NARROW = "\u202f"
MINUS = "\u2212"
Child = str | Component

CAUSE_WORDS = {
    "contamination": "dirt on an end face",
    "damaged_end_face": "a damaged end face",
    "bend": "a bend",
    "splice": "a splice",
    "fibre_break": "a broken fibre",
    "transceiver": "a transceiver",
    "remating_offset": "only a new mating",
    "record_error": "an error in the records",
    "nothing": "nothing",
}
ACTION_WORDS = {
    "inspect_clean": "inspect and clean",
    "replace": "replace",
    "inspect": "inspect",
}


def is_unknown(value: Any) -> bool:
    """Whether a cell holds no value."""
    return value is None or value is pd.NA or (isinstance(value, float) and value != value) or value is pd.NaT


def figure(value: Any, decimals: int = 0, unit: str = "") -> str:
    """A number with thousands set apart and its unit, e.g. `41,204 m`; `unknown` where there is none."""
    if is_unknown(value):
        return UNKNOWN
    text = f"{float(value):,.{decimals}f}"
    if text.strip("-0.,") == "":
        text = text.lstrip("-")
    text = text.replace("-", MINUS)
    return f"{text}{NARROW}{unit}" if unit else text


def db(value: Any, *, sign: bool = False) -> str:
    """Decibels with two digits, e.g. `+0.62 dB`."""
    if is_unknown(value):
        return UNKNOWN
    if 0 < abs(float(value)) < 0.005 and not sign:
        return f"<{NARROW}0.01{NARROW}dB"
    plus = "+" if sign and float(value) >= 0.005 else ""
    return plus + figure(value, 2, "dB")


def is_unconfirmed(source: Any) -> bool:
    """Whether a text that names sources marks one of them as not confirmed."""
    return not is_unknown(source) and "not confirmed" in str(source)


def margin_db(value: Any, allowed_from: Any) -> str:
    """A margin in decibels, with a star where the limit behind it is not confirmed; see `STAR`."""
    return db(value) + ("*" if not is_unknown(value) and is_unconfirmed(allowed_from) else "")


STAR = " * against a limit that is not confirmed against its source."
"""What the star behind a margin means, for the caption of a table."""


def percent(value: Any) -> str:
    """A probability or share as whole per cent; the ends are never rounded to certainty."""
    if is_unknown(value):
        return UNKNOWN
    share = 100 * float(value)
    if 0 < share < 1:
        return f"<{NARROW}1{NARROW}%"
    if 99 < share < 100:
        return f">{NARROW}99{NARROW}%"
    return f"{share:.0f}{NARROW}%"


def day(value: Any) -> str:
    """A date in words, e.g. `12 Nov 2031`."""
    if is_unknown(value):
        return UNKNOWN
    if isinstance(value, str):
        try:
            value = datetime.fromisoformat(value)
        except ValueError:
            return str(value)
    if isinstance(value, date | datetime):
        return f"{value.day} {value:%b %Y}"
    return str(value)


def weekday(value: Any) -> str:
    """A day with its weekday, e.g. `Mon 17 Nov`."""
    if isinstance(value, str):
        try:
            value = datetime.fromisoformat(value)
        except ValueError:
            return str(value)
    return f"{value:%a} {value.day} {value:%b}" if isinstance(value, date | datetime) else UNKNOWN


def moment(value: Any) -> str:
    """A time in words, e.g. `12 Nov 2031 06:07 UTC`."""
    if is_unknown(value):
        return UNKNOWN
    return f"{day(value)} {value:%H:%M} UTC"


def duration(minutes: Any) -> str:
    """Minutes as hours and minutes, e.g. `3 h 25 min`."""
    if is_unknown(minutes):
        return UNKNOWN
    whole = round(float(minutes))
    hours, rest = divmod(abs(whole), 60)
    sign = MINUS if whole < 0 else ""
    if not hours:
        return f"{sign}{rest}{NARROW}min"
    return f"{sign}{hours}{NARROW}h\u00a0{rest:02d}{NARROW}min" if rest else f"{sign}{hours}{NARROW}h"


def plain(value: Any) -> str:
    """A declared value (`wet_dry_wipe`) as people write it; unknown for none."""
    return UNKNOWN if is_unknown(value) or value == "" else str(value).replace("_", " ")


def cause(value: Any) -> str:
    """A cause in words."""
    return UNKNOWN if is_unknown(value) else CAUSE_WORDS.get(str(value), plain(value))


def action(value: Any) -> str:
    """What a crew is to do, in words."""
    return UNKNOWN if is_unknown(value) else ACTION_WORDS.get(str(value), plain(value))


def counted(number: Any, one: str, many: str = "") -> str:
    """A count with its noun, e.g. `1 end face`, `3 end faces`."""
    if is_unknown(number):
        return f"{UNKNOWN} number of {many or one + 's'}"
    return f"{figure(number)} {one if round(float(number)) == 1 else many or one + 's'}"


def bold(text: str) -> html.B:
    """The part of a sentence that carries the number."""
    return html.B(text)


def sentence(*parts: Child, kind: str = "") -> html.P:
    """A paragraph of text and bold numbers."""
    return html.P(list(parts), className=kind or None)


def listed(value: Any) -> list[str]:
    """The parts of a list cell (separated by ;)."""
    return [] if is_unknown(value) else [part for part in str(value).split(";") if part]


def and_others(items: list[str], shown: int = 3) -> str:
    """The first few of a list and how many more there are."""
    if len(items) <= shown:
        return ", ".join(items)
    return f"{', '.join(items[:shown])} and {len(items) - shown} more"
