"""Positions in: EPD and FEN, one a line, troubles kept with their place."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import chess

from convert.reading.containers import BOM, Unpacked, decoded, open_source
from convert.reading.fen import SourceError, clock_notes, one_line, parse_fen
from convert.reading.records import Problem
from convert.reading.split import BLANK, TAG_START

__all__ = ["PositionRead", "read_positions"]


@dataclass(frozen=True)
class PositionRead:
    """One position of an EPD or FEN file.

    Attributes:
        source: name of the source.
        line: its line, from 1.
        board: the position, clocks from the FEN or from ``hmvc`` and ``fmvn``; None if unusable.
        operations: EPD operations by opcode; moves as `chess.Move` (``bm``, ``am``, ``pv``: lists).
        problems: everything that was found wrong.
    """

    source: str
    line: int
    board: chess.Board | None
    operations: dict[str, Any]
    problems: tuple[Problem, ...]


def read_positions(path: str | Path, *, stdin: BinaryIO | None = None) -> Iterator[PositionRead]:
    """Positions of a file with one EPD record or FEN a line, in the order of the file.

    Blank lines and lines that start with "#" are skipped.  A record has four fields and EPD
    operations (section 16.2), or four or six FEN fields (section 16.1).  A bad line is given with
    ``board=None`` and a fatal problem; bad operations cost only the operations.  Without a halfmove
    clock (``hmvc`` in EPD) it is assumed to be 0, and a problem that is not fatal says so.

    Args:
        path: a plain, gzip or zstd file, or "-" for standard input.
        stdin: binary stream to read for "-"; the process's standard input if None.

    Raises:
        SourceError: at the first step if the file cannot be opened or is empty, binary, UTF-16 or
            PGN, or holds no position line; after the last position if the file is damaged.
    """
    source, stream, ours = open_source(path, stdin)
    data = Unpacked(source, stream)
    count = 0
    try:
        for number, raw in enumerate(data.lines(), 1):
            raw = raw.removeprefix(BOM).strip(BLANK)
            if not raw or raw[:1] == b"#":
                continue
            if not count and TAG_START.match(raw):
                raise SourceError(source, "games in PGN, not positions (EPD or FEN lines)")
            count += 1
            yield _read_position(source, number, decoded(raw))
    finally:
        if ours:
            stream.close()
    if data.damage:
        raise SourceError(source, f"damaged after {count} positions: {data.damage}")
    if not count:
        raise SourceError(source, "no position found")


def _read_position(source: str, line: int, text: str) -> PositionRead:
    def problem(reason: str, fatal: bool = False) -> Problem:
        return Problem(source, None, line, None, reason, fatal)

    fields = text.split(None, 4)
    # FEN has a digit where EPD has an opcode, which starts with a letter (section 16.2).
    is_fen = len(fields) < 5 or fields[4][:1] in "-+0123456789"
    try:
        board, notes = parse_fen(text.rstrip("; ") if is_fen else " ".join(fields[:4]))
    except SourceError as error:
        return PositionRead(source, line, None, {}, (problem(error.reason, True),))
    if is_fen:
        return PositionRead(source, line, board, {}, tuple(problem(note) for note in notes))
    whole = chess.Board(None)
    try:
        operations = whole.set_epd(text)
    except (ValueError, AssertionError, IndexError, ArithmeticError, TypeError) as error:
        reason = f"EPD operations left out: {one_line(error)}"
        return PositionRead(source, line, board, {}, (problem(reason), *map(problem, notes)))
    for name, value in (("hmvc", whole.halfmove_clock), ("fmvn", whole.fullmove_number)):
        if name in operations and not (isinstance(value, int) and 0 <= value < 100_000):
            reason = f"EPD operations left out: {name} is not a number from 0 to 99999"
            return PositionRead(source, line, board, {}, (problem(reason), *map(problem, notes)))
    board.halfmove_clock, board.fullmove_number = whole.halfmove_clock, whole.fullmove_number
    if "hmvc" in operations:
        notes = clock_notes(board)
    return PositionRead(source, line, board, dict(operations), tuple(map(problem, notes)))
