"""A fingerprint of the code that computes results, so that those of another version are known as such."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

# What results rest on beside the data; commands, pages and reports only show them.
PARTS = ("health", "plant", "stages", "standards", "store", "tables")


@cache
def code_mark() -> str:
    """Fingerprint of the modules and reference values that results rest on."""
    package = Path(__file__).parent
    sources = sorted(path for part in PARTS for kind in ("py", "csv") for path in (package / part).rglob(f"*.{kind}"))
    return hashlib.sha256(b"".join(path.read_bytes() for path in sources)).hexdigest()[:16]
