"""The tables of a collection as they lie on disk, read chunk by chunk, only the columns asked for.

A run writes ``TABLE/part-ID.parquet``, the same names in each table.  Whoever joins them may call
the files what he likes, put them in folders and lose what the schema says of itself: what counts
are the columns.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from convert.collection.counting import Ints
from convert.collection.schema import SCHEMA, TABLES, arrow_schema
from convert.rim.collection_folder import ABOUT, for_arrow

#: Parts that are counted together; their rows lie in memory at the same time.
TOGETHER = 64
#: Bytes of their files of games after which no further part is added.
TOGETHER_BYTES = 32 << 20
#: Files that are read at the same time.
READERS = min(8, os.cpu_count() or 1)


class NoCollection(Exception):
    """A folder is no collection, or not one that this version reads."""


class Apart(NoCollection):
    """Rows of other tables belong to games that lie in other files."""


@dataclass(frozen=True, eq=False)
class Chunk:
    """Some files of each table of a collection, with all rows of their games."""

    folder: Path
    files: Mapping[str, tuple[Path, ...]]

    def read(self, table: str, columns: Sequence[str]) -> Any:
        """Some columns of a table, as an Arrow table; empty where there are no such rows.

        Raises:
            NoCollection: a file is damaged, or of another schema.
        """
        import pyarrow as pa

        schema = pa.schema([arrow_schema(table).field(name) for name in columns])
        paths = self.files.get(table, ())
        if len(paths) < 2 or READERS < 2:
            read = [_read(path, schema) for path in paths]
        else:
            with ThreadPoolExecutor(READERS) as pool:
                read = list(pool.map(lambda path: _read(path, schema), paths))
        return pa.concat_tables(read) if read else schema.empty_table()


def _read(path: Path, schema: Any) -> Any:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with for_arrow(path, "rb") as where, pq.ParquetFile(where) as file:
            _check(path, file.schema_arrow, schema)
            return file.read(columns=schema.names, use_threads=False).cast(schema)
    except (pa.ArrowException, OSError) as err:
        reason = " ".join(str(err).split())
        raise NoCollection(f"{path}: cannot be read ({reason})") from err


def _check(path: Path, there: Any, wanted: Any) -> None:
    number = (there.metadata or {}).get(b"fullpoint.schema")
    if number is not None and number != str(SCHEMA).encode():
        raise NoCollection(
            f"{path}: has columns of version {number.decode()}, this fullpoint reads {SCHEMA}; "
            "make the collection again"
        )
    missing = [name for name in wanted.names if name not in there.names]
    if missing:
        raise NoCollection(
            f"{path}: was not written by fullpoint collection: no column {missing[0]}"
        )


def games_of(column: Any, ids: Any) -> Ints:
    """For each row of another table the index of its game among ``ids``, -1 for none."""
    import pyarrow.compute as pc

    rows = pc.index_in(column, value_set=ids).fill_null(-1)
    return np.asarray(rows.to_numpy(), dtype=np.int64)


def chunks_of(folder: Path, *, whole: bool = False) -> list[Chunk]:
    """The rows of a collection in chunks, by the names of the files.

    Args:
        whole: all in one, whatever the names.

    Raises:
        NoCollection: there is none in the folder.
    """
    if not (folder / "games").is_dir():
        raise NoCollection(
            f"{folder}: holds no collection; make one with: "
            f"fullpoint collection PATH... -o {folder}"
        )
    files = {table: _files(folder / table) for table in TABLES}
    names = list(files["games"])
    if whole or any(name not in files["games"] for by_name in files.values() for name in by_name):
        groups = [names]
    else:
        groups = list(_grouped(files["games"]))
    return [
        Chunk(
            folder,
            {
                table: tuple(by_name.values())
                if whole or len(groups) == 1
                else tuple(by_name[name] for name in group if name in by_name)
                for table, by_name in files.items()
            },
        )
        for group in groups
    ]


def _files(folder: Path) -> dict[str, Path]:
    """The files of a table by their names in its folder, in order."""
    by_name = {}
    for path in sorted(folder.rglob("*.parquet")):
        inside = path.relative_to(folder)
        if not any(part.startswith((".", "_")) for part in inside.parts) and path.is_file():
            by_name[str(inside)] = path
    return by_name


def _grouped(files: Mapping[str, Path]) -> Iterator[list[str]]:
    group: list[str] = []
    size = 0
    for name, path in files.items():
        group.append(name)
        size += path.stat().st_size
        if len(group) >= TOGETHER or size >= TOGETHER_BYTES:
            yield group
            group, size = [], 0
    if group or not files:
        yield group


def unfinished(folder: Path) -> bool:
    """Does the collection say of itself that something is left to be done?"""
    try:
        about = json.loads((folder / ABOUT).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False  # rows alone, copied or joined
    return isinstance(about, dict) and about.get("complete") is False


def players_in(chunks: Sequence[Chunk]) -> Iterator[str]:
    """All names of players, each once a chunk."""
    import pyarrow.compute as pc

    for chunk in chunks:
        table = chunk.read("games", ("white", "black"))
        for color in ("white", "black"):
            yield from (n for n in pc.unique(table[color]).to_pylist() if n)


def plain(name: str) -> str:
    """A name for comparing: lower case, single spaces."""
    return " ".join(name.split()).casefold()
