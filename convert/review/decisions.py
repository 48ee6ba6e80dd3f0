"""Judges the decisions that belong to a trade: offering, starting, recapturing, declining.

The grades are defined in docs/words.md.  With exact evidence a decision is
*needed*, *right*, *harmless*, *wrong* or *missed*; with an estimate only it is
*in favour*, *against* or *even*.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from operator import eq

import chess

from convert.board.moves import after_move, line_san
from convert.judging.judges import Bench
from convert.judging.lines import line_after
from convert.model import (
    Alternative,
    Decision,
    Grade,
    Line,
    Part,
    Side,
    Speaking,
    Verdict,
)
from convert.review.judged import Judged, slipped
from convert.review.trades import (
    FoundTrade,
    like_for_like,
    made_contact,
    starts_trade,
    trades_on_board,
)
from convert.rules import TradeScene, Voice, rule_by_id, trade_voices
from convert.rules.figures import counted, figure_of

#: Differences in expected score below this are called even (judgement).
EVEN_WITHIN = 0.04
#: A declined trade is mentioned on an estimate only from this difference on (judgement).
WORTH_SAYING = 0.15


def kept(before: Verdict, after: Verdict) -> bool:
    """The result is kept for certain: no less is sure than could be had before."""
    return after.low.points >= before.high.points


@dataclass(frozen=True)
class Others:
    """Moves of the other kind at a decision: how many keep the outcome, of how many."""

    keep: int
    total: int
    unknown: int


def count_others(
    bench: Bench, board: chess.Board, before: Verdict, same_kind: Callable[[chess.Move], bool]
) -> Others:
    """Of the moves that are not of the kind played, count those that keep the result."""
    keep = total = unknown = 0
    for move, verdict in bench.kept(board).known:
        if same_kind(move):
            continue
        total += 1
        if verdict is None or not verdict.exact:
            unknown += 1
        elif verdict.low.points >= before.high.points:
            keep += 1
    return Others(keep, total, unknown)


def grade(
    before: Verdict, after: Verdict, others: Callable[[], Others] | None
) -> tuple[Grade, float | None, Others | None]:
    """Grade a decision from the verdicts before and after, both for the player.

    ``others`` is asked only when the result was kept for certain and there was
    something to keep.  The second value is the change in expected score, given
    with an estimate only; the third what became of the other moves, if asked.
    """
    if slipped(before, after):
        return Grade.WRONG, None, None
    if kept(before, after):
        if before.high.points < 0:
            return Grade.HARMLESS, None, None
        other = others() if others else None
        if other is None or other.total == 0 or other.unknown:
            return Grade.RIGHT, None, None
        if other.keep == 0:
            return Grade.NEEDED, None, other
        harmless = 2 * other.keep > other.total
        return (Grade.HARMLESS if harmless else Grade.RIGHT), None, other
    return (*by_difference(after.expected - before.expected), None)


def by_difference(difference: float) -> tuple[Grade, float]:
    """Grade by an estimated difference in expected points."""
    difference = round(difference, 4)
    if abs(difference) < EVEN_WITHIN:
        return Grade.EVEN, difference
    return (Grade.IN_FAVOUR if difference > 0 else Grade.AGAINST), difference


def speaking(scene: TradeScene) -> tuple[Speaking, ...]:
    """The rules of thumb that speak for or against a trade, strongest first."""
    return _told(trade_voices(scene))


def position_speaking(bench: Bench, board: chess.Board) -> tuple[Speaking, ...]:
    """The rules of thumb that speak in a position, strongest first."""
    return _told(bench.voices(board))


def _told(voices: Sequence[Voice]) -> tuple[Speaking, ...]:
    heard = [speaking_of(voice) for voice in voices]
    return tuple(sorted(heard, key=lambda rule: (-rule.strength, rule.rule)))


def speaking_of(voice: Voice) -> Speaking:
    """What a voice says, with the rule it belongs to and how often that holds."""
    rule = rule_by_id(voice.rule)
    return Speaking(
        voice.rule,
        rule.name,
        rule.statement,
        rule.source,
        None if voice.side is None else Side.of(voice.side),
        voice.strength if counted(rule.id) else 0.0,
        voice.detail,
        voice.favours,
        figure_of(rule.id, rule.kind),
    )


def scene_of(judged: Judged, trade: FoundTrade, decider: chess.Color) -> TradeScene:
    """The trade as the rules see it, for the side whose decision is judged."""
    men = list(zip(trade.taken, trade.stood, strict=True))
    mine = [(kind, square) for (_, color, kind, _), square in men if color == decider]
    theirs = [(kind, square) for (_, color, kind, _), square in men if color != decider]
    return TradeScene(
        before=judged.walked.boards[trade.first - 1],
        after=judged.walked.boards[trade.last],
        decider=decider,
        given=tuple(kind for kind, _ in mine),
        taken=tuple(kind for kind, _ in theirs),
        given_squares=tuple(square for _, square in mine if square is not None),
        taken_squares=tuple(square for _, square in theirs if square is not None),
    )


def decisions(
    judged: Judged, trades: Sequence[FoundTrade]
) -> tuple[tuple[tuple[Decision, ...], ...], tuple[Decision, ...]]:
    """The decisions of each trade, in their order, and those to decline one."""
    plies = sorted({ply for trade in trades for ply in _plies_of(trade)})
    open_ = [ply for ply in plies if not _by_proof(judged.before(ply), judged.after(ply))]
    judged.bench.look.compare(judged.board(ply) for ply in open_)
    return tuple(trade_decisions(judged, trade) for trade in trades), declined(judged)


def _plies_of(trade: FoundTrade) -> tuple[int, ...]:
    """Plies at which a trade was decided: its offer, its start, the recaptures."""
    offer = (trade.offered_ply,) if _is_offer(trade) and trade.offered_ply is not None else ()
    return (*offer, trade.first, *trade.recaptures)


def _is_offer(trade: FoundTrade) -> bool:
    """Was the trade offered by the other side's last move before it?"""
    offered = trade.offered_ply
    return offered is not None and trade.first - offered <= 1 and trade.offered_by != trade.began_by


