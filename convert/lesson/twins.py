"""The twin of an exercise: the nearest position where the same idea gives another result."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import chess

from convert.board.activity import best_capture, taken_value
from convert.board.moves import mate_in_one
from convert.judging.judges import Bench, after_move
from convert.judging.solving import in_reach
from convert.lesson.judging import Draft, plain
from convert.model import Side, Verdict
from convert.model.lesson import Task
from convert.review.position import each_variant

#: Nearest first; pawns removed are no twin.
_KINDS = {"king": 0, "move": 1, "pawn": 2, "shift": 3}
#: Further positions are solved for a twin only if the planned work so far was no more (seconds of
#: one core).
MOST_SECONDS = 5.0


@dataclass(frozen=True)
class FoundTwin:
    """A twin before words.

    ``same``: the exercise's move in the twin (moved along where everything is a file aside),
    None where it cannot be asked; ``after_same`` its result and ``verdict`` the twin's, both for
    the side to move in the exercise.  ``flips``: the same result is there to be had in the
    twin, but by another move (or by the trade that was wrong before).
    """

    board: chess.Board
    kind: str
    same: chess.Move | None
    verdict: Verdict
    after_same: Verdict | None
    flips: bool


def find_twin(
    bench: Bench, draft: Draft, *, patient: bool = False, no_turned: bool = False
) -> FoundTwin | None:
    """The twin nearest to the exercise; None where no near position gives another result.

    ``no_turned``: without the other side to move.

    ``patient``: pawns are moved about past the tables too, however long the solver has worked.
    """
    kinds = ("king",) if no_turned else ("king", "move")
    near = [(k, b) for k, b in _variants(draft.board) if k in kinds]
    best_twin = _best(bench, draft, near)
    if best_twin is not None:
        return best_twin
    far = [(k, b) for k, b in _variants(draft.board) if k in ("pawn", "shift")]
    if bench.solver is not None and not bench.covered(draft.board):
        solver = bench.solver
        if solver.seconds > MOST_SECONDS and not patient:
            far = [(k, b) for k, b in far if bench.covered(b) or not in_reach(b, solver.reach)]
        else:
            bench.prepare([b for _, b in far])
    return _best(bench, draft, far)


def twin_of(bench: Bench, draft: Draft, board: chess.Board) -> FoundTwin | None:
    """``board`` as the twin of the exercise; None unless the same idea gives another result."""
    return _twin(bench, draft, _kind_of(draft.board, board), board, strict=False)


def _kind_of(board: chess.Board, twin: chess.Board) -> str:
    mine, theirs = board.piece_map(), twin.piece_map()
    if mine == theirs:
        return "move"
    for step in (-1, 1):
        if {s + step: p for s, p in mine.items() if 0 <= (s & 7) + step < 8} == theirs:
            return "shift"
    gone = [p for s, p in mine.items() if theirs.get(s) != p]
    kinds = {p.piece_type for p in gone}
    return "king" if kinds == {6} else "pawn"


def _variants(board: chess.Board) -> Iterator[tuple[str, chess.Board]]:
    for kind, _, variant in each_variant(board):
        if kind not in _KINDS:
            continue
        bare = plain(variant)
        if bare is not None and bare.legal_moves.count() >= 2:
            yield kind, bare


def _best(bench: Bench, draft: Draft, variants: list[tuple[str, chess.Board]]) -> FoundTwin | None:
    best: tuple[tuple[object, ...], FoundTwin] | None = None
    for kind, board in variants:
        found_twin = _twin(bench, draft, kind, board, strict=True)
        if found_twin is None:
            continue
        order = (not found_twin.flips, _KINDS[kind], _squares(draft.board, board))
        if best is None or order < best[0]:
            best = (order, found_twin)
    return best[1] if best else None


def _squares(board: chess.Board, twin: chess.Board) -> tuple[int, ...]:
    """The squares that differ, seen from the side to move: an order that colours do not alter."""
    differ = [s for s in chess.SQUARES if board.piece_at(s) != twin.piece_at(s)]
    if not board.turn:
        differ = [chess.square_mirror(s) for s in differ]
    return tuple(sorted(differ))


def _twin(
    bench: Bench, draft: Draft, kind: str, board: chess.Board, *, strict: bool
) -> FoundTwin | None:
    """``strict``: the twin must pose the question as cleanly as the exercise does."""
    side = Side.of(draft.board.turn)
    settled = bench.settle(board)
    if settled is None or not settled.exact:
        return None
    verdict = settled.for_side(side)
    if strict and best_capture(board) > best_capture(draft.board):
        return None
    if strict and mate_in_one(board):
        return None
    if board.turn != draft.board.turn or draft.task is Task.RESULT:
        if verdict.points == draft.points:
            return None
        if strict and board.is_check() and not draft.board.is_check():
            return None
        return FoundTwin(board, kind, None, verdict, None, False)
    asked = draft.asked or draft.key
    if asked is None:
        return None
    same = _moved_along(draft.board, board, asked, kind)
    if same is None or board.is_capture(same) != draft.board.is_capture(asked):
        return None
    if strict and (
        board.gives_check(same) != draft.board.gives_check(asked)
        or _net(board, same) != _net(draft.board, asked)
    ):
        return None
    after_same_move = bench.after(board, same)
    before = next(o.verdict for o in (*draft.keep, *draft.fail) if o.move == asked)
    if after_same_move is None or not after_same_move.exact:
        return None
    after_same = after_same_move.for_side(side)
    if after_same.points == before.points:
        return None
    flips = verdict.points == draft.points
    return FoundTwin(board, kind, same, verdict, after_same, flips)


def _net(board: chess.Board, move: chess.Move) -> int:
    return taken_value(board, move) - best_capture(after_move(board, move))


def _moved_along(
    board: chess.Board, twin: chess.Board, move: chess.Move, kind: str
) -> chess.Move | None:
    """The exercise's move in the twin: the same man to the same square; None if there is none."""
    step = 0
    if kind == "shift":
        was, now = board.king(board.turn), twin.king(board.turn)
        assert was is not None
        assert now is not None
        step = now - was
    source, target = move.from_square + step, move.to_square + step
    if not (0 <= source < 64 and 0 <= target < 64):
        return None
    piece = board.piece_at(move.from_square)
    if twin.piece_at(source) != piece:
        # The man itself may be the one that stands elsewhere.
        movers = (
            [
                s
                for s in twin.pieces(piece.piece_type, piece.color)
                if piece is not None and board.piece_at(s - step) != piece
            ]
            if piece is not None
            else []
        )
        if len(movers) != 1:
            return None
        source = movers[0]
    same = chess.Move(source, target, move.promotion)
    return same if same in twin.legal_moves else None
