"""How the folder of a collection is known, and which files in it are the collection's own.

Imports nothing heavy: every command asks before it writes.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from convert.rim.safe_text import file_path

#: What ``collection.json`` says of itself.
FORMAT = "fullpoint collection"
ABOUT = "collection.json"
LEDGER = "ledger"
FILES = "files.sqlite"
#: The tables, in the order in which they are written; ``games`` last marks a finished part.
TABLES = ("trades", "decisions", "slips", "errors", "games")
#: First names, inside the folder, of all that a collection writes.
OWN = frozenset((ABOUT, f".{ABOUT}.tmp", LEDGER, "work", *TABLES))


@contextlib.contextmanager
def for_arrow(path: Path, mode: str) -> Iterator[Any]:
    """A file as Arrow takes it: by its path, or open where the path is no UTF-8.

    Raises:
        OSError: it cannot be opened.
    """
    try:
        str(path).encode("utf-8")
    except UnicodeEncodeError:
        with open(path, mode) as file:
            yield file
    else:
        yield path


def is_collection(folder: str | Path) -> bool:
    """Does a collection lie in the folder, be it damaged or not finished?"""
    if os.path.isfile(os.path.join(folder, LEDGER, FILES)):
        return True
    try:
        with open(os.path.join(folder, ABOUT), encoding="utf-8") as file:
            about = json.load(file)
    except (OSError, ValueError, RecursionError):
        return False
    return isinstance(about, dict) and about.get("format") == FORMAT


def owns(folder: str | Path, real: str) -> bool:
    """Is a path, without symbolic links, one of those that a collection in the folder writes?"""
    inside = os.path.realpath(folder) + os.sep
    return real.startswith(inside) and real[len(inside) :].split(os.sep)[0] in OWN


def owner_of(real: str) -> str | None:
    """The folder of the collection to which a path (without symbolic links) belongs."""
    folder = real
    while (above := os.path.dirname(folder)) != folder:
        if os.path.basename(folder) in OWN and is_collection(above):
            return above
        folder = above
    return None


def files_of(folder: str | Path) -> Iterator[str]:
    """The collection's own files, and the files of games that it was made from."""
    for name in sorted(OWN):
        path = os.path.join(folder, name)
        if os.path.isfile(path):
            yield path
        for here, _, names in os.walk(path):
            yield from (os.path.join(here, name) for name in names)
    yield from _paths(os.path.join(folder, LEDGER, FILES))


def _paths(ledger: str) -> list[str]:
    """Where the files of games stood, by the ledger of a collection."""
    if not os.path.isfile(ledger):
        return []
    import sqlite3
    from urllib.parse import quote

    where = f"file:{quote(os.fsencode(os.path.abspath(ledger)))}?mode=ro"
    try:
        with contextlib.closing(sqlite3.connect(where, uri=True)) as connection:
            return [file_path(row[0]) for row in connection.execute("SELECT path FROM files")]
    except sqlite3.Error:
        return []  # damaged
