"""Jobs -> blocks of work at one site: what one stop of a crew consists of, in pieces that can be left out.

A site with more work than fits is offered in pieces of similar worth per minute; entry is paid on the way in,
so that a second piece at the same site is free of it. Both faces of a connection stay together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from planner.routes.jobs import method_options
from planner.routes.settings import Settings, data_rows, minutes_of

WINDOW_BLOCK_MIN = 20  # shorter pieces where a change window is short


@dataclass(frozen=True)
class Block:
    """Jobs done in one go at one site. `jobs` are rows of the job table."""

    site_id: str
    jobs: tuple[int, ...]
    minutes: int
    money: float
    worth: float
    window: tuple[int, int] | None
    allowed: tuple[bool, ...]
    due: int | None
    pair_id: str
    stop_key: str = ""


def parts_of(text: object) -> tuple[str, ...]:
    """The parts of a list cell, separated by semicolons."""
    if not isinstance(text, str):
        return ()
    return tuple(part.strip() for part in text.split(";") if part.strip())


def kit_lacking(row: pd.Series, kit: tuple[str, ...]) -> tuple[str, ...]:
    """What a crew with that kit lacks for a job; an undeclared (empty) kit lacks nothing."""
    if not kit:
        return ()
    lacking = [] if row["tip"] in kit else [str(row["tip"])]
    if row["action"] != "inspect":
        tools = [option["kit"] for option in method_options(row["geometry"], str(row["ferrule"]))]
        if tools and not any(tool in kit for tool in tools):
            lacking.append(" or ".join(tools))
    return tuple(lacking)


def skill_lacking(row: pd.Series, skills: tuple[str, ...], anyone_declares: bool) -> str:
    """The skill a crew lacks for a job; empty if none, or if no crew declares skills at all."""
    if not anyone_declares:
        return ""
    for rule in data_rows("skills"):
        if row["action"] == rule["action"] and row.get("cable_kind") == rule["cable_kind"]:
            words = parts_of(rule["skill_words"])
            if not any(word in skill.lower() for word in words for skill in skills):
                return f"{rule['skill_name']} skill to {rule['action']} a {rule['cable_kind']} end"
    return ""


def allowed_crews(jobs: pd.DataFrame, crews: pd.DataFrame) -> tuple[NDArray[np.bool_], list[str]]:
    """Which crew has tip, tools and skill for each job, shape (jobs, crews); and what is lacking, per job."""
    kits = [parts_of(text) for text in crews["kit"]]
    skills = [parts_of(text) for text in crews["skills"]]
    declared = any(skills)
    seen: dict[tuple[object, ...], tuple[list[bool], str]] = {}
    allowed = np.ones((len(jobs), len(crews)), bool)
    words = []
    for number, row in enumerate(jobs.to_dict("records")):
        key = (row["tip"], row["geometry"], row["ferrule"], row["action"], row.get("cable_kind"))
        if key not in seen:
            lacking = [
                (*kit_lacking(row, kit), *filter(None, [skill_lacking(row, skill, declared)]))  # type: ignore[arg-type]
                for kit, skill in zip(kits, skills, strict=True)
            ]
            fewest = min(lacking, key=len, default=())
            seen[key] = ([not item for item in lacking], ", ".join(fewest))
        allowed[number], text = seen[key]
        words.append(text)
    return allowed, words


def make_blocks(
    jobs: pd.DataFrame,
    allowed: NDArray[np.bool_],
    due: NDArray[np.int64],
    settings: Settings,
) -> list[Block]:
    """Blocks of at most about `settings.block_min` minutes from the job rows.

    Parameters
    ----------
    jobs
        Rows of the job table (index 0..n-1).
    allowed
        Which crew can do each job, shape (jobs, crews).
    due
        Day number by which a job must be done, -1 for none, shape (jobs,).

    Jobs with the same non-empty `stop_key` (stops of an earlier plan) stay in one block, however long.
    """
    connections = _connections(jobs, allowed, due)
    blocks: list[Block] = []
    for _, group in connections.groupby(
        ["site_id", "stop_key", "opens", "closes", "mask", "due", "pair_id"], sort=True
    ):
        density = group["money"] / group["minutes"]
        ordered = group.assign(density=density).sort_values(
            ["density", "first"], ascending=[False, True], kind="stable"
        )
        piece: list[int] = []
        minutes = money = worth = 0.0
        longest = settings.block_min if ordered["opens"].iloc[0] < 0 else min(settings.block_min, WINDOW_BLOCK_MIN)
        whole = ordered["pair_id"].iloc[0] != "" or ordered["stop_key"].iloc[0] != ""
        columns = zip(ordered["rows"], ordered["minutes"], ordered["money"], ordered["worth"], strict=True)
        for rows, own_minutes, own_money, own_worth in columns:
            if piece and minutes + own_minutes > longest and not whole:
                blocks.append(_block(ordered.iloc[0], piece, minutes, money, worth, allowed))
                piece, minutes, money, worth = [], 0.0, 0.0, 0.0
            piece += list(rows)
            minutes, money, worth = minutes + own_minutes, money + own_money, worth + own_worth
        blocks.append(_block(ordered.iloc[0], piece, minutes, money, worth, allowed))
    return blocks


def _connections(jobs: pd.DataFrame, allowed: NDArray[np.bool_], due: NDArray[np.int64]) -> pd.DataFrame:
    """One row per connection (port): its job rows, minutes with opening it once, worth."""
    frame = jobs[
        ["site_id", "connection", "pair_id", "opens", "closes", "minutes", "money", "worth", "stop_key"]
    ].copy()
    frame["row"] = np.arange(len(jobs))
    # both faces of a connection need the same crew, so a crew must be able to do all of them
    together = pd.DataFrame(allowed).groupby(frame["connection"].to_numpy()).transform("all").to_numpy()
    frame["mask"] = [bytes(row).hex() for row in np.packbits(together, axis=1)]
    frame["due"] = due
    frame["late"] = np.where(due < 0, 10**6, due)
    partner = jobs["partner_id"].fillna("").to_numpy()
    known = set(jobs["connector_id"])
    look = minutes_of("inspect")
    frame["extra"] = [look if other and other not in known else 0.0 for other in partner]
    grouped = frame.groupby(["site_id", "connection"], sort=True).agg(
        rows=("row", tuple),
        first=("row", "min"),
        minutes=("minutes", "sum"),
        extra=("extra", "max"),
        money=("money", "sum"),
        worth=("worth", "sum"),
        opens=("opens", "max"),
        closes=("closes", "max"),
        mask=("mask", "first"),
        late=("late", "min"),
        pair_id=("pair_id", "max"),
        stop_key=("stop_key", "max"),
    )
    grouped["due"] = np.where(grouped["late"] == 10**6, -1, grouped["late"])
    # an alarm at either face lifts the change window of the connection
    grouped.loc[grouped["due"] >= 0, ["opens", "closes"]] = -1
    grouped["minutes"] += grouped["extra"] + minutes_of("open_connection")
    return grouped.reset_index()


def _block(
    first: pd.Series, piece: list[int], minutes: float, money: float, worth: float, allowed: NDArray[np.bool_]
) -> Block:
    return Block(
        site_id=str(first["site_id"]),
        jobs=tuple(piece),
        minutes=int(np.ceil(minutes)),
        money=float(money),
        worth=float(worth),
        window=None if first["opens"] < 0 else (int(first["opens"]), int(first["closes"])),
        allowed=tuple(np.asarray(allowed[piece].all(axis=0), bool).tolist()),
        due=None if first["due"] < 0 else int(first["due"]),
        pair_id=str(first["pair_id"]),
        stop_key=str(first["stop_key"]),
    )
