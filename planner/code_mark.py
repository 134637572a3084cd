"""A fingerprint of the code that computes results, so that those of another version are known as such."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

# What results rest on beside the data; commands, pages and reports, and what they ask of the store, only show them.
SHOWING = {"page_queries.py", "summary_queries.py", "status_queries.py", "exporting.py", "snapshots.py"}
PARTS = ("health", "plant", "stages", "standards", "store", "tables")


@cache
def code_mark() -> str:
    """Fingerprint of the modules and reference values that results rest on."""
    package = Path(__file__).parent
    sources = sorted(path for part in PARTS for kind in ("py", "csv") for path in (package / part).rglob(f"*.{kind}"))
    sources = [*(path for path in sources if path.name not in SHOWING), package / "pipeline.py"]
    return hashlib.sha256(b"".join(path.read_bytes() for path in sources)).hexdigest()[:16]
