"""What a collection remembers of its files, so that a run goes on where the last one ended.

In the folder of the collection:

``collection.json``
    what decides the rows, and whether all is done; holds no names.
``ledger/files.sqlite``
    the files with their prints, their parts, and with which others the rows of a part stand.
``ledger/key``
    mixed into hashes and ids of an anonymous collection.
``ledger/lock``
    held while a run is at work.
``work/``
    unpacked texts, and a mark for each part that is being done, while a run is at work.

Which units of parts are finished is not written down: one is when its file of games is there.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import os
import secrets
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO, Any
from urllib.parse import quote

from convert import __version__
from convert.collection.inputs import Print
from convert.collection.parts import FilePart, Unit
from convert.collection.rows import WALK, Options
from convert.collection.schema import SCHEMA, TABLES
from convert.judging.plugged import installed_judges
from convert.rim.collection_folder import FILES, FORMAT
from convert.rim.safe_text import file_path, file_text


class BadFolder(Exception):
    """The folder of a collection cannot be used; the text is one line."""


@dataclass(frozen=True)
class LedgerEntry:
    """A file of the collection.

    Attributes:
        name: as it stands in the rows: text, whatever the bytes of the file's name.
        path: where it was last seen; "-" for standard input.
        print: by what it is known again.
        whole: all its parts are known.
    """

    name: str
    path: str
    print: Print
    whole: bool


_TABLES = """
CREATE TABLE IF NOT EXISTS files (
    number INTEGER PRIMARY KEY, name TEXT UNIQUE NOT NULL, path TEXT NOT NULL,
    bytes INTEGER NOT NULL, changed INTEGER NOT NULL, ends TEXT NOT NULL, whole INTEGER NOT NULL);
CREATE TABLE IF NOT EXISTS parts (
    file INTEGER NOT NULL, unit TEXT NOT NULL, place INTEGER NOT NULL,
    start INTEGER NOT NULL, stop INTEGER NOT NULL, games_before INTEGER NOT NULL,
    games INTEGER NOT NULL, lines_before INTEGER NOT NULL, digest TEXT NOT NULL,
    last INTEGER NOT NULL, damage TEXT, trouble TEXT, UNIQUE (file, start, unit));