def _by_proof(before: Verdict, after: Verdict) -> bool:
    """Is a decision graded by what is proved, both verdicts its player's?"""
    return slipped(before, after) or kept(before, after)


def trade_decisions(judged: Judged, trade: FoundTrade) -> tuple[Decision, ...]:
    """The decisions of one trade: its offer, its start, and recaptures that were a choice."""
    out: list[Decision] = []
    offered = trade.offered_ply
    if offered is not None and _is_offer(trade):
        first = judged.walked.steps[trade.first - 1].move
        there = judged.board(offered)
        out.append(
            _decision(judged, Part.OFFER, offered, trade, lambda m: _offers(there, m, first))
        )
    board = judged.board(trade.first)
    out.append(
        _decision(
            judged,
            Part.START,
            trade.first,
            trade,
            lambda m: starts_trade(board, m) or m == judged.walked.steps[trade.first - 1].move,
        )
    )
    for ply in trade.recaptures:
        step = judged.walked.steps[ply - 1]
        here = judged.board(ply)
        choices = [
            m
            for m in here.generate_legal_moves(to_mask=chess.BB_SQUARES[step.move.to_square])
            if m.to_square == step.move.to_square
        ]
        decision = _decision(judged, Part.RECAPTURE, ply, trade, partial(eq, step.move))
        choice = len({m.from_square for m in choices}) > 1
        # Taking back piece for piece can be a trade of its own: a saving one, say.
        saving = decision.grade in (Grade.NEEDED, Grade.RIGHT) and starts_trade(here, step.move)
        if choice or saving or decision.grade in (Grade.WRONG, Grade.AGAINST):
            out.append(_with_other_recapture(judged, decision, here, step.move, choices))
    return tuple(out)


