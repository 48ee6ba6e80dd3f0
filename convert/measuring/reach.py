"""How early in games the solver proves something: shares of endings settled and bounded.

    python -m convert.measuring.reach FILE... [--sample 200] [--seconds 100] [--jobs N]

FILE holds positions (EPD: each counts as the first of its phase) or games (PGN: of each the first
position of every kind of phase is taken).  Of each kind the same ``--sample`` positions are asked
every time, in an order that follows from the positions alone; docs/solver.md has a run.
"""

from __future__ import annotations

import argparse
import hashlib
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import chess

from convert.board.balance import census, pure_exchange_up
from convert.measuring.practice import progress
from convert.measuring.settle import processors
from convert.reading.epd import read_positions
from convert.reading.fastread import read_lines
from convert.reading.fen import SourceError
from convert.review.solution import load_machine_code
from convert.rim.safe_text import safe_line
from convert.shares import interval

#: Seconds of planned work for a position, and bytes of memory: ``solve --effort normal``.
SECONDS = 100.0
MEMORY = 3 * 10**9
#: Most pieces beside kings and pawns that the solver is asked about.
MOST_PIECES = 4

KINDS = (
    "exchange up, 8 men",
    "exchange up, 9 men",
    "exchange up, 10 and 11 men",
    "pawn ending, 8 men",
    "pawn ending, 9 and 10 men",
    "pawn ending, 11 and 12 men",
    "six men",
)
_BY_MEN = {
    True: {8: KINDS[0], 9: KINDS[1], 10: KINDS[2], 11: KINDS[2]},
    False: {8: KINDS[3], 9: KINDS[4], 10: KINDS[4], 11: KINDS[5], 12: KINDS[5]},
}


@dataclass(frozen=True)
class Reached:
    """What was proved of one position.

    ``low``, ``high``: points for the side to move under the fifty-move rule, clock 0: 1 a win, 0 a
    draw, -1 a loss.  ``planned``: seconds of one core it was to take, ``taken``: those it took.
    """

    fen: str
    low: int
    high: int
    planned: float
    taken: float

    @property
    def settled(self) -> bool:
        """Is the outcome known?"""
        return self.low == self.high

    @property
    def bounded(self) -> bool:
        """Is one outcome excluded at least?"""
        return (self.low, self.high) != (-1, 1)


def kind_of_phase(board: chess.Board) -> str | None:
    """The kind of phase that the table has a row for; None if there is none."""
    pieces = board.occupied & ~board.kings & ~board.pawns
    men = board.occupied.bit_count()
    if board.castling_rights or pieces.bit_count() > MOST_PIECES:
        return None
    if men == 6:
        return KINDS[-1]
    if not pieces:
        return _BY_MEN[False].get(men)
    if pure_exchange_up(census(board)) is not None:
        return _BY_MEN[True].get(men)
    return None


def phases_in(paths: Iterable[str]) -> dict[str, list[str]]:
    """Positions by kind, each once, in an order like one drawn at random that never changes.

    Raises:
        SourceError: a file cannot be read.
    """
    by_kind: dict[str, dict[str, None]] = {kind: {} for kind in KINDS}
    for path in paths:
        for kind, board in _firsts(path):
            bare = board.copy(stack=False)
            bare.halfmove_clock, bare.fullmove_number = 0, 1
            if bare.is_valid() and any(bare.generate_legal_moves()):
                by_kind[kind][bare.fen()] = None
    return {
        kind: sorted(fens, key=lambda fen: hashlib.blake2b(fen.encode()).digest())
        for kind, fens in by_kind.items()
    }


def _firsts(path: str) -> Iterator[tuple[str, chess.Board]]:
    if ".epd" in Path(path).suffixes:
        for read in read_positions(path):
            if read.board is not None and (kind := kind_of_phase(read.board)) is not None:
                yield kind, read.board
        return
    for game in read_lines(path):
        if game.start is None:
            continue
        board = game.start.copy(stack=False)
        seen: set[str] = set()
        for move in game.moves:
            board.push(move)
            kind = kind_of_phase(board) if board.occupied.bit_count() <= 12 else None
            if kind is not None and kind not in seen:
                seen.add(kind)
                yield kind, board


