"""The work on one part, as a worker does it: read, review, write."""

from __future__ import annotations

import multiprocessing
import multiprocessing.connection
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from convert.bench import fresh, open_bench, set_aside
from convert.collection.parts import Part, games_in
from convert.collection.rows import WALK, Options, Place, Rows, rows_of, rows_of_failure
from convert.collection.write import write_rows
from convert.fen import SourceError

if TYPE_CHECKING:
    from convert.judge import Bench


@dataclass(frozen=True)
class PartDone:
    """What became of a part.

    Attributes:
        id: the part's id.
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


class Misplaced(Exception):
    """A worker does not see the files that it is to read, or the folder that it is to write to."""


#: Called after each game, where somebody counts.
on_game: Callable[[], None] | None = None

# A cluster may run several parts in threads of one process, and a bench serves one at a time.
_own = threading.local()


def do_part(part: Part, out: Path, options: Options, share: int = 1) -> PartDone:
    """Read the games of a part, review them and write their rows.

    The part's files appear whole or not at all (`write.write_rows`).

    Args:
        part: what to read.
        out: folder of the collection.
        options: what decides the rows.
        share: number of workers that share the machine.

    Raises:
        Misplaced: input or output is not there for this worker.
        OSError: input cannot be read or output not be written.
        KeyboardInterrupt: the user has stopped the solver.
    """
    began = time.monotonic()
    if not out.is_dir():
        raise Misplaced(f"{out}: not seen by a worker; all of them need the same folders")
    if not part.trouble and not os.path.exists(part.path):
        raise Misplaced(f"{part.path}: not seen by a worker; all of them need the same folders")
    bench = None if options.effort == WALK else _bench(options, share)
    count = 0

    def rows() -> Iterator[Rows]:
        nonlocal count
        for one, game in _rows(part, options, bench):
            count += game
            yield one
            if game and on_game is not None:
                on_game()

    written = write_rows(rows(), out, part.id)
    remarks = () if bench is None else set_aside(bench)
    return PartDone(part.id, count, written, time.monotonic() - began, remarks)


def _rows(part: Part, options: Options, bench: Bench | None) -> Iterator[tuple[Rows, bool]]:
    """Rows, and whether they are those of a game."""
    if part.trouble:
        yield rows_of_failure(Place(part.file, None, 0), part.trouble, options), False
        return
    try:
        for read, offset in games_in(part, light=bench is None):
            place = Place(part.file, read.number, offset)
            if bench is not None:
                fresh(bench)
            yield rows_of(read, options, bench, place), True
            if bench is not None and bench.solver is not None and bench.solver.stopped:
                raise KeyboardInterrupt
    except SourceError as err:
        yield rows_of_failure(Place(part.file, None, part.end), err.reason, options), False


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