def _offers(board: chess.Board, move: chess.Move, capture: chess.Move) -> bool:
    """Does ``move`` bring about the same contact on the capture's target square?"""
    after = after_move(board, move)
    if after.piece_at(capture.from_square) is None:
        return False
    return any(
        reply.from_square == capture.from_square and reply.to_square == capture.to_square
        for reply in after.generate_legal_captures()
    )


def _decision(
    judged: Judged,
    part: Part,
    ply: int,
    trade: FoundTrade,
    same_kind: Callable[[chess.Move], bool],
) -> Decision:
    bench, board = judged.bench, judged.board(ply)
    before, after = judged.before(ply), judged.after(ply)
    reachable = bench.reaches(board) or (before.exact and before.high.points >= 0)
    given, difference, other = grade(
        before,
        after,
        (lambda: count_others(bench, board, before, same_kind)) if reachable else None,
    )
    step = judged.walked.steps[ply - 1]
    best = None
    if given is Grade.WRONG:
        best = best_alternative(judged, ply)
    elif difference is not None:
        best, given, difference = against_best(bench, board, step.move, after, same_kind)
        queens = chess.QUEEN in trade.white_gave + trade.black_gave
        told_anyway = part is Part.START and (trade.liquidation or queens)
        if not told_anyway and (given is not Grade.AGAINST or difference > -WORTH_SAYING):
            best = None
    rules = speaking(scene_of(judged, trade, step.color)) if part is not Part.RECAPTURE else ()
    return Decision(
        part=part,
        ply=ply,
        side=judged.side(ply),
        san=judged.walked.san(ply),
        grade=given,
        before=before,
        after=after,
        best=best,
        difference=difference,
        rules=rules,
        note=_note(before, after, other),
    )


def _note(before: Verdict, after: Verdict, other: Others | None) -> str:
    if kept(before, after) and before.high.points < 0:
        return "lost in any case"
    if other is None:
        return ""
    if other.keep == 0:
        return f"none of the {other.total} other moves did"
    return f"so do {other.keep} of the {other.total} other moves"


def _with_other_recapture(
    judged: Judged,
    decision: Decision,
    board: chess.Board,
    played: chess.Move,
    choices: list[chess.Move],
) -> Decision:
    """Name the best other way to take back, where taking back was a choice."""
    others = [m for m in choices if m != played and m.promotion in (None, chess.QUEEN)]
    if not others or decision.best is not None:
        return decision
    compared = judged.bench.compared(board)
    move, verdict = next(item for item in compared if item[0] in others)
    best = Alternative(board.san(move), move.uci(), verdict, True)
    if decision.difference is None:
        return replace(decision, best=best)
    own = max(dict(compared)[played], decision.after, key=lambda verdict: verdict.expected)
    given, difference = by_difference(own.expected - verdict.expected)
    return replace(decision, best=best, difference=difference, grade=given)


def held_moves(
    bench: Bench, board: chess.Board, before: Verdict
) -> list[tuple[chess.Move, Verdict]]:
    """Moves that keep for certain what is sure before them, or a draw; most telling first.

    As :mod:`convert.judging.keeping` orders them, but after a mate on the board come trades: what
    simplifies shows most plainly how the result is kept.

    Args:
        before: the verdict on ``board`` for the side to move.
    """
    held = bench.kept(board).holding(max(before.low.points, 0))

    def leads(move: chess.Move) -> int:
        if after_move(board, move).is_checkmate():
            return 0
        return 1 if starts_trade(board, move) else 2

    return sorted(held, key=lambda item: leads(item[0]))


def best_alternative(judged: Judged, ply: int) -> Alternative | None:
    """The move that should have been played at a certain slip, with its line."""
    bench, board = judged.bench, judged.board(ply)
    held = held_moves(bench, board, judged.before(ply))
    return alternative(bench, board, *held[0], with_line=True) if held else None


def alternative(
    bench: Bench, board: chess.Board, move: chess.Move, verdict: Verdict, *, with_line: bool
) -> Alternative:
    """Describe a move on ``board`` that could have been played; ``verdict`` is its player's."""
    line = line_after(bench, board, move) if with_line else None
    return Alternative(board.san(move), move.uci(), verdict, starts_trade(board, move), line)