CREATE INDEX IF NOT EXISTS by_unit ON parts (unit);
"""
_PART = (
    "files.name, parts.start, parts.stop, parts.games_before, parts.games, parts.lines_before, "
    "parts.digest, parts.last, parts.damage, parts.trouble"
)


class Ledger:
    """The memory of a collection's folder; at most one run has it open.

    Args:
        out: folder of the collection; made if it is not there.
        options: what decides the rows; the key of an anonymous collection is added.
        again: throw away what the folder holds of an earlier run.

    Raises:
        BadFolder: not empty and no collection, made with other options, or at work elsewhere.
        OSError: it cannot be written.
    """

    def __init__(self, out: Path, options: Options, *, again: bool = False):
        self.out = out
        if out.exists() and not out.is_dir():
            raise BadFolder(f"{out}: is a file, not a folder")
        ours = (out / "collection.json").exists() or _may_begin(out)
        if not ours:
            raise BadFolder(f"{out}: is not empty and holds no collection")
        (out / "ledger").mkdir(parents=True, exist_ok=True)
        self._lock = _locked(out)
        try:
            about = None if again else self._about()
            if again:
                self._clear()
            self.options = self._settled(about, options)
            self._files = self._opened()
            try:
                self._clean()
                self.state(complete=False)
            except BaseException:
                self._files.close()
                raise
        except BaseException:
            self._lock.close()
            raise

    # -- files ------------------------------------------------------------------------------------

    def entries(self) -> list[LedgerEntry]:
        """All files, in the order in which they came."""
        return [_entry(row) for row in self._files.execute(f"{_FILES} ORDER BY number")]

    def entry(self, name: str) -> LedgerEntry | None:
        """The file of a name."""
        row = self._files.execute(f"{_FILES} WHERE name = ?", (name,)).fetchone()
        return None if row is None else _entry(row)

    def add(self, entry: LedgerEntry) -> None:
        """Remember a file, or what is new about it; on the disk when this returns."""
        with self._files:
            self._files.execute(
                "INSERT INTO files (name, path, bytes, changed, ends, whole) "
                "VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (name) DO UPDATE SET path = excluded.path, "
                "bytes = excluded.bytes, changed = excluded.changed, ends = excluded.ends, "
                "whole = excluded.whole",
                (
                    entry.name,
                    file_text(entry.path),
                    entry.print.bytes,
                    entry.print.changed,
                    entry.print.ends,
                    entry.whole,
                ),
            )

    def whole(self, name: str) -> None:
        """Note that all parts of a file are known."""
        with self._files:
            self._files.execute("UPDATE files SET whole = 1 WHERE name = ?", (name,))

    def drop(self, name: str) -> None:
        """Forget a file of which no part is left."""
        with self._files:
            self._files.execute("DELETE FROM files WHERE name = ?", (name,))

    # -- units ------------------------------------------------------------------------------------

    def put(self, unit: Unit, instead: str | None = None) -> None:
        """Remember that the rows of these parts stand together.

        Args:
            instead: id of a unit that is forgotten at the same moment.
        """
        with self._files:
            if instead is not None:
                self._files.execute("DELETE FROM parts WHERE unit = ?", (instead,))
            self._files.executemany(
                "INSERT OR REPLACE INTO parts SELECT number, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ? "
                "FROM files WHERE name = ?",
                [
                    (
                        unit.id,
                        place,
                        part.start,
                        part.end,
                        part.games_before,
                        part.games,
                        part.lines_before,
                        part.digest,
                        part.last,
                        part.damage,
                        part.trouble,
                        part.file,
                    )
                    for place, part in enumerate(unit.parts)
                ],
            )

    def forget(self, unit: str) -> None:
        """Forget a unit."""
        with self._files:
            self._files.execute("DELETE FROM parts WHERE unit = ?", (unit,))

    def parts_of(self, name: str) -> list[tuple[FilePart, str]]:
        """The parts of a file that are known, in order, each with the id of its unit."""
        rows = self._files.execute(
            f"SELECT {_PART}, parts.unit FROM parts JOIN files ON files.number = parts.file "
            "WHERE files.name = ? ORDER BY parts.start, parts.games_before",
            (name,),
        )
        return [(_part(row), str(row[-1])) for row in rows]

    def unit(self, unit: str) -> Unit:
        """The parts that stand in a unit."""
        rows = self._files.execute(
            f"SELECT {_PART} FROM parts JOIN files ON files.number = parts.file "
            "WHERE parts.unit = ? ORDER BY parts.place",
            (unit,),
        )
        return Unit(tuple(_part(row) for row in rows))

    def known(self) -> set[str]:
        """Ids of all units."""
        return {str(row[0]) for row in self._files.execute("SELECT DISTINCT unit FROM parts")}

    def games(self) -> int:
        """Games of all files."""
        return int(self._files.execute("SELECT coalesce(sum(games), 0) FROM parts").fetchone()[0])

    # -- folder -----------------------------------------------------------------------------------

    def unpacked(self, name: str) -> Path:
        """Where the text of a file is unpacked to."""
        folder = Path(os.path.abspath(self.out)) / "work"
        folder.mkdir(exist_ok=True)
        mark = hashlib.blake2b(name.encode("utf-8", "surrogateescape"), digest_size=10)
        return folder / f"unpacked-{mark.hexdigest()}.pgn"

    def finished(self) -> set[str]:
        """Ids of the parts whose rows are written."""
        with contextlib.suppress(FileNotFoundError):
            return {
                entry.name.removeprefix("part-").removesuffix(".parquet")
                for entry in os.scandir(self.out / "games")
                if entry.name.startswith("part-") and entry.name.endswith(".parquet")
            }
        return set()

    def sweep(self) -> None:
        """Take away files that a worker had begun when it died; when nobody is at work."""
        for table in TABLES:
            for path in list((self.out / table).glob(".part-*.tmp")):
                path.unlink(missing_ok=True)

    def state(self, *, complete: bool) -> None:
        """Write down whether all is done.

        Raises:
            OSError: it cannot be written.
        """
        files = self._files.execute("SELECT count(*) FROM files").fetchone()[0]
        facts = {
            **_settings(self.options),
            "complete": complete,
            "files": int(files),
            "games": self.games() if complete else None,
        }
        path = self.out / "collection.json"
        fresh = path.with_name(".collection.json.tmp")
        with open(fresh, "w", encoding="utf-8") as file:
            json.dump(facts, file, indent=1)
            file.write("\n")
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(path)

    def close(self) -> None:
        """Let another run have the folder."""
        self._files.close()
        _clear_work(self.out)
        self._lock.close()

    def __enter__(self) -> Ledger:
        return self

    def __exit__(self, *about: object) -> None:
        self.close()

    # -- inside -----------------------------------------------------------------------------------

    def _opened(self) -> sqlite3.Connection:
        path = self.out / "ledger" / FILES
        try:
            connection = sqlite3.connect(file_argument(path), uri=True, isolation_level="IMMEDIATE")
            # Rolled back after a kill; without shared memory, so that a disk of the net will do.
            connection.execute("PRAGMA journal_mode = DELETE")
            # What a power cut takes is cut again: rows, not the ledger, say what is finished.
            connection.execute("PRAGMA synchronous = NORMAL")
            connection.executescript(_TABLES)
        except sqlite3.DatabaseError as err:
            raise BadFolder(f"{path}: is damaged; --again makes the collection anew") from err
        return connection

    def _about(self) -> dict[str, Any] | None:
        path = self.out / "collection.json"
        try:
            about = json.loads(path.read_text(encoding="utf-8"))
            if about["format"] != FORMAT:
                raise ValueError(about["format"])
        except FileNotFoundError:
            return None
        except (ValueError, KeyError, TypeError) as err:
            raise BadFolder(f"{path}: is damaged; --again makes the collection anew") from err
        return dict(about)

    def _settled(self, about: dict[str, Any] | None, options: Options) -> Options:
        wanted = _settings(options)
        if about is not None:
            for name, value in wanted.items():
                if about.get(name) != value:
                    raise BadFolder(
                        f"{self.out}: was made with {name} {_shown(about.get(name))}, not "
                        f"{_shown(value)}; give another folder, or --again to make it anew"
                    )
        if options.anonymous and not options.key:
            options = replace(options, key=self._key())
        return options

    def _key(self) -> str:
        path = self.out / "ledger" / "key"
        with contextlib.suppress(FileNotFoundError):
            key = path.read_text(encoding="ascii").strip()
            if key:
                return key
        key = secrets.token_hex(16)
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with open(handle, "w", encoding="ascii") as file:
            file.write(key + "\n")
            file.flush()
            os.fsync(file.fileno())
        return key

    def _clear(self) -> None:
        for path in list(orphans(self.out, set())):
            path.unlink(missing_ok=True)
        for name in (
            "collection.json",
            f"ledger/{FILES}",
            f"ledger/{FILES}-journal",
            "ledger/files.jsonl",
            "ledger/key",
        ):
            (self.out / name).unlink(missing_ok=True)

    def _clean(self) -> None:
        """Take away what a run left that was killed, and forget units that it had not finished."""
        _clear_work(self.out)
        (self.out / "work").mkdir(exist_ok=True)
        self.sweep()
        self.forget_undone(self.finished())

    def forget_undone(self, done: set[str]) -> None:
        """Forget units whose rows are not written; their files are not whole then."""
        with self._files:
            for unit in self.known() - done:
                self._files.execute(
                    "UPDATE files SET whole = 0 WHERE number IN "
                    "(SELECT file FROM parts WHERE unit = ?)",
                    (unit,),
                )
                self._files.execute("DELETE FROM parts WHERE unit = ?", (unit,))


def orphans(out: Path, known: set[str]) -> Iterator[Path]:
    """Files of rows that belong to none of the units ``known``."""
    for table in reversed(TABLES):
        for path in (out / table).glob("part-*.parquet"):
            if path.name.removeprefix("part-").removesuffix(".parquet") not in known:
                yield path


def _settings(options: Options) -> dict[str, Any]:
    """What decides the rows, in words for ``collection.json``."""
    facts: dict[str, Any] = {
        "format": FORMAT,
        "schema": SCHEMA,
        "program": f"fullpoint {__version__}",
        "effort": options.effort,
        "anonymous": options.anonymous or "no",
    }
    if options.effort != WALK:
        facts["tables"] = [file_text(folder) for folder in options.tables]
        facts["solve"] = options.solve
        facts["judges"] = [judge.name for judge in installed_judges()] or None
        if options.solve:
            from tablebases.solver.entries import SOLVER_VERSION

            facts["solver"] = SOLVER_VERSION
    return facts


def _shown(value: Any) -> str:
    if isinstance(value, bool) or value is None:
        return "on" if value else "off"
    if isinstance(value, list):
        return ", ".join(map(str, value)) or "no folder"
    return str(value)


def _may_begin(out: Path) -> bool:
    """Nothing in the folder, or only what a run makes before it says whose the folder is."""
    if not out.exists():
        return True
    return all(
        entry.name in ("ledger", ".collection.json.tmp")
        or (entry.name == "work" and entry.is_dir() and not any(os.scandir(entry.path)))
        for entry in os.scandir(out)
    )


def _clear_work(out: Path) -> None:
    folder = out / "work"
    for pattern in ("unpacked-*.pgn", "try-*"):
        for path in list(folder.glob(pattern)):
            path.unlink(missing_ok=True)
    with contextlib.suppress(OSError):
        folder.rmdir()


def _locked(out: Path) -> IO[str]:
    lock = open(out / "ledger" / "lock", "a", encoding="ascii")  # noqa: SIM115
    try:
        import fcntl

        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except ImportError:  # a system without such locks
        pass
    except OSError as err:
        if err.errno in (errno.EWOULDBLOCK, errno.EAGAIN, errno.EACCES):
            lock.close()
            raise BadFolder(f"{out}: another run is at work on it") from err
    return lock


_FILES = "SELECT name, path, bytes, changed, ends, whole FROM files"


def _entry(row: tuple[Any, ...]) -> LedgerEntry:
    name, path, size, changed, ends, whole = row
    return LedgerEntry(name, file_path(path), Print(size, changed, ends), bool(whole))


def _part(row: tuple[Any, ...]) -> FilePart:
    """A part as it is remembered: not where its text is read."""
    name, start, end, games_before, games, lines_before, digest, last, damage, trouble = row[:10]
    return FilePart(
        name,
        "",
        start,
        end,
        games_before,
        games,
        lines_before,
        digest,
        bool(last),
        damage,
        trouble,
    )


def file_argument(path: Path) -> str:
    """A path as SQLite takes it, whatever its bytes."""
    return "file:" + quote(os.fsencode(os.path.abspath(path)))
