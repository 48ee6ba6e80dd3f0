"""Rows to Parquet: a folder for each table, a file in it for each part of the input.

A file appears only when it is complete: it is written under a name that no reader of datasets
takes (a dot before it), brought to the disk, and renamed.  ``games/part-ID.parquet`` comes last,
so a part of which it is there is finished.  The same rows give the same bytes.
"""

from __future__ import annotations

import contextlib
import os
import uuid
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from convert.collection.parts import Unit
from convert.collection.rows import Options, Rows, file_name
from convert.collection.schema import TABLES, Column, arrow_schema
from convert.review.endings import Row
from convert.rim.collection_folder import for_arrow

if TYPE_CHECKING:
    import pyarrow

#: Rows of a table that are held before they are written as a row group.
GROUP = 16_384


def part_file(out: Path, table: str, part_id: str) -> Path:
    """Where the rows of a part stand."""
    return out / table / f"part-{part_id}.parquet"


def finished(out: Path, part_id: str) -> bool:
    """True if the part has been written whole."""
    return part_file(out, "games", part_id).is_file()


def write_rows(rows: Iterable[Rows], out: Path, part_id: str) -> dict[str, int]:
    """Write the rows of one part; returns the number of rows of each table.

    Every table gets a file, if an empty one, so that each folder can be read.  Not more than a
    row group of each table is held in memory.

    Raises:
        OSError: a file cannot be written; those begun are removed.
        Whatever ``rows`` raises, likewise.
    """
    # With chance in the name, two writers of one part do not meet, on whatever machines.
    mark = uuid.uuid4().hex
    begun = {
        table: part_file(out, table, part_id).with_name(f".part-{part_id}.{mark}.tmp")
        for table in TABLES
    }
    written = dict.fromkeys(TABLES, 0)
    try:
        with contextlib.ExitStack() as stack:
            writers = {
                table: stack.enter_context(_TableWriter(table, path))
                for table, path in begun.items()
            }
            for one in rows:
                for table, tables in one.tables.items():
                    writers[table].add(tables)
            for table, writer in writers.items():
                writer.flush()
                written[table] = writer.written
        for path in begun.values():
            _to_disk(path)
        for table, path in begun.items():  # games last, see TABLES
            path.replace(part_file(out, table, part_id))
            _to_disk(path.parent)
    except BaseException:
        for path in begun.values():
            with contextlib.suppress(OSError):
                path.unlink()
        raise
    return written


def remove_part(out: Path, part_id: str) -> None:
    """Take a part out of the dataset, ``games`` first."""
    for table in reversed(TABLES):
        part_file(out, table, part_id).unlink(missing_ok=True)


def keep_parts(out: Path, old: str, left: Unit, options: Options) -> None:
    """Write the rows of some parts of a unit as those of a unit of their own; the old one stays.

    Raises:
        OSError: a file cannot be read or written.
    """
    import pyarrow.compute as pc
    import pyarrow.parquet as pq

    def read(table: str) -> Any:
        with for_arrow(part_file(out, table, old), "rb") as where, pq.ParquetFile(where) as file:
            return file.read()

    def stands(table: Any) -> Any:
        """Which rows stand in the text of the parts; what is at its end is outside of games."""
        fits = None
        for part in left.parts:
            here = pc.and_(
                pc.equal(table["file"], file_name(options, part.file)),
                pc.and_(
                    pc.greater_equal(table["offset"], part.start),
                    pc.or_(
                        pc.less(table["offset"], part.end),
                        pc.and_(pc.is_null(table["number"]), pc.equal(table["offset"], part.end)),
                    ),
                ),
            )
            fits = here if fits is None else pc.or_(fits, here)
        return table.filter(fits)

    games = stands(read("games"))
    rows = {"games": games, "errors": stands(read("errors"))}
    for table in TABLES:
        if table not in rows:
            whole = read(table)
            rows[table] = whole.filter(pc.is_in(whole["game"], value_set=games["id"]))
    write_rows((Rows({table: chunk.to_pylist()}) for table, chunk in rows.items()), out, left.id)


def arrow_table(table: str, rows: list[Row]) -> pyarrow.Table:
    """Rows as an Arrow table; absent columns are null."""
    import pyarrow as pa

    schema = arrow_schema(table)
    arrays = [pa.array([row.get(field.name) for row in rows], type=field.type) for field in schema]
    return pa.Table.from_arrays(arrays, schema=schema)


def _paths(column: Column) -> tuple[str, ...]:
    """The Parquet columns in which a column's values are kept once and counted."""
    if column.type == "tags":
        return f"{column.name}.key_value.key", f"{column.name}.key_value.value"
    return (column.name,) if column.few else ()


class _TableWriter:
    """One Parquet file, written in row groups."""

    def __init__(self, table: str, path: Path):
        import pyarrow.parquet as pq

        self.table = table
        self.held: list[Row] = []
        self.written = 0
        path.parent.mkdir(parents=True, exist_ok=True)
        with contextlib.ExitStack() as stack:
            where = stack.enter_context(for_arrow(path, "wb"))
            self.writer: Any = pq.ParquetWriter(
                where,
                arrow_schema(table),
                compression="zstd",
                use_dictionary=[name for column in TABLES[table] for name in _paths(column)],
            )
            stack.callback(self.writer.close)
            self.closing = stack.pop_all()

    def add(self, rows: list[Row]) -> None:
        """Take rows in, and write a row group when there are enough."""
        self.held += rows
        if len(self.held) >= GROUP:
            self.flush()

    def flush(self) -> None:
        """Write what is held."""
        if self.held:
            self.writer.write_table(arrow_table(self.table, self.held))
            self.written += len(self.held)
            self.held = []

    def __enter__(self) -> _TableWriter:
        return self

    def __exit__(self, *about: object) -> None:
        self.closing.close()


def _to_disk(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
