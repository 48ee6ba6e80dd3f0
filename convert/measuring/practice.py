"""Counts what became of endings in games, by material and the players' ratings.

    python -m convert.measuring.practice GAMES.pgn.gz... [-o FILE] [--jobs N]

A game counts once for each kind of material (`convert.review.practice.kind_of`) that lasted.
Left out are games lost on time, games of less than three minutes a player, games from a set-up
position and games without a result.  What is written are counts only.
"""

from __future__ import annotations

import argparse
import io
import re
import sys
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import chess

from convert import __version__
from convert.measuring.settle import processors
from convert.measuring.shipped import written
from convert.reading.containers import text_chunks
from convert.reading.fastread import read_lines
from convert.reading.fen import SourceError
from convert.reading.records import LineRead
from convert.review.endings import first_exchange_up, first_pawn_ending
from convert.review.practice import (
    BANDS,
    FILE,
    LEAST,
    band_of,
    kinds_of,
    more_words,
)
from convert.review.walker import Walk, walk
from convert.rim.outputs import Output, OutputError, check, whole_file
from convert.rim.safe_text import safe_line

#: Seconds for 40 moves below which a game is too fast to count.
FAST = 180
#: Bytes of text that one process counts at a time.
PART = 1 << 20

_SCORES = {"1-0": 1, "1/2-1/2": 0, "0-1": -1}

#: Why a game is left out, in the order in which it is asked.
SET_UP, NO_RESULT, TIME, TOO_FAST = (
    "set-up position",
    "no result, or broken off",
    "lost on time",
    "less than three minutes a player",
)

#: Counts of all games with a result, compared with those of another program.
PURE_EXCHANGE_UP = "rook against a minor piece, score of the rook's side"
INTO_PAWN_ENDING = "traded into a pawn ending, score of the side that took first"


# --- what a game tells --------------------------------------------------------------------


def reason_left_out(read: LineRead) -> str:
    """Why a game is not counted; empty if it is."""
    tags = read.headers
    assert tags is not None
    if tags.get("FEN"):
        return SET_UP
    if not read.complete or tags.get("Result") not in _SCORES:
        return NO_RESULT
    if tags.get("Termination", "").strip().lower() == "time forfeit":
        return TIME
    return TOO_FAST if seconds_of(tags.get("TimeControl", "")) < FAST else ""


def seconds_of(control: str) -> float:
    """Seconds a player has for 40 moves by a TimeControl tag (PGN standard, section 9.6.1).

    Only for one period to the end of the game, with or without increment; otherwise infinite.
    """
    match = re.fullmatch(r"(\d{1,6})(?:\+(\d{1,5}))?", control.strip(), re.ASCII)
    return float("inf") if match is None else int(match[1]) + 40 * int(match[2] or 0)


# --- counting -----------------------------------------------------------------------------


def _nought() -> list[list[int]]:
    return [[0, 0, 0] for _ in BANDS]


@dataclass
class PracticeTally:
    """Counts of many games; ``balances``: won, drawn, lost for each band of ratings.

    ``left_out`` counts only games that would have counted for something.  ``control`` holds
    counts of all games, left out or not, whose figures are known from elsewhere.
    """

    read: int = 0
    games: int = 0
    balances: dict[str, list[list[int]]] = field(default_factory=dict)
    left_out: Counter[str] = field(default_factory=Counter)
    control: dict[str, list[int]] = field(default_factory=dict)
    trouble: list[str] = field(default_factory=list)

    def add(self, read: LineRead) -> None:
        """Count one game."""
        self.read += 1
        if read.headers is None or read.start is None or not read.moves:
            return
        tags = read.headers
        walked = walk(read.start, read.moves)
        score = _SCORES.get(tags.get("Result", ""))
        if score is not None and read.complete:
            self._control(walked, score)
        kinds_seen = kinds_of(walked)
        if not kinds_seen:
            return
        if why := reason_left_out(read):
            self.left_out[why] += 1
            return
        assert score is not None
        self.games += 1
        band = band_of(tags)
        for kind in kinds_seen:
            row = self.balances.setdefault(kind.key, _nought())[band]
            row[_place(score, kind.first)] += 1

    def _control(self, walked: Walk, score: int) -> None:
        pairs: list[tuple[str, chess.Color, int]] = []
        if (exchange := first_exchange_up(walked.counts)) is not None:
            pairs.append((PURE_EXCHANGE_UP, exchange.side, exchange.up - exchange.down))
        pawns = first_pawn_ending(walked)
        if pawns is not None and pawns.way == "trade":
            pairs.append((INTO_PAWN_ENDING, pawns.first, pawns.lead))
        for name, color, more in pairs:
            for label in (name, f"{name}, {more_words(more)}"):
                self.control.setdefault(label, [0, 0, 0])[_place(score, color)] += 1

    def merge(self, other: PracticeTally) -> None:
        """Add what was counted elsewhere."""
        self.read += other.read
        self.games += other.games
        self.left_out += other.left_out
        self.trouble += other.trouble
        for key, rows in other.balances.items():
            for mine, theirs in zip(self.balances.setdefault(key, _nought()), rows, strict=True):
                mine[:] = [a + b for a, b in zip(mine, theirs, strict=True)]
        for key, row in other.control.items():
            own_counts = self.control.get(key, [0, 0, 0])
            self.control[key] = [a + b for a, b in zip(own_counts, row, strict=True)]


