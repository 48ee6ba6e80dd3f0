"""Where the result got worse: certain and suspected slips, and only moves."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

import chess

from convert.board.moves import after_move, line_san
from convert.judging.judges import Bench
from convert.judging.lines import refutation
from convert.model import Line, OnlyMove, Slip, Speaking, Suspicion, Verdict
from convert.review.decisions import (
    alternative,
    held_moves,
    position_speaking,
)
from convert.review.judged import Judged, slipped
from convert.review.trades import starts_trade

#: A rule that explains what came of a slip is looked for in so many plies after it.
AGREE_WITHIN = 12
#: At most so many moves that held are listed with a slip.
MOST_HELD = 6


FILE = Path(__file__).parent / "suspected.json"


@cache
def suspicion() -> Suspicion:
    """When a move is suspected, and how often rightly (docs/measuring.md)."""
    limits = json.loads(FILE.read_text(encoding="utf-8"))
    counted = limits["counted"]
    return Suspicion(
        threshold=limits["threshold"],
        better=limits["better"],
        precision=counted["precision"],
        low=counted["low"],
        high=counted["high"],
        suspected=counted["suspected"],
        games=counted["games"],
    )


def fall_of(before: Verdict, after: Verdict) -> float:
    """By how much the chance to win, or the chance not to lose, is less; both for one side."""
    return max(
        before.win_probability - after.win_probability,
        after.loss_probability - before.loss_probability,
    )


def find_slips(judged: Judged) -> tuple[tuple[Slip, ...], tuple[OnlyMove, ...]]:
    """Slips by either side, certain and suspected, and only moves; each in order of play."""
    slips: list[Slip] = []
    for step in judged.walked.steps:
        before, after = judged.before(step.ply), judged.after(step.ply)
        board = judged.board(step.ply)
        slip = slip_of(judged.bench, board, step.move, step.ply, before, after)
        if slip is not None and slip.certain:
            agreed, agreed_ply = _agreeing(judged, step.ply)
            slip = replace(slip, rules_after=agreed, rules_after_ply=agreed_ply)
        if slip is not None:
            slips.append(slip)
    return tuple(_handed_back(slips)), _only_moves(judged)


def slip_of(
    bench: Bench, board: chess.Board, move: chess.Move, ply: int, before: Verdict, after: Verdict
) -> Slip | None:
    """A certain slip, or one suspected by the estimate; None where nothing was let go.

    Args:
        board: the position before the move.
        ply: the move's number in the record, from 1.
        before, after: verdicts on the positions before and after it, for its player.
    """
    if slipped(before, after):
        return _certain(bench, board, move, ply, before, after)
    if before.exact and after.exact:
        return None
    return _suspected(bench, board, move, ply, before, after)


def _certain(
    bench: Bench, board: chess.Board, move: chess.Move, ply: int, before: Verdict, after: Verdict
) -> Slip:
    held = held_moves(bench, board, before)
    named = tuple(
        alternative(bench, board, better, verdict, with_line=i == 0)
        for i, (better, verdict) in enumerate(held[:MOST_HELD])
    )
    by_trade = starts_trade(board, move)
    return Slip(
        ply=ply,
        side=before.side,
        san=board.san(move),
        fen=board.fen(),
        certain=True,
        before=before,
        after=after,
        held=named,
        complete=len(held) <= MOST_HELD and bench.kept(board).told_apart(before.low.points),
        shown=named[0].line if named else None,
        refuted=refutation(bench, after_move(board, move), after),
        rules=position_speaking(bench, board)[:3],
        missed_trade=None if by_trade else next((a.san for a in named if a.trade), None),
        by_trade=by_trade,
    )


def _suspected(
    bench: Bench, board: chess.Board, move: chess.Move, ply: int, before: Verdict, after: Verdict
) -> Slip | None:
    limits = suspicion()
    if fall_of(before, after) < limits.threshold:
        return None
    compared = bench.compared(board)
    # Where the result before the move is sure, a move that surely keeps it is named.
    sure = held_moves(bench, board, before) if before.exact else []
    others = sure or [item for item in compared if item[0] != move]
    if not others:
        return None
    better, verdict = others[0]
    own = max(dict(compared)[move], after, key=lambda verdict: verdict.expected)
    own = after if after.exact else own
    if fall_of(verdict, own) < limits.threshold or verdict.expected - own.expected < limits.better:
        return None
    line = bench.line_of(board, better)
    return Slip(
        ply=ply,
        side=before.side,
        san=board.san(move),
        fen=board.fen(),
        certain=False,
        before=before,
        after=after,
        held=(alternative(bench, board, better, verdict, with_line=False),),
        complete=False,
        shown=Line(board.fen(), line_san(board, line)) if len(line) > 1 else None,
        refuted=None,
        by_trade=starts_trade(board, move),
    )


def _agreeing(judged: Judged, ply: int) -> tuple[tuple[Speaking, ...], int | None]:
    """Rules that agree with the certain result after ``ply``, where they first speak, and when."""
    after = judged.after(ply)
    if not after.exact:
        return (), None
    whom = None if after.points == 0 else after.side.other if after.points == -1 else after.side
    for later in range(ply, min(ply + AGREE_WITHIN, len(judged.walked.steps)) + 1):
        if judged.verdicts[later].for_side(after.side).points != after.points:
            break
        spoken = position_speaking(judged.bench, judged.walked.boards[later])
        agreed = tuple(rule for rule in spoken if rule.side is whom)
        if agreed:
            return agreed[:2], later
    return (), None


def _handed_back(slips: Sequence[Slip]) -> list[Slip]:
    """Note with each certain slip the opponent's next certain slip that gave it back."""
    out = []
    for i, slip in enumerate(slips):
        back = None
        if slip.certain:
            later = next((s for s in slips[i + 1 :] if s.certain), None)
            if later is not None and later.side is not slip.side:
                regained = later.after.for_side(slip.side).low.points
                if regained >= slip.before.low.points:
                    back = later.ply
        out.append(replace(slip, handed_back=back))
    return out


def _only_moves(judged: Judged) -> tuple[OnlyMove, ...]:
    """Positions settled by tables or solver where one move alone kept a win or a draw.

    Positions with a single legal move are left out, and so is a plain
    recapture that was made.
    """
    out: list[OnlyMove] = []
    for step in judged.walked.steps:
        board, before = judged.board(step.ply), judged.before(step.ply)
        if not before.exact or before.low.points < 0 or not judged.bench.reaches(board):
            continue
        if board.legal_moves.count() < 2:
            continue
        only = judged.bench.only(board, before.low.points, step.move)
        if only is None or (only == step.move and _takes_back(judged, step.ply, only)):
            continue
        out.append(
            OnlyMove(
                ply=step.ply,
                side=before.side,
                san=board.san(only),
                played=board.san(step.move),
                kept=before.low,
                found=only == step.move,
            )
        )
    return tuple(out)


def _takes_back(judged: Judged, ply: int, move: chess.Move) -> bool:
    """True if ``move`` captures the man that captured or promoted one ply before."""
    if ply < 2:
        return False
    last = judged.walked.steps[ply - 2]
    forced = last.captured is not None or last.move.promotion is not None
    return forced and move.to_square == last.move.to_square
