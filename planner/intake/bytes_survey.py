"""One pass over a text file's bytes: its hash, and what decides how it must be read."""

from __future__ import annotations

import codecs
import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

CHUNK = 1 << 23


@dataclass(frozen=True)
class BytesSurvey:
    """What the bytes of a file say.

    `line_feeds`, `carriage_returns` and `pairs` (CR followed by LF) tell the line ends; `controls` counts
    bytes below 32 other than tab, CR and LF; `blank_lines` whether any line is empty; `utf8_errors` whether
    any byte is not UTF-8, `utf8_letters` whether any character beyond ASCII is.
    """

    size: int
    sha256: str
    line_feeds: int
    carriage_returns: int
    pairs: int
    quotes: int
    tabs: int
    controls: int
    blank_lines: bool
    utf8_errors: bool
    utf8_letters: bool
    ends_with_line_end: bool

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
    blank = errors = letters = False
    last = b"\n"
    decoder = codecs.getincrementaldecoder("utf-8")()
    with path.open("rb") as file:
        while chunk := file.read(CHUNK):
            digest.update(chunk)
            chunk_text = chunk.removeprefix(codecs.BOM_UTF8) if size == 0 else chunk
            size += len(chunk)
            data = np.frombuffer(last + chunk_text, np.uint8)
            is_feed = data == 10
            is_return = data == 13
            feeds += int(np.count_nonzero(is_feed[1:]))
            returns += int(np.count_nonzero(is_return[1:]))
            quotes += chunk.count(b'"')
            tabs += chunk.count(b"\t")
            low += int(np.count_nonzero(data[1:] < 32))
            if returns:
                pair = is_return[:-1] & is_feed[1:]
                pairs += int(np.count_nonzero(pair))
                ends = is_feed | is_return
                # two line ends in a row, other than the two halves of one CRLF
                doubled = ends[:-1] & ends[1:] & ~pair
                blank = blank or bool(doubled.any())
            else:
                blank = blank or bool((is_feed[:-1] & is_feed[1:]).any())
            if not errors and not (chunk.isascii() and not decoder.getstate()[0]):
                try:
                    decoder.decode(chunk)
                    letters = True
                except UnicodeDecodeError as error:
                    errors = True
                    letters = letters or _has_utf8_letter(chunk, error.start)
            last = chunk[-1:]
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
        blank_lines=blank,
        utf8_errors=errors,
        utf8_letters=letters,
        ends_with_line_end=last in (b"\n", b"\r"),
    )


def _has_utf8_letter(chunk: bytes, before: int) -> bool:
    """Whether the chunk holds a well-formed character beyond ASCII, before or after its first error."""
    if not chunk[:before].isascii():
        return True
    kept = chunk[before:].decode("utf-8", errors="ignore")
    return not kept.isascii()
