"""Grading an inspected end face: which mark breaks which rule of which zone.

Criteria are rows of `data/end_face_criteria.csv` (IEC 61300-3-35, edition 2015 by default) or of an
operator's own CSV with the same columns. The edition is part of every grade, because the zones moved
between editions (the 2009 edition drew zone B to 120 um instead of 115 um).

What a grade does not say: since 2022 the standard states outright that looking does not replace the
measurement of attenuation and return loss, so a visual pass never clears a connector whose loss is bad; and
the whole contact area (250 um of a cylindrical ferrule, the entire face of a rectangular one) must be free
of loose contamination. The numeric tables of 2022 are not shipped: they could not be confirmed.

Where a mark lies. `x_um, y_um` is the mark's centre. A defect of diameter w counts in the innermost zone
that its disc reaches into. The direction of a scratch is not recorded, so a scratch counts in every zone
between the nearest and the farthest point it could reach: centre distance minus and plus half its length
(conservative: the true scratch touches no more). A scratch without a length is taken as a spot of its width.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.errors import InputError, ParameterError
from planner.standards.lookup import data_file

DEFAULT_EDITION = "2015"

ConnectorClass = Literal["SM_PC_RL45", "SM_APC", "SM_PC_RL26", "MM_PC"]
CLASSES: tuple[ConnectorClass, ...] = ("SM_PC_RL45", "SM_APC", "SM_PC_RL26", "MM_PC")
ZONES = ("A", "B", "C", "D")
ARRAY_ZONES = ("A", "B")
"""Zones judged on a rectangular multi-fibre ferrule (IEC 61300-3-35:2015, table footnote)."""

CRITERIA_COLUMNS = (
    "edition",
    "connector_class",
    "zone",
    "zone_name",
    "inner_um",
    "outer_um",
    "feature",
    "size_from_um",
    "from_rule",
    "size_to_um",
    "to_rule",
    "value",
    "unit",
    "source",
    "clause",
    "confirmed",
    "note",
)

VISUAL_ONLY = "a visual pass does not clear a connector whose loss or reflectance is bad (IEC 61300-3-35:2022, scope)"
CLEAN_CONTACT_AREA = {
    False: "since 2022 the contact area of 250 um diameter must be free of loose contamination",
    True: "since 2022 the whole face of a rectangular ferrule must be free of loose contamination",
}


@dataclass(frozen=True)
class EndFaceGrade:
    """The verdict on one inspection.

    Attributes
    ----------
    passed
        Whether every fibre passes every zone.
    zones
        One row per fibre and zone: `fibre, zone, inner_um, outer_um, marks, result` (pass or fail).
    breaches
        One row per broken rule and mark: `fibre, zone, kind, x_um, y_um, width_um, rule, source, confirmed`.
    marks
        The marks with `distance_um` and the `zone` they count in first.
    edition, connector_class, source
        What it was judged by.
    confirmed
        Whether every rule of the table used is confirmed against the standard.
    notes
        What the reader must know: scope, unconfirmed rules, marks not judged.
    """

    passed: bool
    zones: pd.DataFrame
    breaches: pd.DataFrame
    marks: pd.DataFrame
    edition: str
    connector_class: str
    source: str
    confirmed: bool
    notes: tuple[str, ...]


def connector_class(polish: str, mode: str, return_loss_grade: int = 2) -> ConnectorClass:
    """The table that applies to an end face.

    Parameters
    ----------
    polish
        PC, UPC or APC.
    mode
        SM or MM.
    return_loss_grade
        4 (26 dB) picks the looser single-mode PC table; otherwise 45 dB is asked. [-]

    Raises
    ------
    ParameterError
        A polish or mode that is not known.
    """
    if mode not in ("SM", "MM") or polish not in ("PC", "UPC", "APC"):
        raise ParameterError(f"end face: got polish {polish!r} and mode {mode!r}, must be PC, UPC or APC and SM or MM")
    if mode == "MM":
        return "MM_PC"
    if polish == "APC":
        return "SM_APC"
    return "SM_PC_RL26" if return_loss_grade == 4 else "SM_PC_RL45"


def criteria(edition: str = DEFAULT_EDITION, own_file: Path | None = None) -> pd.DataFrame:
    """The acceptance rules of an edition, with an operator's own from a CSV of the same columns before them.

    The operator's rows replace the edition's of the same class, zone and kind of mark; what the file does not
    name (a zone, scratches, a class) is judged by the edition. A zone that the file draws anew has its limits
    for both.

    Returns
    -------
    One row per class, zone, feature and size band. `allowed` is the number of marks allowed (infinite where
    the table says unlimited); `inner_um, outer_um` are zone diameters; `size_from_um, size_to_um` the band.

    Raises
    ------
    ParameterError
        An edition without numeric tables.
    InputError
        The operator's file cannot be read, or lacks columns or values.
    """
    shipped = data_file("end_face_criteria.csv")
    if edition == "2009":
        shipped = _with_zones_of_2009(shipped)
    rows = shipped[shipped["edition"] == edition]
    if rows.empty:
        raise ParameterError(
            f"edition: got {edition!r}, must be 2009 or 2015; the tables of 2022 could not be confirmed "
            "and are not shipped (give them with --criteria)"
        )
    standard = _typed(rows, "end_face_criteria.csv")
    if own_file is None:
        return standard
    return _completed(_typed(_read_own(own_file), str(own_file)), standard, own_file)


def _completed(own: pd.DataFrame, standard: pd.DataFrame, path: Path) -> pd.DataFrame:
    """The operator's rules, and the edition's for what they do not name."""
    place, kind = ["connector_class", "zone"], ["connector_class", "zone", "feature"]
    named = pd.MultiIndex.from_frame(own[kind])
    rest = standard[~pd.MultiIndex.from_frame(standard[kind]).isin(named)]
    drawn = own.drop_duplicates(place).set_index(place)
    where = pd.MultiIndex.from_frame(rest[place])
    moved = where.isin(drawn.index)
    rest = rest.copy()
    for name in ("inner_um", "outer_um"):
        rest.loc[moved, name] = drawn[name].reindex(where[moved]).to_numpy()
    rules = pd.concat([own, rest], ignore_index=True)
    for face, zones in rules.groupby("connector_class", sort=True):
        bounds = zones.groupby("zone")[["inner_um", "outer_um"]].agg(["min", "max"])
        inner, outer = bounds["inner_um"], bounds["outer_um"]
        odd = (inner["min"] != inner["max"]) | (outer["min"] != outer["max"])
        if odd.any():
            raise InputError(
                f"{path}: got several limits for zone {odd.idxmax()} of {face}, must be the same in all its rows"
            )
        ends, begins = outer["max"].to_numpy()[:-1], inner["min"].to_numpy()[1:]
        apart = np.flatnonzero(ends != begins)
        if len(apart):
            zone, after = bounds.index[apart[0]], bounds.index[apart[0] + 1]
            raise InputError(
                f"{path}: zone {zone} of {face} ends at {ends[apart[0]]:g} um, zone {after} begins at "
                f"{begins[apart[0]]:g} um; they must meet: give both zones"
            )
    return rules


def _with_zones_of_2009(shipped: pd.DataFrame) -> pd.DataFrame:
    """The single-mode rules of 2015 on the zone limits remembered of 2009."""
    zones = data_file("end_face_zones.csv")
    zones = zones[(zones["edition"] == "2009") & (zones["mode"] == "SM")].set_index("zone")
    rows = shipped[shipped["connector_class"].str.startswith("SM")].copy()
    for name in ("inner_um", "outer_um"):
        rows[name] = rows["zone"].map(zones[name])
    source = "IEC 61300-3-35:2009 zone limits (from memory) with the marks allowed in 2015"
    return rows.assign(edition="2009", source=source, confirmed="no")


def _read_own(path: Path) -> pd.DataFrame:
    if not path.is_file():
        raise InputError(f"{path}: there is no such criteria file; give a CSV with the columns of the shipped table")
    try:
        frame = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig")
    except (pd.errors.ParserError, pd.errors.EmptyDataError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read as CSV: {error}; save it as UTF-8 with commas") from error
    needed = ("connector_class", "zone", "inner_um", "outer_um", "feature", "size_from_um", "size_to_um", "value")
    missing = [name for name in needed if name not in frame.columns]
    if missing:
        raise InputError(f"{path}: columns missing: {', '.join(missing)}; must have {', '.join(needed)}")
    defaults = {"edition": "own", "from_rule": ">=", "to_rule": "<", "unit": "count allowed"}
    for name in CRITERIA_COLUMNS:
        if name not in frame.columns:
            frame[name] = defaults.get(name, "")
    # also a copy of the shipped table is the operator's word, not the standard's
    return frame.assign(source=f"operator's own criteria, {path.name}", confirmed="yes")


def _typed(rows: pd.DataFrame, where: str) -> pd.DataFrame:
    allowed = {
        "connector_class": CLASSES,
        "zone": ZONES,
        "feature": ("scratch", "defect"),
        "from_rule": (">", ">="),
        "to_rule": ("", "<", "<="),
    }
    for column, values in allowed.items():
        wrong = ~rows[column].isin(values)
        if wrong.any():
            line = int(np.flatnonzero(wrong.to_numpy())[0]) + 2
            raise InputError(
                f"{where} row {line}, {column}: got {rows[column][wrong].iloc[0]!r}, must be one of "
                f"{', '.join(value or 'empty' for value in values)}"
            )
    typed = rows.reset_index(drop=True).copy()
    for column, empty in (
        ("inner_um", "?"),
        ("outer_um", "?"),
        ("size_from_um", "0"),
        ("size_to_um", "inf"),
        ("value", "?"),
    ):
        text = typed[column].where(typed[column] != "", empty)
        text = text.replace("unlimited", "inf") if column == "value" else text
        numbers = pd.to_numeric(text, errors="coerce")
        if numbers.isna().any():
            line = int(np.flatnonzero(numbers.isna().to_numpy())[0])
            raise InputError(
                f"{where} row {line + 2}, {column}: got {typed[column].iloc[line]!r}, must be a number"
                + (" or unlimited" if column == "value" else "")
            )
        if (numbers < 0).any():
            line = int(np.flatnonzero((numbers < 0).to_numpy())[0])
            raise InputError(f"{where} row {line + 2}, {column}: got {typed[column].iloc[line]!r}, must be 0 or more")
        typed["allowed" if column == "value" else column] = numbers.astype(float)
    for low, high in (("inner_um", "outer_um"), ("size_from_um", "size_to_um")):
        lines = np.flatnonzero((typed[low] > typed[high]).to_numpy())
        if len(lines):
            line = int(lines[0])
            raise InputError(
                f"{where} row {line + 2}, {high}: got {typed[high].iloc[line]:g}, must not be below {low} "
                f"({typed[low].iloc[line]:g})"
            )
    return typed


def grade_end_face(
    marks: pd.DataFrame,
    face_class: ConnectorClass,
    rules: pd.DataFrame | None = None,
    fibres: int = 1,
) -> EndFaceGrade:
    """Grade one inspection from its measured marks.

    Parameters
    ----------
    marks
        Rows of `end_face_defects`: `kind` (scratch, defect), `x_um, y_um` of the centre from the core's
        centre, `width_um` (scratch width or defect diameter), optional `length_um` and `fibre`. No rows is a
        face without a mark.
    face_class
        The table to judge by, see `connector_class`.
    rules
        From `criteria`; by default the 2015 edition.
    fibres
        Fibres of the ferrule; with more than one only zones A and B are judged, for every fibre. [-]

    Raises
    ------
    ParameterError
        The rules hold nothing for this class, or a mark names a fibre the ferrule has not.
    """
    table = criteria() if rules is None else rules
    own = table[table["connector_class"] == face_class]
    if own.empty:
        raise ParameterError(
            f"end-face criteria: got no rows for {face_class}, must have some; classes in the table: "
            f"{', '.join(sorted(set(table['connector_class'])))}"
        )
    is_array = fibres > 1
    own = _judged(own, is_array)
    placed = _placed(marks, own)
    if (placed["fibre"] > fibres).any():
        raise ParameterError(
            f"end_face_defects: got a mark on fibre {int(placed['fibre'].max())}, "
            f"must not exceed the {fibres} fibre(s) of the end face"
        )
    found = _breaches(placed, own)
    zones = _zones(placed, found, own, fibres)
    confirmed = bool((own["confirmed"] == "yes").all())
    return EndFaceGrade(
        passed=found.empty,
        zones=zones,
        breaches=found[["fibre", "zone", "kind", "x_um", "y_um", "width_um", "rule", "source", "confirmed"]],
        marks=placed.drop(columns=["face"]),
        edition=str(own["edition"].iloc[0]),
        connector_class=face_class,
        source=str(own["source"].iloc[0]),
        confirmed=confirmed,
        notes=_notes(own, placed, confirmed, is_array),
    )


def grade_inspections(marks: pd.DataFrame, faces: pd.DataFrame, rules: pd.DataFrame | None = None) -> pd.DataFrame:
    """Grade many inspections at once.

    Parameters
    ----------
    marks
        Rows of `end_face_defects` of those inspections.
    faces
        One row per inspection to grade: `inspection_id, polish, mode, fibre_count`. Inspections without marks
        pass, so leave out those that were not measured.
    rules
        From `criteria`; by default the 2015 edition.

    Returns
    -------
    One row per row of `faces`: `inspection_id, connector_class, edition, passed, worst_zone` (innermost zone
    that fails, empty if none), `breaches` (marks that break a rule), `confirmed`.
    """
    table = criteria() if rules is None else rules
    out = faces[["inspection_id"]].reset_index(drop=True)
    wide = faces["fibre_count"].to_numpy(dtype=np.int64) > 1
    classes = [connector_class(str(p), str(m)) for p, m in zip(faces["polish"], faces["mode"], strict=True)]
    out["connector_class"] = classes
    out["edition"] = str(table["edition"].iloc[0])
    out["breaches"] = 0
    out["worst_zone"] = ""
    out["confirmed"] = True
    face = pd.Index(out["inspection_id"]).get_indexer(pd.Index(marks["inspection_id"]))
    for name in sorted(set(classes)):
        for is_array in (False, True):
            rows = (out["connector_class"].to_numpy() == name) & (wide == is_array)
            if not rows.any():
                continue
            own = _judged(table[table["connector_class"] == name], is_array)
            mine = (face >= 0) & rows[np.maximum(face, 0)]
            found = _breaches(_placed(marks[mine], own, face[mine]), own)
            count = found["face"].value_counts()
            out.loc[count.index, "breaches"] = count
            worst = found.sort_values(["face", "zone"], kind="stable").drop_duplicates("face")
            out.loc[worst["face"], "worst_zone"] = worst["zone"].to_numpy()
            out.loc[rows, "confirmed"] = bool((own["confirmed"] == "yes").all())
    out["passed"] = out["breaches"] == 0
    return out[["inspection_id", "connector_class", "edition", "passed", "worst_zone", "breaches", "confirmed"]]


def _judged(rules: pd.DataFrame, is_array: bool) -> pd.DataFrame:
    """The rules of the zones that are judged on this kind of ferrule."""
    return rules[rules["zone"].isin(ARRAY_ZONES)] if is_array else rules


def _placed(marks: pd.DataFrame, rules: pd.DataFrame, face: npt.NDArray[np.int64] | None = None) -> pd.DataFrame:
    """The marks with the nearest and farthest distance they reach and the first zone they count in."""
    columns = ["fibre", "kind", "x_um", "y_um", "width_um", "length_um"]
    frame = marks.reindex(columns=columns).reset_index(drop=True)
    frame["face"] = 0 if face is None else face
    frame["fibre"] = pd.to_numeric(frame["fibre"]).fillna(1).astype("int64")
    x, y, width = (frame[name].to_numpy(dtype=float) for name in ("x_um", "y_um", "width_um"))
    length = pd.to_numeric(frame["length_um"]).fillna(0.0).to_numpy(dtype=float)
    is_scratch = frame["kind"].to_numpy() == "scratch"
    half = np.where(is_scratch, np.maximum(length, width), width) / 2.0
    distance = np.hypot(x, y)
    frame["distance_um"] = distance
    frame["nearest_um"] = np.maximum(distance - half, 0.0)
    frame["farthest_um"] = distance + half
    bounds = rules.drop_duplicates("zone").sort_values("inner_um")
    inner = bounds["inner_um"].to_numpy(dtype=float) / 2.0
    names = np.array([*bounds["zone"], "outside"])
    outer = float(bounds["outer_um"].max()) / 2.0
    nearest = frame["nearest_um"].to_numpy(dtype=float)
    index = np.searchsorted(inner, nearest, side="right") - 1
    frame["zone"] = names[np.where(nearest >= outer, len(inner), index)]
    return frame


def _in_zone(marks: pd.DataFrame, inner_um: float, outer_um: float) -> npt.NDArray[np.bool_]:
    """Which marks count in a zone: defects in the innermost zone they reach, scratches in all they may cross."""
    nearest = marks["nearest_um"].to_numpy(dtype=float)
    farthest = marks["farthest_um"].to_numpy(dtype=float)
    inner, outer = inner_um / 2.0, outer_um / 2.0
    starts_here = (nearest >= inner) & (nearest < outer)
    crosses = (marks["kind"].to_numpy() == "scratch") & (nearest < outer) & (farthest > inner)
    result: npt.NDArray[np.bool_] = starts_here | crosses
    return result


def _breaches(marks: pd.DataFrame, rules: pd.DataFrame) -> pd.DataFrame:
    """The marks that break a rule: a row per mark and rule, with the zone and the rule in words.

    Marks are counted per end face and fibre.
    """
    width = marks["width_um"].to_numpy(dtype=float)
    kind = marks["kind"].to_numpy()
    distance = marks["distance_um"].to_numpy(dtype=float)
    key = marks["face"].to_numpy(dtype=np.int64) * 1000 + marks["fibre"].to_numpy(dtype=np.int64)
    groups, group = np.unique(key, return_inverse=True)
    parts: list[pd.DataFrame] = []
    for rule in rules.to_dict("records"):
        inner, outer = float(rule["inner_um"]), float(rule["outer_um"])
        low, high, allowed = float(rule["size_from_um"]), float(rule["size_to_um"]), float(rule["allowed"])
        above = width > low if rule["from_rule"] == ">" else width >= low
        below = width <= high if rule["to_rule"] == "<=" else width < high
        band = (kind == rule["feature"]) & above & below & _in_zone(marks, inner, outer)
        count = np.bincount(group[band], minlength=len(groups))[group] if len(groups) else np.zeros(0, np.int64)
        broken = band & (count > allowed)
        if not broken.any():
            continue
        words = _in_words(str(rule["feature"]), low, high, rule["from_rule"] == ">", allowed)
        centred = (distance >= inner / 2.0) & (distance < outer / 2.0)
        by_length = np.where(centred | (kind == "defect"), "", " (reaches it by its length; direction not recorded)")
        texts = [f"{words}, got {n}{more}" for n, more in zip(count[broken], by_length[broken], strict=True)]
        parts.append(
            marks[broken].assign(
                zone=rule["zone"], rule=texts, source=rule["source"], confirmed=rule["confirmed"] == "yes"
            )
        )
    if parts:
        found: pd.DataFrame = pd.concat(parts, ignore_index=True)
        return found.sort_values(["face", "fibre", "zone"], kind="stable", ignore_index=True)
    return marks.iloc[:0].assign(rule="", source="", confirmed=True)


def _zones(marks: pd.DataFrame, found: pd.DataFrame, rules: pd.DataFrame, fibres: int) -> pd.DataFrame:
    """Verdict of every fibre and zone of one end face."""
    failed = set(zip(found["fibre"], found["zone"], strict=True))
    bounds = rules.drop_duplicates("zone").sort_values("inner_um").to_dict("records")
    inside = {zone["zone"]: _in_zone(marks, float(zone["inner_um"]), float(zone["outer_um"])) for zone in bounds}
    of_fibre = marks["fibre"].to_numpy(dtype=np.int64)
    rows = [
        (
            fibre,
            zone["zone"],
            float(zone["inner_um"]),
            float(zone["outer_um"]),
            int((inside[zone["zone"]] & (of_fibre == fibre)).sum()),
            "fail" if (fibre, zone["zone"]) in failed else "pass",
        )
        for fibre in range(1, fibres + 1)
        for zone in bounds
    ]
    return pd.DataFrame(rows, columns=["fibre", "zone", "inner_um", "outer_um", "marks", "result"])


def _in_words(feature: str, low: float, high: float, is_over: bool, allowed: float) -> str:
    plural = {"scratch": "scratches", "defect": "defects"}[feature]
    band = ""
    if np.isfinite(high) and low > 0:
        band = f" of {low:g} to {high:g} um"
    elif np.isfinite(high):
        band = f" up to {high:g} um"
    elif low > 0:
        band = f" {'over' if is_over else 'from'} {low:g} um"
    limit = "no" if allowed == 0 else f"at most {allowed:g}"
    return f"{limit} {plural}{band} allowed"


def _notes(rules: pd.DataFrame, placed: pd.DataFrame, confirmed: bool, is_array: bool) -> tuple[str, ...]:
    notes = []
    sources = list(dict.fromkeys(rules["source"]))
    if len(sources) > 1 and sources[0].startswith("operator's own"):
        others = rules[rules["source"] != sources[0]].drop_duplicates(["zone", "feature"])
        words = {"scratch": "scratches", "defect": "defects"}
        listed = [
            f"{words[str(row.feature)]} in zone {row.zone}"
            for row in others.sort_values(["zone", "feature"]).itertuples()
        ]
        notes.append(f"not named in the operator's table, judged by {sources[1]}: {', '.join(listed)}")
    if not confirmed:
        where = sorted(set(rules.loc[rules["confirmed"] != "yes", "zone"]))
        notes.append(f"rules of zone {', '.join(where)} could not be confirmed against the standard")
    outside = int((placed["zone"] == "outside").sum())
    if outside:
        notes.append(
            f"{outside} mark(s) outside the judged zones: no requirement, but loose debris there should be cleaned"
        )
    if is_array:
        notes.append("multi-fibre ferrule: zones A and B judged for every fibre")
    notes += [CLEAN_CONTACT_AREA[is_array], VISUAL_ONLY]
    return tuple(notes)