def reached(fen: str, seconds: float) -> Reached:
    """What the solver proves of one position by itself, nothing stored, on one core."""
    from tablebases.solver import Budget
    from tablebases.solver.trying import Solver

    board = chess.Board(fen)
    begun = time.process_time()
    solver = Solver([board], Budget(seconds, MEMORY, threads=1, settled=5))
    low, high = solver.run().interval(board)
    return Reached(fen, low.points, high.points, solver.spent, time.process_time() - begun)


def _prepared() -> None:
    """Compile before anything is timed; the start of each process."""
    load_machine_code()


def all_reached(
    fens: Iterable[str],
    seconds: float,
    jobs: int,
    tell: Callable[[Sequence[Reached]], None] = lambda _: None,
) -> list[Reached]:
    """``reached`` of each, in order, on so many processes; ``tell`` hears those done so far."""
    ask = partial(reached, seconds=seconds)
    answers: list[Reached] = []
    if jobs <= 1:
        _prepared()
        for fen in fens:
            answers.append(ask(fen))
            tell(answers)
        return answers
    with ProcessPoolExecutor(jobs, initializer=_prepared) as executor:
        for one in executor.map(ask, fens):
            answers.append(one)
            tell(answers)
    return answers


def row(kind: str, answers: list[Reached]) -> str:
    """A line of the table: how many were settled, and bounded at least, with 95% intervals."""
    number = len(answers)
    if not number:
        return f"| {kind} | 0 | | | | |"
    cells = []
    for count in (sum(r.settled for r in answers), sum(r.bounded for r in answers)):
        low, high = interval(number, count / number)
        cells.append(f"{count} ({100 * low:.0f} to {100 * high:.0f}%)")
    taken = sorted(r.taken for r in answers)
    planned = sorted(r.planned for r in answers)
    middle = number // 2
    return (
        f"| {kind} | {number} | {cells[0]} | {cells[1]} | {planned[middle]:.1f} s "
        f"| {taken[middle]:.1f} s, {taken[-1]:.0f} s |"
    )


def main(arguments: list[str] | None = None) -> int:
    """Measure and write the table; returns the exit code."""
    parser = argparse.ArgumentParser("python -m convert.measuring.reach", description=__doc__)
    parser.add_argument("files", nargs="+", help="EPD or PGN files (.gz, .zst)")
    parser.add_argument("--sample", type=int, default=200, help="positions of each kind")
    parser.add_argument("--seconds", type=float, default=SECONDS, help="planned work of each")
    parser.add_argument("--jobs", type=int, default=processors(), help="processes")
    parser.add_argument("--kind", action="append", choices=KINDS, help="only this (repeatable)")
    parser.add_argument(
        "--each", action="store_true", help="a line for each position, as it is done"
    )
    result = parser.parse_args(arguments)
    try:
        phases = phases_in(result.files)
    except SourceError as error:
        sys.stderr.write(f"{safe_line(str(error))}\n")
        return 2
    out = sys.stdout
    out.write("| first positions | asked | settled | bounded | planned | taken (middle, most) |\n")
    out.write("|---|---|---|---|---|---|\n")
    for kind in result.kind or KINDS:
        fens = phases[kind][: result.sample]
        tell = partial(_tell, kind, len(fens), each=result.each)
        answers = all_reached(fens, result.seconds, result.jobs, tell)
        out.write(row(kind, answers) + "\n")
        out.flush()
    return 0


def _tell(kind: str, number: int, done: Sequence[Reached], *, each: bool) -> None:
    progress(f"{kind}: {len(done)} of {number}")
    if each:
        one = done[-1]
        sys.stdout.write(f"{one.fen} {one.low} {one.high} {one.planned:.2f} {one.taken:.2f}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
