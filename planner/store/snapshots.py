"""Copies of the store: backups to keep, and numbered snapshots that web pages read while loads go on.

A copy is taken under the engine's own read lock, so that no writer can come in meanwhile; it is given its
final name only when it is complete and on the disk. A snapshot gets a new name every time, because a
process that has a file open keeps seeing the file it opened.
"""

from __future__ import annotations

import os
import re
import shutil
from contextlib import suppress
from pathlib import Path

import duckdb

from planner.errors import StoreError
from planner.intake.sql_text import literal
from planner.store.database import connect

KEPT = 3  # newest snapshots that stay when a new one is published
_NAME = re.compile(r"snapshot-(\d{8})\.duckdb")


def copy_database(source: Path, target: Path, *, wait_s: float = 0.0) -> None:
    """A complete, consistent copy of the database under a name that does not exist yet or is replaced.

    Waits up to `wait_s` seconds for a writing process to let go of the file.

    Raises
    ------
    StoreError
        The database is not there or in use, or the copy cannot be written.
    """
    if not source.exists():
        raise StoreError(f"{source}: there is no such database")
    if target.exists() and source.samefile(target):
        raise StoreError(f"{target}: is the database itself; give the copy another name")
    partial = target.with_name(f".{target.name}.{os.getpid()}.partial")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        _copy_locked(source, partial, wait_s)
        partial.replace(target)
    except (OSError, duckdb.Error) as error:
        first_line = str(error).splitlines()[0]
        raise StoreError(f"{target}: the copy could not be written: {first_line}") from error
    finally:
        with suppress(OSError):
            partial.unlink(missing_ok=True)


def _copy_locked(source: Path, target: Path, wait_s: float) -> None:
    """Copy while a read-only connection keeps writers out; a log left by a crash is worked in."""
    con = connect(source, read_only=True, wait_s=wait_s)
    try:
        if source.with_name(source.name + ".wal").exists():
            con.close()
            _copy_tables(source, target)
            return
        # closing this second handle gives up the lock (POSIX), so it must be the last thing done
        shutil.copyfile(source, target)
        with target.open("rb+") as file:
            os.fsync(file.fileno())
    finally:
        con.close()


def _copy_tables(source: Path, target: Path) -> None:
    memory = duckdb.connect()
    try:
        memory.execute("SET enable_progress_bar = false")
        memory.execute(f"ATTACH {literal(str(source))} AS source_file (READ_ONLY)")
        memory.execute(f"ATTACH {literal(str(target))} AS target_file")
        memory.execute("COPY FROM DATABASE source_file TO target_file")
    finally:
        memory.close()


def publish(db_path: Path, folder: Path, *, wait_s: float = 10.0, kept: int = KEPT) -> Path:
    """Copy the database to the folder as its newest snapshot and return the snapshot's path.

    Older snapshots beyond the newest `kept` are removed; a process that has one open goes on reading it.

    Raises
    ------
    StoreError
        The database is not there or in use for longer than `wait_s` seconds, or the disk is full.
    """
    folder.mkdir(parents=True, exist_ok=True)
    work = folder / f".publishing-{os.getpid()}"
    copy_database(db_path, work, wait_s=wait_s)
    try:
        while True:
            number = max(_numbered(folder), default=0) + 1
            target = folder / f"snapshot-{number:08d}.duckdb"
            try:
                os.link(work, target)  # unlike a rename, refuses a name another publisher took meanwhile
            except FileExistsError:
                continue
            break
    finally:
        work.unlink(missing_ok=True)
    for number in sorted(_numbered(folder))[:-kept]:
        (folder / f"snapshot-{number:08d}.duckdb").unlink(missing_ok=True)
    return target


def newest(folder: Path) -> Path | None:
    """The newest snapshot in the folder, None if there is none."""
    numbers = _numbered(folder)
    return folder / f"snapshot-{max(numbers):08d}.duckdb" if numbers else None


def _numbered(folder: Path) -> list[int]:
    if not folder.is_dir():
        return []
    return [int(match[1]) for path in folder.iterdir() if (match := _NAME.fullmatch(path.name))]
