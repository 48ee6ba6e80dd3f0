"""A verdict on every position of a walked game: the stage after the walk."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import chess

from convert.judging.judges import Bench
from convert.judging.keeping import AGREES_WITHIN, backed_up, only_move, raised, with_chances
from convert.model import Side, Verdict
from convert.review.walker import Walk

#: Where the expected score falls by so much at a move, all moves are compared.
LOOK_AGAIN = 0.12


@dataclass(frozen=True)
class Judged:
    """A walked game with a verdict a position, and the bench to ask of moves not played.

    ``verdicts[i]`` is for White, on the position after ply ``i``.
    """

    walked: Walk
    verdicts: Sequence[Verdict]
    bench: Bench

    def before(self, ply: int) -> Verdict:
        """Verdict before the move at ``ply``, for the side that made it."""
        return self.verdicts[ply - 1].for_side(self.side(ply))

    def after(self, ply: int) -> Verdict:
        """Verdict after the move at ``ply``, for the side that made it."""
        return self.verdicts[ply].for_side(self.side(ply))

    def side(self, ply: int) -> Side:
        """The side that made the move at ``ply``."""
        return Side.of(self.walked.steps[ply - 1].color)

    def board(self, ply: int) -> chess.Board:
        """The position before the move at ``ply``."""
        return self.walked.boards[ply - 1]


def judge_walk(
    walked: Walk, bench: Bench, progress: Callable[[int, int], None] | None = None
) -> Judged:
    """A verdict for White on every position of the game.

    What the move played proves of the position before it is carried back: a
    side that could play into a win had a win.  Estimates are made to agree with
    the moves in the same way.
    """
    bench.look_over(walked.boards)
    verdicts: list[Verdict] = []
    for board in walked.boards:
        verdicts.append(bench.verdict(board).for_side(Side.WHITE))
        if progress is not None:
            progress(len(verdicts), len(walked.boards))
    bench.look.compare(
        walked.boards[step.ply - 1]
        for step in walked.steps
        if _seems_to_fall(
            *(verdicts[p].for_side(Side.of(step.color)) for p in (step.ply - 1, step.ply))
        )
        and only_move(walked.boards[step.ply - 1]) is None
    )
    for ply in range(len(walked.steps), 0, -1):
        step = walked.steps[ply - 1]
        mover = Side.of(step.color)
        before, after = verdicts[ply - 1].for_side(mover), verdicts[ply].for_side(mover)
        verdict = raised(walked.boards[ply - 1], before, walked.san(ply), after)
        if verdict is before and not before.exact:
            verdict = _agreed(walked.boards[ply - 1], bench, before, after, step.move)
        verdicts[ply - 1] = verdict.for_side(Side.WHITE)
    return Judged(walked, tuple(verdicts), bench)


def slipped(before: Verdict, after: Verdict) -> bool:
    """A certain slip: the two verdicts, for the same side, do not overlap."""
    return after.high.points < before.low.points


def _seems_to_fall(before: Verdict, after: Verdict) -> bool:
    """Does a move seem to cost so much that all moves are to be compared; verdicts its player's."""
    return not before.exact and before.expected - after.expected >= LOOK_AGAIN


def _agreed(
    board: chess.Board, bench: Bench, before: Verdict, after: Verdict, played: chess.Move
) -> Verdict:
    """The estimate before a move, made to agree with those of the moves.

    A position is worth the best of its moves: no less than the move played, and where it seems
    clearly more, all moves are compared.  All verdicts are for the side to move.
    """
    if only_move(board) is not None:
        return with_chances(before, after.win_probability, after.loss_probability)
    fall = before.expected - after.expected
    if fall < -AGREES_WITHIN:
        return with_chances(before, after.win_probability, after.loss_probability)
    if fall < LOOK_AGAIN:
        return before
    moves = bench.compared(board)
    before = backed_up(board, before, moves) or before
    if before.exact:
        return before
    best = max((verdict for _, verdict in moves), key=lambda verdict: verdict.expected)
    worth = max(best, after, key=lambda verdict: verdict.expected)
    if moves[0][0] == played:
        worth = after
    return with_chances(before, worth.win_probability, worth.loss_probability)
