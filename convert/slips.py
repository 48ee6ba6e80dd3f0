"""Where the result got worse: certain and suspected slips, only moves, the turning point."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import chess

from convert.decisions import (
    Judged,
    alternative,
    held_moves,
    likely_alternative,
    order_held,
    position_speaking,
    slipped,
)
from convert.estimate import table
from convert.lines import refutation
from convert.model import OnlyMove, Side, Slip, Speaking, Suspicion, Verdict
from convert.trades import starts_trade

#: A rule that explains what came of a slip is looked for in so many plies after it.
AGREE_WITHIN = 12
#: At most so many moves that held are listed with a slip.
MOST_HELD = 6


def suspicion() -> Suspicion:
    """When a move is suspected, and how often rightly (docs/measuring.md)."""
    told = table()["suspected"]
    counted = told["counted"]
    return Suspicion(
        threshold=told["threshold"],
        better=told["better"],
        precision=counted["precision"] or 0.0,
        low=counted["low"],
        high=counted["high"],
        recall=counted["recall"] or 0.0,
        suspected=counted["suspected"],
        moves=counted["moves"],
    )


def fall_of(before: Verdict, after: Verdict) -> float:
    """By how much the chance to win, or the chance not to lose, is less; both for one side."""
    return max(
        before.win_probability - after.win_probability,
        after.loss_probability - before.loss_probability,
    )


def find_slips(judged: Judged) -> tuple[Slip, ...]:
    """Certain slips by either side and suspected ones, in order of play."""
    found: list[Slip] = []
    for step in judged.walked.steps:
        before, after = judged.before(step.ply), judged.after(step.ply)
        if slipped(before, after):
            found.append(_certain(judged, step.ply))
        elif not (before.exact and after.exact):
            slip = _suspected(judged, step.ply)
            if slip is not None:
                found.append(slip)
    return tuple(_handed_back(found))


def _certain(judged: Judged, ply: int) -> Slip:
    board = judged.board(ply)
    step = judged.walked.steps[ply - 1]
    held = order_held(judged, ply, held_moves(judged, ply))
    told = tuple(
        alternative(judged, ply, move, verdict, with_line=i == 0)
        for i, (move, verdict) in enumerate(held[:MOST_HELD])
    )
    missed = next((a.san for a in told if a.trade), None)
    by_trade = starts_trade(board, step.move)
    agreed, agreed_ply = _agreeing(judged, ply)
    return Slip(
        ply=ply,
        side=judged.side(ply),
        san=judged.walked.san(ply),
        fen=board.fen(),
        certain=True,
        before=judged.before(ply),
        after=judged.after(ply),
        held=told,
        complete=len(held) <= MOST_HELD and _all_known(judged, ply),
        shown=told[0].line if told else None,
        refuted=refutation(judged.bench, judged.walked.boards[ply], judged.after(ply)),
        rules=position_speaking(judged.bench, board)[:3],
        rules_after=agreed,
        rules_after_ply=agreed_ply,
        missed_trade=None if by_trade else missed,
        by_trade=by_trade,
    )


def _all_known(judged: Judged, ply: int) -> bool:
    """Is it certain of every move at ``ply`` whether it keeps the result?"""
    need = judged.before(ply).low.points
    return all(
        verdict is not None and (verdict.low.points >= need or verdict.high.points < need)
        for _, verdict in judged.bench.children(judged.board(ply))
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


def _suspected(judged: Judged, ply: int) -> Slip | None:
    before, after = judged.before(ply), judged.after(ply)
    told = suspicion()
    if fall_of(before, after) < told.threshold:
        return None
    step = judged.walked.steps[ply - 1]
    better = likely_alternative(judged, ply, lambda move: move == step.move)
    if better is None or better.verdict.expected - after.expected < told.better:
        return None
    return Slip(
        ply=ply,
        side=judged.side(ply),
        san=judged.walked.san(ply),
        fen=judged.board(ply).fen(),
        certain=False,
        before=before,
        after=after,
        held=(better,),
        complete=False,
        shown=None,
        refuted=None,
        by_trade=starts_trade(judged.board(ply), step.move),
    )


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


def find_only_moves(judged: Judged) -> tuple[OnlyMove, ...]:
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
        only = _only(judged, board, before, step.move)
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


def _only(
    judged: Judged, board: chess.Board, before: Verdict, played: chess.Move
) -> chess.Move | None:
    """The one move that keeps the result, None when there are several."""
    keeping: chess.Move | None = None
    moves = sorted(board.legal_moves, key=lambda m: m != played)
    for move in moves:
        verdict = judged.bench.after(board, move)
        if verdict is None:
            return None
        if verdict.for_side(before.side).high.points >= before.low.points:
            if keeping is not None:
                return None
            keeping = move
    return keeping


def turning_point(verdicts: Sequence[Verdict]) -> int | None:
    """First ply from which the outcome is exact and the same to the end of the game.

    ``verdicts[i]`` is for White after ply ``i``.  None when the final position
    is not exact.
    """
    last = verdicts[-1]
    if not last.exact:
        return None
    turn = len(verdicts) - 1
    for ply in range(len(verdicts) - 1, -1, -1):
        if not verdicts[ply].exact or verdicts[ply].points != last.points:
            break
        turn = ply
    return turn


def simplification(verdicts: Sequence[Verdict]) -> int | None:
    """First ply from which every position of the game is settled exactly."""
    ply = None
    for i in range(len(verdicts) - 1, -1, -1):
        if not verdicts[i].exact:
            break
        ply = i
    return ply


#: Estimated probability of winning from which a side is called clearly better (judgement).
CLEARLY = 0.6
#: An estimate must stand for so many plies to call a side clearly better.
STANDING = 4


def winning_first(verdicts: Sequence[Verdict], clearly: float) -> Side | None:
    """The side that was winning, or clearly better by the estimate for a while, first."""
    firsts = [
        (ply, side) for side in Side if (ply := better_from(verdicts, side, clearly)) is not None
    ]
    return min(firsts)[1] if firsts else None


def better_from(verdicts: Sequence[Verdict], side: Side, clearly: float) -> int | None:
    """First ply after which ``side`` is winning, or clearly better for :data:`STANDING` plies."""
    run = 0
    for ply, verdict in enumerate(verdicts):
        told = verdict.for_side(side)
        if told.points == 1:
            return ply - run
        run = run + 1 if told.win_probability >= clearly else 0
        if run == STANDING:
            return ply - run + 1
    return ply - run + 1 if run else None
