"""One pass over a text file's bytes: its hash, and what decides how it must be read."""

from __future__ import annotations

import codecs
import hashlib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

CHUNK = 1 << 23


@dataclass(frozen=True)
class BytesSurvey:
    """What the bytes of a file say.

    `line_feeds`, `carriage_returns` and `pairs` (CR followed by LF) tell the line ends; `controls` counts
    bytes below 32 other than tab, CR and LF; `utf8_errors` says whether any byte is not UTF-8, `utf8_letters`
    whether any character beyond ASCII is, `blanks` and `apostrophes` whether there is any of them.
    """

    size: int
    sha256: str
    line_feeds: int
    carriage_returns: int
    pairs: int
    quotes: int
    tabs: int
    controls: int
    utf8_errors: bool
    utf8_letters: bool
    ends_with_line_end: bool
    blanks: bool
    apostrophes: bool

    @property
    def line_end(self) -> str:
        """LF, CRLF, CR, mixed or none."""
        lone_feeds = self.line_feeds - self.pairs
        lone_returns = self.carriage_returns - self.pairs
        kinds = [n for n, c in (("CRLF", self.pairs), ("LF", lone_feeds), ("CR", lone_returns)) if c]
        return kinds[0] if len(kinds) == 1 else "mixed" if kinds else "none"


def survey_bytes(path: Path) -> BytesSurvey:
    """Read the file once, in chunks, and say what its bytes say."""
    digest = hashlib.sha256()
    size = feeds = returns = pairs = quotes = tabs = low = 0
    errors = letters = blanks = apostrophes = False
    last = b""
    decoder = codecs.getincrementaldecoder("utf-8")()
    with path.open("rb") as file, ThreadPoolExecutor(1) as hasher:
        while chunk := file.read(CHUNK):
            hashed = hasher.submit(digest.update, chunk)
            size += len(chunk)
            chunk_feeds, chunk_returns, chunk_tabs = chunk.count(b"\n"), chunk.count(b"\r"), chunk.count(b"\t")
            feeds += chunk_feeds
            tabs += chunk_tabs
            quotes += chunk.count(b'"')
            blanks = blanks or b" " in chunk
            apostrophes = apostrophes or b"'" in chunk
            low += int(np.count_nonzero(np.frombuffer(chunk, np.uint8) < 32))
            if chunk_returns or last == b"\r":
                returns += chunk_returns
                pairs += chunk.count(b"\r\n") + int(last == b"\r" and chunk.startswith(b"\n"))
            if not errors and not (chunk.isascii() and not decoder.getstate()[0]):
                try:
                    letters = not decoder.decode(chunk).isascii() or letters
                except UnicodeDecodeError as error:
                    errors = True
                    letters = letters or _has_utf8_letter(chunk, error.start)
            last = chunk[-1:]
            hashed.result()
    if not errors and decoder.getstate()[0]:
        errors = True
    return BytesSurvey(
        size=size,
        sha256=digest.hexdigest(),
        line_feeds=feeds,
        carriage_returns=returns,
        pairs=pairs,
        quotes=quotes,
        tabs=tabs,
        controls=low - feeds - returns - tabs,
        utf8_errors=errors,
        utf8_letters=letters,
        ends_with_line_end=last in (b"\n", b"\r"),
        blanks=blanks,
        apostrophes=apostrophes,
    )


def _has_utf8_letter(chunk: bytes, before: int) -> bool:
    """Whether the chunk holds a well-formed character beyond ASCII, before or after its first error."""
    if not chunk[:before].isascii():
        return True
    kept = chunk[before:].decode("utf-8", errors="ignore")
    return not kept.isascii()
