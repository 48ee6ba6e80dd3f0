"""What a run tells of itself, and what it keeps of a file that is being cut."""

from __future__ import annotations

import os
from concurrent.futures import CancelledError, Future
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from convert.collection.crew import RunError
from convert.collection.inputs import Input, Print, print_of
from convert.collection.interrupts import held
from convert.collection.ledger import LedgerEntry
from convert.collection.parts import FilePart
from convert.collection.work import Misplaced, ToCut, WasCut

T = TypeVar("T")


@dataclass(frozen=True)
class RunProgress:
    """How far a run is.

    Attributes:
        games: games done in this run.
        errors: rows of errors written in this run.
        share: share of the bytes of all files that is done, 0 to 1.
        seconds: time since the run began.
        left: seconds that the rest will take at the present rate; None if that cannot be told.
    """

    games: int
    errors: int
    share: float
    seconds: float
    left: float | None


@dataclass
class RunSummary:
    """What a run did.

    Attributes:
        files: files of the collection; ``games``: their games.
        new: games done in this run; ``kept``: games of the named files that were done before.
        errors: rows of errors written in this run.
        seconds: time that it took.
        unreadable: files, among those named, of which nothing or not all can be used, and why.
        remarks: what the user should know, a line each.
        complete: nothing is left to be done.
    """

    files: int = 0
    games: int = 0
    new: int = 0
    kept: int = 0
    errors: int = 0
    seconds: float = 0.0
    unreadable: list[tuple[str, str]] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    complete: bool = False


@dataclass
class CutFile:
    """A file that is being cut.

    ``known``: its parts that are done already, by id, with the unit they stand in; ``seen``: ids
    of those that it has now.  ``task`` is what is to be cut next, ``future`` set while it is.
    """

    name: str
    print: Print
    task: ToCut
    known: dict[str, tuple[FilePart, str]]
    seen: set[str] = field(default_factory=set)
    future: Future[WasCut] | None = None


def moved_from(one: Input, gone: dict[str, LedgerEntry]) -> LedgerEntry | None:
    """The file that stood elsewhere and is gone from there, with the same content by its print."""
    try:
        print_ = print_of(one.path)
    except OSError:
        return None
    return next((entry for entry in gone.values() if entry.print.alike(print_)), None)


def reason_of(err: OSError, out: Path) -> str:
    """Where and why something could not be written."""
    text = os.strerror(err.errno) if err.errno else " ".join(str(err).split())
    return f"{err.filename or out}: {text}"


def how_far(
    given: list[tuple[int, float]],
    read: int,
    size: tuple[float, float, float],
    seconds: float,
) -> tuple[float, float | None]:
    """The share of the work that is done, 0 to 1, and the seconds left; None if not to be told.

    Args:
        given: games and bytes of each unit under way, of which only the games read are known.
        read: games of them that are read.
        size: bytes done in this run, done in all, and in all files.
        seconds: since the run began.
    """
    new, done, total = size
    ahead = sum(games for games, _ in given)
    inside = sum(wide for _, wide in given) * min(1.0, read / ahead) if ahead else 0.0
    fresh = new + inside
    rest = max(0.0, total - done - inside)
    share = min(1.0, (done + inside) / total) if total else 0.0
    return share, rest / fresh * seconds if fresh else None


def is_done(future: Future[Any]) -> bool:
    """Whether it is done; no interrupt falls between its lock and the end of that lock."""
    with held():
        return future.done()


def result_of(future: Future[T], cluster: str | None, out: Path) -> T | None:
    """What came of one that is done; None if a worker died and it is to be tried again.

    Raises:
        Deadly: that has happened too often.
        BrokenProcessPool: a process of the pool died, and with it the others.
        RunError: it cannot go on.
    """
    try:
        with held():
            return future.result()
    except CancelledError as err:
        raise RunError(f"{cluster}: the scheduler is gone") from err
    except Misplaced as err:
        raise RunError(str(err)) from err
    except OSError as err:
        raise RunError(reason_of(err, out)) from err
    except Exception as err:
        if type(err).__name__ != "KilledWorker":
            raise
        return None