def _place(score: int, first: chess.Color | None) -> int:
    """0 won, 1 drawn, 2 lost, of White's score (1, 0, -1) for a side; None: 0 if decided."""
    if first is None:
        return 0 if score else 1
    return 1 - (score if first else -score)


def count_part(name: str, text: bytes) -> PracticeTally:
    """Count the games of a piece of PGN text."""
    tally = PracticeTally()
    try:
        for read in read_lines("-", stdin=io.BytesIO(text)):
            tally.add(read)
    except SourceError as error:
        tally.trouble.append(f"{name}: {error.reason}")
    return tally


def parts(path: str | Path, size: int = PART) -> Iterator[bytes]:
    """The text of a file in pieces of about ``size`` bytes, cut where a game begins.

    That is where a line with the Event tag, first of the Seven Tag Roster, follows an empty one.

    Raises:
        SourceError: the file cannot be read.
    """
    held = b""
    for chunk in text_chunks(path):
        held += chunk
        if len(held) < size:
            continue
        cut = max(held.rfind(b"\n\n[Event "), held.rfind(b"\r\n\r\n[Event "))
        if cut > 0:
            yield held[:cut] + b"\n"
            held = held[cut:]
    if held.strip():
        yield held


def tallies(paths: Iterable[str], jobs: int) -> Iterator[PracticeTally]:
    """What the pieces of all files hold, in order, by ``jobs`` processes."""
    tasks = ((path, part) for path in paths for part in parts(path))
    if jobs <= 1:
        for task in tasks:
            yield count_part(*task)
        return
    waiting: deque[Future[PracticeTally]] = deque()
    with ProcessPoolExecutor(jobs) as executor:
        try:
            for task in tasks:
                waiting.append(executor.submit(count_part, *task))
                if len(waiting) > 2 * jobs:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        except BaseException:
            executor.shutdown(wait=False, cancel_futures=True)
            raise


def count(
    paths: Iterable[str], jobs: int = 1, tell: Callable[[int], None] | None = None
) -> PracticeTally:
    """Count the games of PGN files; ``tell`` is told the number of games read.

    Raises:
        SourceError: a file cannot be read.
    """
    whole = PracticeTally()
    for tally in tallies(paths, jobs):
        whole.merge(tally)
        if tell is not None:
            tell(whole.read)
    return whole


# --- the file -----------------------------------------------------------------------------


def document_of(tally: PracticeTally) -> dict[str, Any]:
    """What ships: the counts of all material with enough games."""
    balances = {key: rows for key, rows in tally.balances.items() if sum(map(sum, rows)) >= LEAST}
    return {
        "program": f"fullpoint {__version__}",
        "made by": "python -m convert.measuring.practice",
        "games read": tally.read,
        "games counted": tally.games,
        "left out": dict(sorted(tally.left_out.items())),
        "bands": list(BANDS),
        "least": LEAST,
        "too few": len(tally.balances) - len(balances),
        "control": tally.control,
        "balances": balances,
    }


def progress(text: str) -> None:
    """What is going on, on standard error where that is a terminal."""
    if sys.stderr.isatty():
        sys.stderr.write("\r" + text.ljust(40))
        sys.stderr.flush()


def main(arguments: list[str] | None = None) -> int:
    """Count and write; returns the exit code."""
    parser = argparse.ArgumentParser(
        "python -m convert.measuring.practice",
        description="Counts what became of endings in games, by material and ratings.",
    )
    parser.add_argument("games", nargs="+", help="PGN files (.gz, .zst)")
    parser.add_argument("--jobs", type=int, default=processors(), help="processes")
    parser.add_argument("-o", "--out", type=Path, default=FILE, help="the file to write")
    result = parser.parse_args(arguments)
    try:
        check([Output("--out", str(result.out))], result.games)
        tally = count(result.games, result.jobs, lambda n: progress(f"games read: {n:,}"))
    except (SourceError, OutputError) as error:
        tally = PracticeTally(trouble=[str(error)])
    if tally.trouble:
        sys.stderr.write(f"{safe_line(tally.trouble[0])}\n")
        return 2
    with whole_file(str(result.out)) as file:
        file.write(written(document_of(tally), "balances"))
    progress(f"written: {result.out}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
