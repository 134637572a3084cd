"""Attributes that have a hyphen in their name, for markup."""

from __future__ import annotations

from typing import Any


def aria(**values: str) -> dict[str, Any]:
    """Attributes for assistive technology, e.g. aria(label="Pages"); empty ones are left out."""
    return {f"aria-{name}": value for name, value in values.items() if value}


def head(text: str) -> dict[str, Any]:
    """The heading a cell carries with it on a narrow screen."""
    return {"data-head": text}
