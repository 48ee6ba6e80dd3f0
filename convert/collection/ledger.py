"""What a collection remembers of its files, so that a run goes on where the last one ended.

In the folder of the collection:

``collection.json``
    what decides the rows, and whether all is done; holds no names.
``ledger/files.jsonl``
    one line a file: its name, print and parts; a later line of the same name counts.
``ledger/key``
    mixed into hashes and ids of an anonymous collection.
``ledger/lock``
    held while a run is at work.
``work/``
    unpacked texts, while a run is at work.

Which parts are finished is not written down: a part is finished when its file of games is there.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import os
import secrets
from collections.abc import Iterator
from dataclasses import asdict, astuple, dataclass, replace
from pathlib import Path
from typing import IO, Any

from convert import __version__
from convert.collection.folder import FORMAT
from convert.collection.inputs import Print
from convert.collection.parts import Part
from convert.collection.rows import WALK, Options
from convert.collection.schema import SCHEMA, TABLES
from convert.safe_text import file_path, file_text


class BadFolder(Exception):
    """The folder of a collection cannot be used; the text is one line."""


@dataclass(frozen=True)
class Entry:
    """A file of the collection.

    Attributes:
        name: as it stands in the rows: text, whatever the bytes of the file's name.
        path: where it was last seen; "-" for standard input.
        print: by what it is known again.
        parts: its parts in order; None while they are not all known.
    """

    name: str
    path: str
    print: Print
    parts: tuple[Part, ...] | None


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
        self.entries: dict[str, Entry] = {}
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
            self._read()
            self._clean()
            self._write_entries()
            self.state(complete=False)
            self._files: IO[str] = open(  # noqa: SIM115 - open as long as the ledger
                self._files_path, "a", encoding="utf-8"
            )
        except BaseException:
            self._lock.close()
            raise

    # -- files ------------------------------------------------------------------------------------

    def add(self, entry: Entry) -> None:
        """Remember a file; on the disk when this returns.

        Raises:
            OSError: it cannot be written.
        """
        self.entries[entry.name] = entry
        self._files.write(_line(entry))
        self._files.flush()
        os.fsync(self._files.fileno())

    def by_path(self, path: str) -> Entry | None:
        """The file that was last seen at a path."""
        return next((e for e in self.entries.values() if e.path == path), None)

    def known(self) -> set[str]:
        """Ids of all parts of all files."""
        return {part.id for entry in self.entries.values() for part in entry.parts or ()}

    @property
    def unfinished(self) -> list[str]:
        """Names of files whose parts are not all known."""
        return [entry.name for entry in self.entries.values() if entry.parts is None]

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
        parts = [part for entry in self.entries.values() for part in entry.parts or ()]
        facts = {
            **_settings(self.options),
            "complete": complete,
            "files": len(self.entries),
            "games": sum(part.games for part in parts) if complete else None,
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

    @property
    def _files_path(self) -> Path:
        return self.out / "ledger" / "files.jsonl"

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
        for name in ("collection.json", "ledger/files.jsonl", "ledger/key"):
            (self.out / name).unlink(missing_ok=True)

    def _read(self) -> None:
        with contextlib.suppress(FileNotFoundError), open(self._files_path, "rb") as file:
            for raw in file:
                # The last line may be torn: its file is then looked at anew.
                with contextlib.suppress(ValueError, KeyError, TypeError):
                    entry = _entry(json.loads(raw))
                    self.entries[entry.name] = entry

    def _write_entries(self) -> None:
        """All lines anew, each file once."""
        fresh = self._files_path.with_name(".files.jsonl.tmp")
        with open(fresh, "w", encoding="utf-8") as file:
            for entry in self.entries.values():
                file.write(_line(entry))
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(self._files_path)

    def _clean(self) -> None:
        """Take away what a run left that was killed."""
        _clear_work(self.out)
        self.sweep()


def orphans(out: Path, known: set[str]) -> Iterator[Path]:
    """Files of rows that belong to no part of any file."""
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
        if options.solve:
            from tablebases.solver.solution import SOLVER_VERSION

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
    return all(entry.name in ("ledger", ".collection.json.tmp") for entry in os.scandir(out))


def _clear_work(out: Path) -> None:
    folder = out / "work"
    for path in list(folder.glob("unpacked-*.pgn")):
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


def _line(entry: Entry) -> str:
    facts = {
        "name": entry.name,
        "path": file_text(entry.path),
        "print": asdict(entry.print),
        # file and path are those of the entry
        "parts": None if entry.parts is None else [astuple(part)[2:] for part in entry.parts],
    }
    return json.dumps(facts, ensure_ascii=False, separators=(",", ":")) + "\n"


def _entry(facts: dict[str, Any]) -> Entry:
    name, path = facts["name"], file_path(facts["path"])
    parts = facts["parts"]
    return Entry(
        name,
        path,
        Print(**facts["print"]),
        None if parts is None else tuple(Part(name, path, *rest) for rest in parts),
    )
