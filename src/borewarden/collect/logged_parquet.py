"""The columns of a logged Parquet file."""

from __future__ import annotations

import os
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from borewarden.base.errors import BadInput
from borewarden.collect.columns import Table, find_columns

MOST_CELLS = 500_000_000  # of all columns together: a year at 1 Hz with 15


def check_rows(path: Path, rows: int, columns: int) -> None:
    """BadInput for more cells than a log can have, which a small file may well claim."""
    if rows * columns > MOST_CELLS:
        raise BadInput(
            path,
            "file",
            f"has {rows:,} rows of {columns} columns",
            f"give files of {MOST_CELLS:,} cells at most",
        )


def read_parquet(path: Path, columns: list[str]) -> Table:
    """The `columns` of a Parquet file. Raises BadInput."""
    if path.stat().st_size == 0:
        raise BadInput(path, "file", "the file is empty", "give a log with samples")
    try:
        with pa.OSFile(os.fsencode(path)) as handle:
            file = pq.ParquetFile(handle, pre_buffer=True)
            check_rows(path, file.metadata.num_rows, len(columns))
            find_columns(path, "columns", list(file.schema_arrow.names), columns)
            table = file.read(columns=list(dict.fromkeys(columns)))
            table.validate(full=True)  # text that isn't UTF-8 would only fail later
            for i, field in enumerate(table.schema):
                kind = field.type
                if pa.types.is_dictionary(kind):
                    table = table.set_column(i, field.name, table[i].cast(kind.value_type))
                elif pa.types.is_decimal(kind):
                    table = table.set_column(i, field.name, table[i].cast(pa.float64()))
            frame = table.to_pandas(ignore_metadata=True, split_blocks=True)
    except BadInput:
        raise
    except (pa.ArrowException, OSError, ValueError, KeyError):
        raise BadInput(
            path,
            "file",
            "no complete Parquet file: broken, or half written without its footer",
            "let the logger close it, or copy it anew",
        ) from None
    if not len(frame):
        raise BadInput(path, "file", "there are no samples in it", "give a log with samples")
    return Table(path, {column: frame[column] for column in columns}, None)
