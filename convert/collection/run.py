"""Has a collection made: which parts there are, which are done, who does the others.

The work is written against `concurrent.futures.Executor`: this process, processes of this machine
and a cluster differ in `crew.workers` alone.
"""

from __future__ import annotations

import contextlib
import os
import signal
import time
from collections import Counter, deque
from collections.abc import Callable, Iterator
from concurrent.futures import (
    FIRST_COMPLETED,
    CancelledError,
    Future,
    wait,
)
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field, replace
from pathlib import Path

from convert.collection.crew import Crew, RunError, workers
from convert.collection.inputs import STDIN, STREAM, Input, Print, digest_of, print_of
from convert.collection.interrupts import deaf_from_birth, held
from convert.collection.ledger import Entry, Ledger, orphans
from convert.collection.parts import PART_BYTES, Part, cut, troubled, unpack
from convert.collection.rows import Options
from convert.collection.work import Misplaced, PartDone, do_part
from convert.collection.write import remove_part
from convert.fen import SourceError
from convert.sources import is_packed

MOST_DEATHS = 3
"""A part on which so many workers died is not tried again."""


@dataclass(frozen=True)
class Progress:
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
class Outcome:
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


def run(
    inputs: list[Input],
    out: Path,
    options: Options,
    *,
    jobs: int = 1,
    cluster: str | None = None,
    again: bool = False,
    part_bytes: int | None = None,
    tell: Callable[[Progress], None] = lambda _: None,
) -> Outcome:
    """Make a collection, or go on with it.

    Args:
        inputs: files of games.
        out: folder of the collection.
        options: what decides the rows.
        jobs: processes of this machine.
        cluster: address of a Dask scheduler, which then does the work.
        again: throw earlier rows away.
        part_bytes: size of a part; by the effort if None.
        tell: called now and then.

    Raises:
        BadFolder: the folder cannot be used.
        RunError: no workers, or one input or output that a worker does not reach.
        OSError: something cannot be written.
        KeyboardInterrupt: stopped; finished parts are kept.
    """
    with Ledger(out, options, again=again) as ledger:
        return _Run(inputs, ledger, jobs, cluster, part_bytes, tell).all()


# --- a run --------------------------------------------------------------------------------------


