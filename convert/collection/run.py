"""Has a collection made: which parts there are, which are done, who does the others.

The work is written against `concurrent.futures.Executor`: this process, processes of this machine
and a cluster differ in `crew.workers` alone.
"""

from __future__ import annotations

import contextlib
import os
import signal
import time
from collections import Counter, defaultdict, deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import (
    FIRST_COMPLETED,
    Future,
    wait,
)
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from pathlib import Path
from typing import Any

from convert.collection.crew import Crew, RunError, workers
from convert.collection.inputs import STDIN, STREAM, Input, Print, digest_of, print_of
from convert.collection.interrupts import deaf_from_birth, held
from convert.collection.ledger import Ledger, LedgerEntry, orphans
from convert.collection.parts import PART_BYTES, FilePart, Packing, Unit, troubled, unpack
from convert.collection.rows import Options
from convert.collection.run_state import (
    CutFile,
    RunProgress,
    RunSummary,
    how_far,
    is_done,
    moved_from,
    result_of,
)
from convert.collection.work import (
    MOST_DEATHS,
    Deadly,
    ToCut,
    UnitDone,
    WasCut,
    cut_mark,
    do_cut,
    do_unit,
    tried,
)
from convert.collection.write import keep_parts, remove_part
from convert.reading.containers import is_packed
from convert.reading.fen import SourceError
from convert.wording.small import counted

MOST_GONE = 5
"""Files that are gone and are named."""


def run(
    inputs: list[Input],
    out: Path,
    options: Options,
    *,
    jobs: int = 1,
    cluster: str | None = None,
    again: bool = False,
    prune: bool = False,
    part_bytes: int | None = None,
    tell: Callable[[RunProgress], None] = lambda _: None,
) -> RunSummary:
    """Make a collection, or go on with it.

    Args:
        inputs: files of games.
        out: folder of the collection.
        options: what decides the rows.
        jobs: processes of this machine.
        cluster: address of a Dask scheduler, which then does the work.
        again: throw earlier rows away.
        prune: take out the rows of files that are gone.
        part_bytes: size of a part; by the effort if None.
        tell: called now and then.

    Raises:
        BadFolder: the folder cannot be used.
        RunError: no workers, or one input or output that a worker does not reach.
        OSError: something cannot be written.
        KeyboardInterrupt: stopped; finished parts are kept.
    """
    with Ledger(out, options, again=again) as ledger:
        return _Run(inputs, ledger, jobs, cluster, prune, part_bytes, tell).all()


# --- a run --------------------------------------------------------------------------------------


