"""The tables of a collection as they lie on disk, read part by part, only the columns asked for."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from convert.collection.counting import Ints
from convert.collection.folder import for_arrow
from convert.collection.schema import SCHEMA, arrow_schema


class NoCollection(Exception):
    """A folder is no collection, or not one that this version reads."""


@dataclass(frozen=True)
class PartFiles:
    """The files of one finished part: ``TABLE/NAME`` in the folder of the collection."""

    folder: Path
    name: str

    def read(self, table: str, columns: Sequence[str]) -> Any:
        """Some columns of a table, as an Arrow table; empty where the part has no such rows.

        Raises:
            NoCollection: the file is damaged, or of another schema.
        """
        import pyarrow as pa
        import pyarrow.parquet as pq

        path = self.folder / table / self.name
        schema = pa.schema([arrow_schema(table).field(name) for name in columns])
        try:
            if table != "games" and not path.exists():
                return schema.empty_table()
            with for_arrow(path, "rb") as where, pq.ParquetFile(where) as file:
                _check(path, file.schema_arrow)
                return file.read(columns=list(columns))
        except (pa.ArrowException, OSError) as err:
            reason = " ".join(str(err).split())
            raise NoCollection(f"{path}: cannot be read ({reason})") from err

    def games_of(self, column: Any, ids: Any) -> Ints:
        """For each row of another table the index of its game in this part, -1 for none."""
        import pyarrow.compute as pc

        found = pc.index_in(column, value_set=ids).fill_null(-1)
        return np.asarray(found.to_numpy(), dtype=np.int64)


def _check(path: Path, schema: Any) -> None:
    number = (schema.metadata or {}).get(b"fullpoint.schema")
    if number is None:
        raise NoCollection(f"{path}: was not written by fullpoint collection")
    if number != str(SCHEMA).encode():
        raise NoCollection(
            f"{path}: has columns of version {number.decode()}, this fullpoint reads {SCHEMA}; "
            "make the collection again"
        )


def parts_of(folder: Path) -> list[PartFiles]:
    """The finished parts of a collection, by name.

    Raises:
        NoCollection: there is none in the folder.
    """
    games = folder / "games"
    if not games.is_dir():
        raise NoCollection(
            f"{folder}: holds no collection; make one with: "
            f"fullpoint collection PATH... -o {folder}"
        )
    names = sorted(p.name for p in games.iterdir() if p.suffix == ".parquet")
    return [PartFiles(folder, name) for name in names if not name.startswith((".", "_"))]


def players_in(parts: Sequence[PartFiles]) -> Iterator[str]:
    """All names of players, each once a part."""
    import pyarrow.compute as pc

    for part in parts:
        table = part.read("games", ("white", "black"))
        for color in ("white", "black"):
            yield from (n for n in pc.unique(table[color]).to_pylist() if n)


def plain(name: str) -> str:
    """A name for comparing: lower case, single spaces."""
    return " ".join(name.split()).casefold()