class _Run:
    """One run over some files."""

    def __init__(
        self,
        inputs: list[Input],
        ledger: Ledger,
        jobs: int,
        cluster: str | None,
        part_bytes: int | None,
        tell: Callable[[Progress], None],
    ):
        self.inputs = inputs
        self.ledger = ledger
        self.jobs = jobs
        self.cluster = cluster
        self.part_bytes = part_bytes or PART_BYTES[ledger.options.effort]
        self.tell = tell
        self.outcome = Outcome()
        self.began = time.monotonic()
        self.told = 0.0
        self.finished = ledger.finished()
        self.here = 0  # games that this process has read
        self.bytes_total = self.bytes_done = self.bytes_new = 0.0
        self.weight: dict[str, float] = {}  # bytes of a file for a byte of its text, by name
        self.uses: Counter[str] = Counter()  # of unpacked texts, by path
        self.deaths: Counter[str] = Counter()  # of workers, by part
        self.under_way: dict[Future[PartDone], Part] = {}
        self.given: dict[str, Part] = {}  # the same parts by id, and the one just being given
        self.out = Path(os.path.abspath(ledger.out))  # a worker may stand elsewhere

    def all(self) -> Outcome:
        """Do everything that is left to do."""
        self._settle_names()
        todo = self._parts()
        first = next(todo, None)  # no worker is started for nothing
        waiting = [] if first is None else [first]
        while waiting:
            waiting = self._with_crew(waiting, todo)
        self._finish()
        return self.outcome

    # -- which parts ------------------------------------------------------------------------------

    def _settle_names(self) -> None:
        """Know files again that are named otherwise, or stand elsewhere, than the last time."""
        gone = {
            entry.name: entry
            for entry in self.ledger.entries.values()
            if entry.path != STREAM and not os.path.exists(entry.path)
        }
        by_path = {entry.path: entry for entry in self.ledger.entries.values()}
        for index, one in enumerate(self.inputs):
            if one.path == STREAM:
                continue
            with contextlib.suppress(OSError):
                self.bytes_total += os.path.getsize(one.path)
            seen = by_path.get(one.path)
            named = self.ledger.entries.get(one.name)
            if seen is not None:
                self.inputs[index] = Input(seen.name, one.path)
            elif named is not None and one.name not in gone:
                raise RunError(
                    f"{one.name}: another file of that name is in the collection "
                    f"({named.path}); name it from a folder above both"
                )
            elif named is None and gone and (moved := _moved(one, gone)) is not None:
                self.outcome.remarks.append(f"{one.name}: known already, as {moved.name}")
                self.inputs[index] = Input(moved.name, one.path)
                del gone[moved.name]

    def _parts(self) -> Iterator[Part]:
        """The parts that are to be done, each ready to be read."""
        for one in self.inputs:
            try:
                yield from self._parts_of(one)
            except SourceError as err:
                yield from self._unusable(one, err.reason)

    def _parts_of(self, one: Input) -> Iterator[Part]:
        text = one.path
        damage = None
        entry = self.ledger.entries.get(one.name)
        if one.path == STREAM:
            text, damage, print_ = self._stream()
            one, entry = self._name_of_stream(print_)
            self.bytes_total += print_.bytes
            packed = True
        else:
            try:
                print_ = print_of(one.path)
                with open(one.path, "rb") as file:
                    packed = is_packed(file.read(4))
            except OSError as err:
                yield from self._unusable(one, f"cannot be read: {err.strerror or err}")
                return
        if (
            entry is not None
            and entry.parts is not None
            and entry.print == print_
            and all(part.id in self.finished for part in entry.parts)
        ):
            if entry.path != one.path:
                self.ledger.add(replace(entry, path=one.path))
            for part in entry.parts:
                self._told_trouble(part)
                self.outcome.kept += part.games
            self.bytes_done += print_.bytes
            return
        if packed and one.path != STREAM:
            text = str(self.ledger.unpacked(one.name))
            damage = unpack(one.path, Path(text))
        self.weight[one.name] = print_.bytes / max(1, os.path.getsize(text))
        if packed:
            self.uses[text] += 1  # till it is cut
        made = cut(text, self.part_bytes, name=one.name, damage=damage)
        parts: list[Part] = []
        if entry is not None and entry.parts is not None:
            parts += made
            self._replace(entry, Entry(one.name, one.path, print_, tuple(parts)))
            made = iter(parts)
        elif entry is None:
            self.ledger.add(Entry(one.name, one.path, print_, None))
        for number, part in enumerate(made):
            if number == len(parts):
                parts.append(part)
            self._told_trouble(part)
            if part.id in self.finished:
                self.outcome.kept += part.games
                self._count(part)
            else:
                if packed and part.path:
                    self.uses[text] += 1
                yield part
        if entry is None or entry.parts is None:
            self.ledger.add(Entry(one.name, one.path, print_, tuple(parts)))
        self._let_go(text)

    def _stream(self) -> tuple[str, str | None, Print]:
        """Standard input as a file: path, how it breaks off, print."""
        path = self.ledger.unpacked(STREAM)
        damage = unpack(STREAM, path)
        return str(path), damage, Print(os.path.getsize(path), 0, digest_of(path))

    def _name_of_stream(self, print_: Print) -> tuple[Input, Entry | None]:
        """A name for what came in: that of an earlier stream only if it is the same."""
        number, name = 1, STDIN
        while (entry := self.ledger.entries.get(name)) is not None and entry.print != print_:
            number += 1
            name = f"{STDIN} ({number})"
        return Input(name, STREAM), entry

    def _unusable(self, one: Input, reason: str) -> Iterator[Part]:
        """The row for a file of which nothing can be used; rows made of it before are kept."""
        self.outcome.unreadable.append((one.name, reason))
        entry = self.ledger.entries.get(one.name)
        part = troubled(one.name, reason)
        if entry is not None and any(not old.trouble for old in entry.parts or ()):
            return
        fresh = Entry(one.name, one.path, Print(0, 0, ""), (part,))
        if entry is not None and entry.parts is not None:
            self._replace(entry, fresh)
        else:
            self.ledger.add(fresh)
        if part.id not in self.finished:
            yield part

    def _replace(self, old: Entry, fresh: Entry) -> None:
        """Put the parts of a file that has changed in place of those that it had."""
        self.ledger.add(fresh)
        keep = {part.id for part in fresh.parts or ()}
        away = [part for part in old.parts or () if part.id not in keep]
        for part in away:
            remove_part(self.ledger.out, part.id)
            self.finished.discard(part.id)
        if away:
            kept = len(old.parts or ()) - len(away)
            self.outcome.remarks.append(
                f"{fresh.name}: has changed; {_count(len(away), 'part')} of its rows taken out "
                f"and done anew, {kept} kept"
            )

    def _told_trouble(self, part: Part) -> None:
        if part.trouble is not None or part.damage is not None:
            reason = part.trouble or f"damaged after {part.games_before + part.games} games"
            self.outcome.unreadable.append((part.file, reason))

    def _count(self, part: Part) -> float:
        """Add a part to what is done; returns its bytes."""
        size = (part.end - part.start) * self.weight.get(part.file, 1.0)
        self.bytes_done += size
        return size

    def _let_go(self, text: str) -> None:
        """One use of an unpacked text is over; after the last it is removed."""
        if text in self.uses:
            self.uses[text] -= 1
            if self.uses[text] <= 0:
                del self.uses[text]
                if os.path.dirname(text) == str(self.out / "work"):
                    os.unlink(text)

    # -- who does them ----------------------------------------------------------------------------

    def _with_crew(self, waiting: list[Part], todo: Iterator[Part]) -> list[Part]:
        """Give parts to a crew until all are done; returns those that are left if it breaks up."""
        under_way = self.under_way
        queue = deque(waiting)
        part: Part | None = None
        with workers(self.jobs, self.cluster, self._one_here) as crew:
            try:
                while (part := queue.popleft() if queue else next(todo, None)) is not None:
                    self._submit(crew, part)
                    while len(under_way) >= (1 if crew.size == 1 else 2 * crew.size + 2):
                        self._collect(crew)
                while under_way:
                    self._collect(crew)
            except BrokenProcessPool:
                lost = {one.id: one for one in (*under_way.values(), *([part] if part else []))}
                under_way.clear()
                for one in lost.values():
                    self._died(one)
                return [*(one for one in lost.values() if one.id not in self.finished), *queue]
            except BaseException:
                crew.stop(list(under_way))
                under_way.clear()
                raise
        return []

    def _submit(self, crew: Crew, part: Part) -> None:
        self.given[part.id] = part
        # Work done here may be broken off anywhere; a pool that starts its processes may not.
        with contextlib.ExitStack() as stack:
            if crew.elsewhere:
                stack.enter_context(held())
                stack.enter_context(deaf_from_birth(signal.SIGINT))
            future = crew.executor.submit(do_part, part, self.out, self.ledger.options, crew.share)
            self.under_way[future] = part

    def _collect(self, crew: Crew) -> None:
        """Wait a little for parts to be done, and take them off."""
        with held():
            done, _ = wait(self.under_way, timeout=0.25, return_when=FIRST_COMPLETED)
        for future in done:
            part = self.under_way[future]
            try:
                result = future.result()
            except BrokenProcessPool:
                raise
            except CancelledError as err:
                raise RunError(f"{self.cluster}: the scheduler is gone") from err
            except Misplaced as err:
                raise RunError(str(err)) from err
            except OSError as err:
                raise RunError(_reason(err, self.ledger.out)) from err
            except Exception as err:
                if type(err).__name__ != "KilledWorker":
                    raise
                del self.under_way[future]
                self._died(part)
                self._submit(crew, part)
                continue
            del self.under_way[future]
            del self.given[part.id]
            self.finished.add(result.id)
            self.outcome.new += result.games
            self.outcome.errors += result.rows.get("errors", 0)
            self.outcome.remarks += [
                text for text in result.remarks if text not in self.outcome.remarks
            ]
            self.bytes_new += self._count(part)
            self._let_go(part.path)
        if not done and not crew.alive():
            raise RunError(f"{self.cluster}: no workers are left")
        if crew.counted is not None:
            self.here = crew.counted()
        self._tell()

    def _died(self, part: Part) -> None:
        self.deaths[part.id] += 1
        if self.deaths[part.id] >= MOST_DEATHS:
            first, last = part.games_before + 1, part.games_before + part.games
            raise RunError(
                f"{part.file}: {MOST_DEATHS} workers died at games {first} to {last}, or beside "
                "them (too little memory?)"
            )

    def _one_here(self) -> None:
        self.here += 1
        self._tell()

    def _tell(self) -> None:
        now = time.monotonic()
        if now - self.told < 0.2:
            return
        self.told = now
        seconds = now - self.began
        games = max(self.here, self.outcome.new)
        # Of the parts under way only the games that were read are known, not their bytes.
        ahead = sum(part.games for part in self.given.values())
        size = sum(
            (part.end - part.start) * self.weight.get(part.file, 1.0)
            for part in self.given.values()
        )
        inside = size * min(1.0, (games - self.outcome.new) / ahead) if ahead else 0.0
        fresh = self.bytes_new + inside
        rest = max(0.0, self.bytes_total - self.bytes_done - inside)
        share = min(1.0, (self.bytes_done + inside) / self.bytes_total) if self.bytes_total else 0.0
        left = rest / fresh * seconds if fresh else None
        self.tell(Progress(games, self.outcome.errors, share, seconds, left))

    # -- the end ----------------------------------------------------------------------------------

    def _finish(self) -> None:
        ledger, outcome = self.ledger, self.outcome
        entries = ledger.entries.values()
        unfinished = [
            entry.name
            for entry in entries
            if entry.parts is None or any(part.id not in self.finished for part in entry.parts)
        ]
        outcome.remarks += [
            f"{name}: begun in an earlier run and not finished; name it again to go on"
            for name in unfinished
        ]
        outcome.complete = not unfinished
        ledger.sweep()
        if outcome.complete:
            for path in list(orphans(ledger.out, ledger.known())):
                path.unlink(missing_ok=True)
        outcome.files = len(entries)
        outcome.games = sum(part.games for entry in entries for part in entry.parts or ())
        ledger.state(complete=outcome.complete)
        outcome.seconds = time.monotonic() - self.began


def _moved(one: Input, gone: dict[str, Entry]) -> Entry | None:
    """The file that stood elsewhere and is gone from there, with the same content by its print."""
    try:
        print_ = print_of(one.path)
    except OSError:
        return None
    return next((entry for entry in gone.values() if entry.print.alike(print_)), None)


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def _reason(err: OSError, out: Path) -> str:
    told = os.strerror(err.errno) if err.errno else " ".join(str(err).split())
    return f"{err.filename or out}: {told}"
