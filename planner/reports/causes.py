"""The causes of a circuit as people read them: what readings cannot tell apart is one line, not twelve.

In: rows of `diagnosis` of one circuit. Out: one row per group of elements that name each other in `same_as`.
"""

from __future__ import annotations

import pandas as pd

KIND_WORDS = {
    "contamination": "dirt on one of {count} end faces",
    "damaged_end_face": "damage of one of {count} end faces",
    "bend": "a bend in one of {count} cables",
    "splice": "one of {count} splices",
    "fibre_break": "a break in one of {count} cables",
    "transceiver": "one of {count} transceivers",
    "remating_offset": "only a new mating of one of {count} joints",
}


def cause_groups(rows: pd.DataFrame) -> pd.DataFrame:
    """The rows of one circuit gathered by what cannot be told apart, by falling probability.

    Returns
    -------
    The columns of the most probable row of each group, with `probability` summed, `members` (how many elements) and
    `listed` (their ids and probabilities as a tuple of pairs, most probable first).
    """
    same = rows["same_as"].fillna("").astype(str)
    key = [
        "; ".join([str(cause), *sorted({str(element), *(part for part in text.split("; ") if part)})])
        for cause, element, text in zip(rows["cause"], rows["element_id"].fillna(""), same, strict=True)
    ]
    ordered = rows.assign(_key=pd.Series(key, index=rows.index, dtype=object)).sort_values(
        "probability", ascending=False, kind="stable"
    )
    groups = ordered.groupby("_key", sort=False)
    first = groups.head(1).set_index("_key")
    first["probability"] = groups["probability"].sum()
    first["members"] = groups.size()
    pairs = {name: tuple(zip(part["element_id"], part["probability"], strict=True)) for name, part in groups}
    first["listed"] = pd.Series([pairs[name] for name in first.index], index=first.index, dtype=object)
    gathered: pd.DataFrame = first.reset_index(drop=True).sort_values("probability", ascending=False, kind="stable")
    return gathered.reset_index(drop=True)


def same_suspect(rows: pd.DataFrame, key: tuple[str, str] = ("cause", "element_id")) -> pd.DataFrame:
    """Of circuits with the same suspect the first one only, with `circuits`, how many there are.

    `rows` has one row per circuit with the columns named in `key`; a circuit without a suspect stands for itself.
    """
    cause, element = key
    named = rows[element].fillna("").astype(str)
    own = named.where(named != "", "\x00" + rows["circuit_id"].astype(str))
    groups = rows.assign(_cause=rows[cause], _own=own).groupby(["_cause", "_own"], sort=False, dropna=False)
    counts = groups["circuit_id"].transform("size")
    first: pd.DataFrame = rows.assign(circuits=counts)[groups.cumcount() == 0]
    return first


__all__ = ["KIND_WORDS", "cause_groups", "same_suspect"]
