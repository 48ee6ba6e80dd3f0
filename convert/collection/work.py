"""The work as a worker does it: cut a file into parts; read, review and write those of a unit."""

from __future__ import annotations

import contextlib
import hashlib
import multiprocessing
import multiprocessing.connection
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from convert.collection.parts import START, Begin, FilePart, Unit, cut_from, games_in, unpack
from convert.collection.rows import WALK, GamePlace, Options, Rows, rows_of, rows_of_failure
from convert.collection.write import write_rows
from convert.judging.bench import fresh, open_bench, set_aside
from convert.reading.fen import SourceError

if TYPE_CHECKING:
    from convert.judging.judges import Bench


MOST_DEATHS = 3
"""A unit at which so many workers died is not tried again."""


@dataclass(frozen=True)
class UnitDone:
    """What became of a unit.

    Attributes:
        id: the unit's id.
        games: games read, those of which nothing could be used included.
        rows: rows written, by table.
        seconds: time that it took.
        remarks: table files that the worker has refused so far, one line each.
    """

    id: str
    games: int
    rows: dict[str, int]
    seconds: float
    remarks: tuple[str, ...] = ()


class Deadly(Exception):
    """So many workers died at a unit that it is not tried again."""


@dataclass(frozen=True)
class ToCut:
    """A file, or the rest of one, that is to be cut into parts.

    Attributes:
        name: as it stands in the rows.
        path: the file; its text is unpacked to ``text`` if that is another path.
        text: where its text is read.
        size: bytes of a part.
        begin: where to begin; ``damage`` as far as it is known from unpacking.
    """

    name: str
    path: str
    text: str
    size: int
    begin: Begin = START
    damage: str | None = None


@dataclass(frozen=True)
class WasCut:
    """Parts of a file in order, what is left to cut, and how many bytes its text has.

    ``trouble``: nothing of it can be used, in words.
    """

    parts: tuple[FilePart, ...]
    rest: ToCut | None
    text_bytes: int
    trouble: str | None = None


class Misplaced(Exception):
    """A worker does not see the files that it is to read, or the folder that it is to write to."""


#: Called after each game, where somebody counts.
on_game: Callable[[], None] | None = None

# A cluster may run several parts in threads of one process, and a bench serves one at a time.
_own = threading.local()


def do_cut(file: ToCut, out: Path) -> WasCut:
    """Unpack a file, where that is to be done, and cut it, or a long stretch of it, into parts.

    Raises:
        Misplaced: the folder of the collection is not there for this worker.
        OSError: the text cannot be written.
    """
    _see(out, file.path)
    damage = file.damage
    with _tried(out, cut_mark(file)):
        if file.text != file.path and not file.begin.offset:
            try:
                damage = unpack(file.path, Path(file.text))
            except SourceError as err:
                return WasCut((), None, 0, err.reason)
        parts, after = cut_from(file.begin, file.text, file.size, name=file.name, damage=damage)
    rest = None if after is None else replace(file, begin=after, damage=damage)
    return WasCut(parts, rest, os.path.getsize(file.text) if os.path.exists(file.text) else 0)


def cut_mark(file: ToCut) -> str:
    """Names the work of cutting a file from some place on."""
    facts = f"{file.name}\0{file.begin.offset}"
    return hashlib.blake2b(facts.encode("utf-8", "surrogateescape"), digest_size=10).hexdigest()


def _see(out: Path, path: str) -> None:
    if not out.is_dir():
        raise Misplaced(f"{out}: not seen by a worker; all of them need the same folders")
    if path and not os.path.exists(path):
        raise Misplaced(f"{path}: not seen by a worker; all of them need the same folders")


@contextlib.contextmanager
def _tried(out: Path, work: str) -> Iterator[None]:
    """A mark in the folder while a unit is being done, or a file cut; those of dead workers stay.

    Raises:
        Deadly: there are `MOST_DEATHS` already.
    """
    folder = out / "work"
    folder.mkdir(exist_ok=True)
    for number in range(MOST_DEATHS):
        mark = folder / f"try-{work}-{number}"
        try:
            os.close(os.open(mark, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
            break
        except FileExistsError:
            continue
    else:
        raise Deadly(work)
    try:
        yield
    finally:
        mark.unlink(missing_ok=True)


def tried(out: Path, work: str) -> bool:
    """Has a worker begun that work and not come to its end?"""
    return any((out / "work" / f"try-{work}-{n}").exists() for n in range(MOST_DEATHS))


def do_unit(unit: Unit, out: Path, options: Options, share: int = 1) -> UnitDone:
    """Read the games of a unit, review them and write their rows.

    The unit's files appear whole or not at all (`write.write_rows`).

    Args:
        unit: what to read.
        out: folder of the collection.
        options: what decides the rows.
        share: number of workers that share the machine.

    Raises:
        Misplaced: input or output is not there for this worker.
        Deadly: too many workers died at it.
        OSError: input cannot be read or output not be written.
        KeyboardInterrupt: the user has stopped the solver.
    """
    began = time.monotonic()
    for part in unit.parts:
        _see(out, "" if part.trouble else part.path)
    with _tried(out, unit.id):
        bench = None if options.effort == WALK else _bench(options, share)
        count = 0

        def rows() -> Iterator[Rows]:
            nonlocal count
            for part in unit.parts:
                for one, game in _rows(part, options, bench):
                    count += game
                    yield one
                    if game and on_game is not None:
                        on_game()

        written = write_rows(rows(), out, unit.id)
    remarks = () if bench is None else set_aside(bench)
    return UnitDone(unit.id, count, written, time.monotonic() - began, remarks)


def _rows(part: FilePart, options: Options, bench: Bench | None) -> Iterator[tuple[Rows, bool]]:
    """Rows, and whether they are those of a game."""
    if part.trouble:
        yield rows_of_failure(GamePlace(part.file, None, 0), part.trouble, options), False
        return
    try:
        for read, offset in games_in(part, light=bench is None):
            place = GamePlace(part.file, read.number, offset)
            if bench is not None:
                fresh(bench)
            yield rows_of(read, options, bench, place), True
            if bench is not None and bench.solver is not None and bench.solver.stopped:
                raise KeyboardInterrupt
    except SourceError as err:
        yield rows_of_failure(GamePlace(part.file, None, part.end), err.reason, options), False


def _bench(options: Options, share: int) -> Bench:
    """The bench that this thread keeps for its life."""
    known: dict[Any, Bench] = _own.__dict__.setdefault("benches", {})
    asked = (options.effort, options.tables, options.solve, share)
    if asked not in known:
        known.clear()
        folders = tuple(Path(folder) for folder in options.tables)
        known[asked] = open_bench(folders, options.effort, solve=options.solve, share=share)
    return known[asked]


def begin_worker(counter: Any) -> None:
    """Set a worker process up: it counts games, and leaves interrupts to the process above it.

    When that process is gone, this one goes too, whatever it was at.
    """
    global on_game
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_go_with, args=(parent.sentinel,), daemon=True).start()

    def count() -> None:
        with counter.get_lock():
            counter.value += 1

    on_game = count


def _go_with(sentinel: int) -> None:
    multiprocessing.connection.wait([sentinel])
    os._exit(1)
