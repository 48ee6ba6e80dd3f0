"""The statements of a whole game, checked."""

from __future__ import annotations

from collections.abc import Callable

import chess

from convert.judging.judges import Bench, after_move
from convert.model.findings import Kind, Proof, Statement
from convert.proofreading.checking import check
from convert.proofreading.statements import ABOUT_MOVES, find_all
from convert.reading.records import GameRead

_ZUGZWANG = (Kind.ZUGZWANG, Kind.MUTUAL)


def proofread(
    read: GameRead, bench: Bench, progress: Callable[[int, int], None] | None = None
) -> Proof:
    """Find and check all that the annotator says in a game, variations included.

    Positions that the solver can settle are solved first, all of a game together.  ``progress`` is
    told how many statements are checked, and of how many.

    Raises:
        ValueError: nothing of the game can be used (``read.game`` is None).
    """
    if read.game is None:
        raise ValueError("nothing of the game can be used")
    statements, unread = find_all(read.game)
    bench.prepare(_positions(statements))
    findings = []
    for done, statement in enumerate(statements):
        if progress is not None:
            progress(done, len(statements))
        findings.append(check(statement, bench))
    return Proof(
        file=read.source,
        number=read.number,
        line=read.line,
        tags=dict(read.game.headers),
        complete=read.complete,
        problems=tuple(str(problem) for problem in read.problems),
        findings=tuple(findings),
        unread=unread,
    )


def _positions(statements: tuple[Statement, ...]) -> list[chess.Board]:
    """Positions that the checks will ask about, each once, those with most men first."""
    boards: dict[str, chess.Board] = {}
    for statement in statements:
        if statement.why:
            continue
        board = chess.Board(statement.fen)
        boards.setdefault(board.fen(), board)
        if statement.kind in ABOUT_MOVES and statement.san:
            after = after_move(board, board.parse_san(statement.san))
            boards.setdefault(after.fen(), after)
        if statement.kind in _ZUGZWANG and not board.is_check():
            passed = board.copy(stack=False)
            passed.push(chess.Move.null())
            passed.clear_stack()
            boards.setdefault(passed.fen(), passed)
    return sorted(boards.values(), key=lambda board: -board.occupied.bit_count())