def against_best(
    bench: Bench,
    board: chess.Board,
    move: chess.Move,
    after: Verdict,
    same_kind: Callable[[chess.Move], bool],
) -> tuple[Alternative | None, Grade, float]:
    """A move held against the best one of another kind, both looked at alike.

    Where the position after the move, looked at by itself, is worth more (``after``), that counts.

    Returns:
        That one (None if there is none), the grade and the difference in expected points: what the
        move keeps, less what the other does.
    """
    compared = bench.compared(board)
    own = max(dict(compared)[move], after, key=lambda verdict: verdict.expected)
    other = next((item for item in compared if not same_kind(item[0])), None)
    if other is None:
        return None, Grade.EVEN, 0.0
    best = alternative(bench, board, *other, with_line=False)
    line = bench.line_of(board, other[0])
    if len(line) > 1 and not other[1].exact:
        best = replace(best, line=Line(board.fen(), line_san(board, line)))
    return (best, *by_difference(own.expected - other[1].expected))


def declined(judged: Judged) -> tuple[Decision, ...]:
    """Trades of pieces that were offered or on the board and not taken.

    An offer is a move that brings two pieces of about equal worth into contact.
    Declining is reported when it is certain what it did to the result, or when
    the estimate sees a difference worth saying; a missed trade always.
    """
    out: list[Decision] = []
    walked = judged.walked
    for step in walked.steps:
        ply, board = step.ply, judged.board(step.ply)
        before, after = judged.before(ply), judged.after(ply)
        if step.captured is not None and starts_trade(board, step.move):
            continue
        options = list(trades_on_board(board))
        if not options:
            continue
        if slipped(before, after):
            decision = _missed(judged, ply, options)
            if decision is not None:
                out.append(decision)
            continue
        if ply == 1:
            continue
        fresh = [
            m
            for m in options
            if like_for_like(board, m) and made_contact(walked.boards[ply - 2], board, m)
        ]
        for capture in fresh[:1]:
            decision = _declined_offer(judged, ply, capture)
            if decision is not None:
                out.append(decision)
    return tuple(out)


def _missed(judged: Judged, ply: int, options: list[chess.Move]) -> Decision | None:
    before, after, board = judged.before(ply), judged.after(ply), judged.board(ply)
    for move, verdict in judged.bench.kept(board).holding(before.low.points):
        if move in options:
            return Decision(
                part=Part.DECLINE,
                ply=ply,
                side=before.side,
                san=judged.walked.san(ply),
                grade=Grade.MISSED,
                before=before,
                after=after,
                best=alternative(judged.bench, board, move, verdict, with_line=True),
            )
    return None


def _declined_offer(judged: Judged, ply: int, capture: chess.Move) -> Decision | None:
    board, side = judged.board(ply), judged.side(ply)
    before, after = judged.before(ply), judged.after(ply)
    accepted = judged.bench.verdict(after_move(board, capture)).for_side(side)
    difference: float | None = None
    if before.exact and accepted.exact and after.exact:
        if before.high.points < 0 or accepted.low.points >= before.low.points:
            return None  # taking would have kept the result too: nothing to report
        given = Grade.RIGHT
    elif accepted.high.points < after.low.points:
        given = Grade.RIGHT  # taking would have cost something for certain
    else:
        compared = dict(judged.bench.compared(board))
        accepted, own = compared[capture], compared[judged.walked.steps[ply - 1].move]
        difference = round(own.expected - accepted.expected, 4)
        if abs(difference) < WORTH_SAYING:
            return None
        given = Grade.IN_FAVOUR if difference > 0 else Grade.AGAINST
    return Decision(
        part=Part.DECLINE,
        ply=ply,
        side=side,
        san=judged.walked.san(ply),
        grade=given,
        before=before,
        after=after,
        best=alternative(judged.bench, board, capture, accepted, with_line=accepted.exact),
        difference=difference,
    )
