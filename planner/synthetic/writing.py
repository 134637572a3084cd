"""Writing an invented fleet as files: one CSV or Parquet file per table, block by block.

Blocks come as columns of numbers with -1 or NaN for "unknown"; ids are made here from row numbers. The
same blocks give the same bytes.
"""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

Numbers = npt.NDArray[Any]

PREFIX = {
    "site": "SITE",
    "housing": "HSG",
    "port": "PORT",
    "cable": "CAB",
    "connector": "CON",
    "splice": "SPL",
    "splitter": "SPX",
    "circuit": "CKT",
    "event": "MAT",
    "inspection": "INS",
    "cleaning": "CLN",
    "test": "LT",
    "trace": "TR",
    "order": "WO",
    "technician": "TECH",
    "crew": "CREW",
    "batch": "BATCH",
}


def ids(kind: str, numbers: Numbers, width: int = 7) -> pa.Array:
    """Ids of that kind for row numbers; negative numbers become empty."""
    values = np.asarray(numbers).astype(np.int64)
    text = pc.utf8_lpad(pc.cast(pa.array(values + 1, mask=values < 0), pa.string()), width, "0")
    return pc.binary_join_element_wise(PREFIX[kind], text, "-")


def choice(words: tuple[str, ...], numbers: Numbers) -> pa.Array:
    """Words by their place; negative places become empty."""
    values = np.asarray(numbers).astype(np.int64)
    return pa.array(list(words), pa.string()).take(pa.array(values, mask=values < 0))


def number(values: Numbers, digits: int, low: float = -1e8) -> pa.Array:
    """Rounded numbers; NaN and values below `low` become empty."""
    floats = np.round(np.asarray(values, dtype=np.float64), digits) + 0.0
    return pa.array(floats, mask=~(floats >= low))


def whole(values: Numbers, lowest: int = 0) -> pa.Array:
    """Whole numbers; those below `lowest` become empty."""
    integers = np.asarray(values).astype(np.int64)
    return pa.array(integers, mask=integers < lowest)


def flag(values: Numbers) -> pa.Array:
    """Booleans from 1 and 0; -1 becomes empty."""
    integers = np.asarray(values).astype(np.int64)
    return pa.array(integers > 0, mask=integers < 0)


def moments(start: np.datetime64, minutes: Numbers, unknown: Numbers | None = None) -> pa.Array:
    """UTC timestamps (whole seconds) from minutes since the start."""
    seconds = np.round(np.asarray(minutes, dtype=np.float64) * 60.0).astype(np.int64)
    return pa.array(start.astype("datetime64[s]") + seconds, mask=unknown)


def days(start: np.datetime64, numbers: Numbers) -> pa.Array:
    """Dates from day numbers relative to the start."""
    return pa.array(start.astype("datetime64[D]") + np.asarray(numbers).astype(np.int64))


class TableFile:
    """A table's file, open for writing blocks; closed at the end of a `with` block."""

    def __init__(self, folder: Path, table: str, file_format: str) -> None:
        self.path = folder / f"{table}.{file_format}"
        self.csv = file_format == "csv"
        self.writer: pq.ParquetWriter | pacsv.CSVWriter | None = None
        self.rows = 0

    def __enter__(self) -> TableFile:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self.writer is not None:
            self.writer.close()

    def write(self, columns: dict[str, pa.Array]) -> None:
        """Append a block of rows."""
        block = pa.table(columns)
        if self.csv:
            for i, column in enumerate(block.columns):
                if pa.types.is_timestamp(column.type):
                    text = pc.strftime(column, format="%Y-%m-%dT%H:%M:%SZ")
                    block = block.set_column(i, block.column_names[i], text)
        if self.writer is None:
            if self.csv:
                options = pacsv.WriteOptions(quoting_style="needed")
                self.writer = pacsv.CSVWriter(self.path, block.schema, write_options=options)
            else:
                self.writer = pq.ParquetWriter(self.path, block.schema, compression="zstd")
        self.writer.write_table(block)
        self.rows += block.num_rows


def write_table(folder: Path, table: str, file_format: str, columns: dict[str, pa.Array]) -> int:
    """Write a whole table at once; gives its number of rows."""
    with TableFile(folder, table, file_format) as file:
        file.write(columns)
        return file.rows
