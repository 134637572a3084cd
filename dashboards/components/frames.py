"""Rows of a frame as pages read them: by attribute, without the types of single cells."""

from __future__ import annotations

from typing import Any

import pandas as pd


def records(frame: pd.DataFrame) -> list[Any]:
    """The rows of a (page-sized) frame; each cell is an attribute named like its column."""
    return list(frame.itertuples(index=False))


def first(frame: pd.DataFrame) -> Any:
    """The first row of a frame, cells by column name."""
    return frame.iloc[0]