class _Run:
    """One run over some files."""

    def __init__(
        self,
        inputs: list[Input],
        ledger: Ledger,
        jobs: int,
        cluster: str | None,
        prune: bool,
        part_bytes: int | None,
        tell: Callable[[RunProgress], None],
    ):
        self.inputs = inputs
        self.ledger = ledger
        self.jobs = jobs
        self.cluster = cluster
        self.prune = prune
        self.part_bytes = part_bytes or PART_BYTES[ledger.options.effort]
        self.tell = tell
        self.outcome = RunSummary()
        self.began = time.monotonic()
        self.told = 0.0
        self.finished = ledger.finished()
        self.here = 0  # games that this process has read
        self.bytes_total = self.bytes_done = self.bytes_new = 0.0
        self.weight: dict[str, float] = {}  # bytes of a file for a byte of its text, by name
        self.uses: Counter[str] = Counter()  # of unpacked texts, by path
        self.packing = Packing(self.part_bytes)
        self.ended: list[str] = []  # files that are cut, some of whose parts are not in a unit yet
        self.cutting: deque[CutFile] = deque()  # in the order of the files
        self.units: deque[Unit] = deque()  # to be done
        self.under_way: dict[Future[UnitDone], Unit] = {}
        self.given: dict[str, Unit] = {}  # the same units by id, and the one just being given
        self.suspects: set[str] = set()  # units and cuts at which a worker died: alone from now on
        self.deadly: set[str] = set()  # files that killed too many
        self.out = Path(os.path.abspath(ledger.out))  # a worker may stand elsewhere

    def all(self) -> RunSummary:
        """Do everything that is left to do."""
        self._settle_names()
        files = self._files()
        first = next(files, None)  # no worker is started for nothing
        if first is not None:
            self.cutting.append(first)
        while self.cutting or self.units:
            self._with_crew(files)
        self._finish()
        return self.outcome

    # -- which files ------------------------------------------------------------------------------

    def _settle_names(self) -> None:
        """Know files again that are named otherwise, or stand elsewhere, than the last time."""
        entries = {entry.name: entry for entry in self.ledger.entries()}
        gone = {
            entry.name: entry
            for entry in entries.values()
            if entry.path != STREAM and not os.path.exists(entry.path)
        }
        by_path = {entry.path: entry for entry in entries.values()}
        for index, one in enumerate(self.inputs):
            if one.path == STREAM:
                continue
            with contextlib.suppress(OSError):
                self.bytes_total += os.path.getsize(one.path)
            seen = by_path.get(one.path)
            named = entries.get(one.name)
            if seen is not None:
                self.inputs[index] = Input(seen.name, one.path)
            elif named is not None and one.name not in gone:
                raise RunError(
                    f"{one.name}: another file of that name is in the collection "
                    f"({named.path}); name it from a folder above both"
                )
            elif named is not None:
                del gone[one.name]
            elif gone and (moved := moved_from(one, gone)) is not None:
                self.outcome.remarks.append(f"{one.name}: known already, as {moved.name}")
                self.inputs[index] = Input(moved.name, one.path)
                del gone[moved.name]
        self._gone(list(gone))

    def _gone(self, names: list[str]) -> None:
        """Tell of files that are gone, and take their rows out if that is wanted."""
        what = "its rows are kept; --prune takes them out"
        for number, name in enumerate(names):
            if self.prune:
                parts = self.ledger.parts_of(name)
                self._take_out(parts)
                self.ledger.drop(name)
                what = f"{counted(sum(part.games for part, _ in parts), 'game')} taken out"
            if number < MOST_GONE:
                self.outcome.remarks.append(f"{name}: is gone; {what}")
        if len(names) > MOST_GONE:
            more = counted(len(names) - MOST_GONE, "file")
            what = "taken out too" if self.prune else "their rows are kept"
            self.outcome.remarks.append(f"{more} more gone; {what}")

    def _files(self) -> Iterator[CutFile]:
        """The files that are to be cut, in order; those that need no work are passed over."""
        for one in self.inputs:
            try:
                file = self._file(one)
            except SourceError as err:
                self._unusable(one.name, one.path, err.reason)
            else:
                if file is not None:
                    yield file

    def _file(self, one: Input) -> CutFile | None:
        text = one.path
        damage = None
        if one.path == STREAM:
            text, damage, print_ = self._stream()
            one, entry = self._name_of_stream(print_)
            self.bytes_total += print_.bytes
            packed = True
        else:
            entry = self.ledger.entry(one.name)
            try:
                print_ = print_of(one.path)
                with open(one.path, "rb") as stream:
                    packed = is_packed(stream.read(4))
            except OSError as err:
                self._unusable(one.name, one.path, f"cannot be read: {err.strerror or err}")
                return None
        if entry is not None and entry.whole and entry.print == print_:
            if entry.path != one.path:
                self.ledger.add(replace(entry, path=one.path))
            for part, _ in self.ledger.parts_of(one.name):
                self._told_trouble(part)
                self.outcome.kept += part.games
            self.bytes_done += print_.bytes
            return None
        if packed and one.path != STREAM:
            text = str(self.ledger.unpacked(one.name))
        if packed:
            self.uses[text] += 1  # till it is cut
        known = {part.id: (part, unit) for part, unit in self.ledger.parts_of(one.name)}
        path = text if one.path == STREAM else one.path
        task = ToCut(one.name, path, text, self.part_bytes, damage=damage)
        self.ledger.add(LedgerEntry(one.name, one.path, print_, False))
        return CutFile(one.name, print_, task, known)

    def _stream(self) -> tuple[str, str | None, Print]:
        """Standard input as a file: path, how it breaks off, print."""
        path = self.ledger.unpacked(STREAM)
        damage = unpack(STREAM, path)
        return str(path), damage, Print(os.path.getsize(path), 0, digest_of(path))

    def _name_of_stream(self, print_: Print) -> tuple[Input, LedgerEntry | None]:
        """A name for what came in: that of an earlier stream only if it is the same."""
        number, name = 1, STDIN
        while (entry := self.ledger.entry(name)) is not None and entry.print != print_:
            number += 1
            name = f"{STDIN} ({number})"
        return Input(name, STREAM), entry

    def _unusable(self, name: str, path: str, reason: str) -> None:
        """The row for a file of which nothing can be used; rows made of it before are kept."""
        self.outcome.unreadable.append((name, reason))
        known = self.ledger.parts_of(name)
        if any(not part.trouble for part, _ in known):
            # Looked at again the next time: no file has such a print.
            self.ledger.add(LedgerEntry(name, path, Print(0, 0, ""), True))
            return
        part = troubled(name, reason)
        self.ledger.add(LedgerEntry(name, path, Print(0, 0, ""), False))
        self._take_out([(old, unit) for old, unit in known if old.id != part.id])
        if all(old.id != part.id for old, _ in known):
            self._pack(part)
        self._end(name)

    # -- from files to units ----------------------------------------------------------------------

    def _take_cut(self, file: CutFile, cut: WasCut) -> None:
        """Take the parts of a file in; what is left of it is cut next."""
        file.future = None
        text = file.task.text
        if cut.trouble is not None:
            self.cutting.popleft()
            self._let_go(text)
            self._unusable(file.name, self._path_of(file), cut.trouble)
            return
        self.weight[file.name] = file.print.bytes / max(1, cut.text_bytes)
        for part in cut.parts:
            file.seen.add(part.id)
            self._told_trouble(part)
            if part.id in file.known:
                self.outcome.kept += part.games
                self._count(part)
            else:
                if text in self.uses and part.path:
                    self.uses[text] += 1
                self._pack(part)
        if cut.rest is not None:
            file.task = cut.rest
            return
        self.cutting.popleft()
        away = [known for ident, known in file.known.items() if ident not in file.seen]
        if away:
            self._take_out(away)
            self.outcome.remarks.append(
                f"{file.name}: has changed; {counted(len(away), 'part')} of its rows taken out "
                f"and done anew, {len(file.known) - len(away)} kept"
            )
        self._end(file.name)
        self._let_go(text)

    def _path_of(self, file: CutFile) -> str:
        entry = self.ledger.entry(file.name)
        return file.task.path if entry is None else entry.path

    def _pack(self, part: FilePart) -> None:
        unit = self.packing.add(part)
        if unit is not None:
            self._to_do(unit)

    def _end(self, name: str) -> None:
        """All parts of a file are there; those of it that are in no unit yet hold it up."""
        self.ended.append(name)
        if not self.packing.waiting:
            self._note_ended()

    def _note_ended(self) -> None:
        for name in self.ended:
            self.ledger.whole(name)
        self.ended.clear()

    def _to_do(self, unit: Unit) -> None:
        """Remember a unit, and have it done unless a run that was killed has done it."""
        self.ledger.put(unit)
        self._note_ended()
        if unit.id in self.finished:
            self.outcome.kept += unit.games
            for part in unit.parts:
                self._count(part)
                self._let_go(part.path)
        else:
            self.units.append(unit)

    def _take_out(self, parts: Iterable[tuple[FilePart, str]]) -> None:
        """Take the rows of parts out of the units in which they stand."""
        away: dict[str, set[str]] = defaultdict(set)
        for part, unit in parts:
            away[unit].add(part.id)
        for ident, gone in away.items():
            rest = tuple(part for part in self.ledger.unit(ident).parts if part.id not in gone)
            if rest:
                left = Unit(rest)
                keep_parts(self.ledger.out, ident, left, self.ledger.options)
                self.ledger.put(left, instead=ident)
                self.finished.add(left.id)
            else:
                self.ledger.forget(ident)
            remove_part(self.ledger.out, ident)
            self.finished.discard(ident)

    def _told_trouble(self, part: FilePart) -> None:
        if part.trouble is not None or part.damage is not None:
            reason = part.trouble or f"damaged after {part.games_before + part.games} games"
            self.outcome.unreadable.append((part.file, reason))

    def _count(self, part: FilePart) -> float:
        """Add a part to what is done; returns its bytes."""
        size = (part.end - part.start) * self.weight.get(part.file, 1.0)
        self.bytes_done += size
        return size

    def _bytes(self, unit: Unit) -> float:
        return sum((part.end - part.start) * self.weight.get(part.file, 1.0) for part in unit.parts)

    def _let_go(self, text: str) -> None:
        """One use of an unpacked text is over; after the last it is removed."""
        if text in self.uses:
            self.uses[text] -= 1
            if self.uses[text] <= 0:
                del self.uses[text]
                with contextlib.suppress(FileNotFoundError):
                    os.unlink(text)

    # -- who does them ----------------------------------------------------------------------------

    def _with_crew(self, files: Iterator[CutFile]) -> None:
        """Have a crew work until all is done, or until it breaks up."""
        with workers(self.jobs, self.cluster, self._one_here) as crew:
            try:
                while self._give(crew, files):
                    self._collect(crew)
            except BrokenProcessPool:
                self._broken()
            except BaseException:
                crew.stop([*self.under_way, *self._cuts()])
                raise

    def _cuts(self) -> list[Future[WasCut]]:
        return [file.future for file in self.cutting if file.future is not None]

    def _broken(self) -> None:
        """The pool is gone: what was begun is suspected of having killed it."""
        lost = list({unit.id: unit for unit in self.given.values()}.values())
        self.under_way.clear()
        self.given.clear()
        self.suspects |= {unit.id for unit in lost if tried(self.out, unit.id)}
        self.units.extendleft(reversed(lost))
        for file in self.cutting:
            if file.future is not None:
                file.future = None
                mark = cut_mark(file.task)
                self.suspects |= {mark} if tried(self.out, mark) else set()

    def _give(self, crew: Crew, files: Iterator[CutFile]) -> bool:
        """Give out what there is room for; False when nothing is left to wait for."""
        size = crew.size()
        window = 1 if size == 1 and not crew.elsewhere else 2 * size + 2
        if self.suspects and self._give_suspect(crew):
            return True
        while len(self.cutting) <= size and (file := next(files, None)) is not None:
            self.cutting.append(file)
        for file in self.cutting:
            if file.future is None:
                self._cut(crew, file)
        while len(self.units) < window and self._take_first():
            if self.cutting and self.cutting[0].future is None:
                self._cut(crew, self.cutting[0])
            if len(self.cutting) <= size and (file := next(files, None)) is not None:
                self.cutting.append(file)
                self._cut(crew, file)
        if not self.cutting and (rest := self.packing.rest()) is not None:
            self._to_do(rest)
        while self.units and len(self.under_way) < window:
            self._submit(crew, self.units.popleft())
        return bool(self.under_way or self.cutting)

    def _give_suspect(self, crew: Crew) -> bool:
        """Give one suspect out, when nothing else is under way; False when there is none."""
        for file in self.cutting:
            if file.future is not None and is_done(file.future):
                self.suspects.discard(cut_mark(file.task))
        if self.under_way or any(not is_done(cut) for cut in self._cuts()):
            return True
        for unit in self.units:
            if unit.id in self.suspects:
                self.units.remove(unit)
                self._submit(crew, unit)
                return True
        for file in self.cutting:
            if cut_mark(file.task) in self.suspects:
                self._cut(crew, file)
                return True
        self.suspects.clear()
        return False

    def _take_first(self) -> bool:
        """Take in what came of the first file that is being cut, if it is cut."""
        if not self.cutting or self.cutting[0].future is None:
            return False
        file = self.cutting[0]
        assert file.future is not None
        if not is_done(file.future):
            return False
        self.suspects.discard(cut_mark(file.task))
        try:
            cut = result_of(file.future, self.cluster, self.ledger.out)
        except Deadly:
            self.deadly.add(file.name)
            self.cutting.popleft()
            self._let_go(file.task.text)
            reason = f"{MOST_DEATHS} workers died at cutting it into parts (too little memory?)"
            self.outcome.unreadable.append((file.name, reason))
            return True
        if cut is None:
            file.future = None
        else:
            self._take_cut(file, cut)
        return True

    def _cut(self, crew: Crew, file: CutFile) -> None:
        with self._undisturbed(crew):
            file.future = crew.executor.submit(do_cut, file.task, self.out)

    def _submit(self, crew: Crew, unit: Unit) -> None:
        self.given[unit.id] = unit
        share = crew.share()
        with self._undisturbed(crew):
            future = crew.executor.submit(do_unit, unit, self.out, self.ledger.options, share)
            self.under_way[future] = unit

    @contextlib.contextmanager
    def _undisturbed(self, crew: Crew) -> Iterator[None]:
        # Work done here may be broken off anywhere; a pool that starts its processes may not.
        with contextlib.ExitStack() as stack:
            if crew.elsewhere:
                stack.enter_context(held())
                stack.enter_context(deaf_from_birth(signal.SIGINT))
            yield

    def _collect(self, crew: Crew) -> None:
        """Wait a little for something to be done, and take the units off."""
        waiting: list[Future[Any]] = [
            *self.under_way,
            *(cut for cut in self._cuts() if not is_done(cut)),
        ]
        first = self.cutting[0].future if self.cutting else None
        ready = first is not None and is_done(first)
        room = len(self.units) < 2 * crew.size() + 2
        with held():
            timeout = 0 if ready and room else 0.25
            done, _ = wait(waiting, timeout=timeout, return_when=FIRST_COMPLETED)
        for future in [one for one in done if one in self.under_way]:
            unit = self.under_way[future]
            try:
                result = result_of(future, self.cluster, self.ledger.out)
            except Deadly:
                self._killed_too_many(unit)
            else:
                if isinstance(result, UnitDone):
                    self._done(unit, result)
                else:
                    self.units.append(unit)
            del self.under_way[future]
            del self.given[unit.id]
            self.suspects.discard(unit.id)
        if not done and (reason := crew.gone()) is not None:
            raise RunError(reason)
        if crew.counted is not None:
            self.here = crew.counted()
        self._tell()

    def _done(self, unit: Unit, result: UnitDone) -> None:
        self.finished.add(result.id)
        self.outcome.new += result.games
        self.outcome.errors += result.rows.get("errors", 0)
        self.outcome.remarks += [
            text for text in result.remarks if text not in self.outcome.remarks
        ]
        for part in unit.parts:
            self.bytes_new += self._count(part)
            self._let_go(part.path)

    def _killed_too_many(self, unit: Unit) -> None:
        """Leave a unit undone, and say so; a later run tries it again."""
        for part in unit.parts:
            self.deadly.add(part.file)
            first, last = part.games_before + 1, part.games_before + part.games
            reason = (
                f"{MOST_DEATHS} workers died at games {first} to {last}, or beside them "
                "(too little memory?)"
            )
            self.outcome.unreadable.append((part.file, reason))
            self._count(part)
            self._let_go(part.path)

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
        share, left = how_far(
            [(unit.games, self._bytes(unit)) for unit in self.given.values()],
            games - self.outcome.new,
            (self.bytes_new, self.bytes_done, self.bytes_total),
            seconds,
        )
        self.tell(RunProgress(games, self.outcome.errors, share, seconds, left))

    # -- the end ----------------------------------------------------------------------------------

    def _finish(self) -> None:
        ledger, outcome = self.ledger, self.outcome
        ledger.forget_undone(self.finished)
        entries = ledger.entries()
        unfinished = [entry.name for entry in entries if not entry.whole]
        outcome.remarks += [
            f"{name}: begun in an earlier run and not finished; name it again to go on"
            for name in unfinished
            if name not in self.deadly
        ]
        outcome.complete = not unfinished
        ledger.sweep()
        for path in list(orphans(ledger.out, ledger.known())):
            path.unlink(missing_ok=True)
        outcome.files = len(entries)
        outcome.games = ledger.games()
        ledger.state(complete=outcome.complete)
        outcome.seconds = time.monotonic() - self.began
