"""Judges the decisions that belong to a trade: offering, starting, recapturing, declining.

The grades are defined in docs/words.md.  With exact evidence a decision is
*needed*, *right*, *harmless*, *wrong* or *missed*; with an estimate only it is
*in favour*, *against* or *even*.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from operator import eq

import chess

from convert.judge import Bench, after_move
from convert.lines import line_after
from convert.model import (
    Alternative,
    Decision,
    Grade,
    Part,
    Side,
    Speaking,
    Verdict,
)
from convert.rules import TradeScene, Voice, rule_by_id, trade_voices
from convert.rules.figures import figure_of
from convert.trades import FoundTrade, like_for_like, made_contact, starts_trade, trades_on_board
from convert.walker import Walk

#: Differences in expected score below this are called even (judgement).
EVEN_WITHIN = 0.04
#: A declined trade is mentioned on an estimate only from this difference on (judgement).
WORTH_SAYING = 0.15


@dataclass(frozen=True)
class Judged:
    """What the decisions need to know of the game: its walk and a verdict a position.

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


def slipped(before: Verdict, after: Verdict) -> bool:
    """A certain slip: the two verdicts, for the same side, do not overlap."""
    return after.high.points < before.low.points


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
    for move in board.legal_moves:
        if same_kind(move):
            continue
        total += 1
        verdict = bench.after(board, move)
        if verdict is None or not verdict.exact:
            unknown += 1
        elif (verdict.for_side(before.side).points or 0) >= before.high.points:
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
    ordered = sorted(voices, key=lambda v: (-v.strength, v.rule))
    return tuple(speaking_of(voice) for voice in ordered)


def speaking_of(voice: Voice) -> Speaking:
    """What a voice says, with the rule it belongs to and how often that holds."""
    rule = rule_by_id(voice.rule)
    return Speaking(
        voice.rule,
        rule.name,
        rule.statement,
        rule.source,
        None if voice.side is None else Side.of(voice.side),
        voice.strength,
        voice.detail,
        voice.favours,
        figure_of(rule.id, rule.kind),
    )


def scene_of(judged: Judged, trade: FoundTrade, decider: chess.Color) -> TradeScene:
    """The trade as the rules see it, for the side whose decision is judged."""
    walked = judged.walked
    mine = [(kind, sq) for _, color, kind, sq in trade.taken if color == decider]
    theirs = [(kind, sq) for _, color, kind, sq in trade.taken if color != decider]
    before = walked.boards[trade.first - 1]

    def stood(items: list[tuple[chess.PieceType, chess.Square]], color: chess.Color) -> tuple[
        chess.Square, ...
    ]:
        # Where the man stood before the trade; a man that moved in the trade is
        # looked up by following the captures back.
        out = []
        for kind, square in items:
            piece = before.piece_at(square)
            if piece is not None and piece.color == color and piece.piece_type == kind:
                out.append(square)
            else:
                origin = _origin(walked, trade, square, color)
                if origin is not None:
                    out.append(origin)
        return tuple(out)

    return TradeScene(
        before=before,
        after=walked.boards[trade.last],
        decider=decider,
        given=tuple(kind for kind, _ in mine),
        taken=tuple(kind for kind, _ in theirs),
        given_squares=stood(mine, decider),
        taken_squares=stood(theirs, not decider),
    )


def _origin(
    walked: Walk, trade: FoundTrade, square: chess.Square, color: chess.Color
) -> chess.Square | None:
    for step in reversed(walked.steps[trade.first - 1 : trade.last]):
        if step.color == color and step.move.to_square == square:
            return step.move.from_square
    return None


def trade_decisions(judged: Judged, trade: FoundTrade) -> tuple[Decision, ...]:
    """The decisions of one trade: its offer, its start, and recaptures that were a choice."""
    out: list[Decision] = []
    offered = trade.offered_ply
    if offered is not None and trade.first - offered <= 1 and trade.offered_by != trade.began_by:
        first = judged.walked.steps[trade.first - 1].move
        there = judged.board(offered)
        out.append(
            _decision(judged, Part.OFFER, offered, trade, lambda m: _offers(there, m, first))
        )
    board = judged.board(trade.first)
    out.append(
        _decision(
            judged, Part.START, trade.first, trade, lambda m: starts_trade(board, m)
            or m == judged.walked.steps[trade.first - 1].move
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
    elif given is Grade.AGAINST and difference is not None and difference <= -WORTH_SAYING:
        best = likely_alternative(judged, ply, same_kind)
    elif difference is not None and part is Part.START and (
        trade.liquidation or chess.QUEEN in trade.white_gave + trade.black_gave
    ):
        best = likely_alternative(judged, ply, same_kind, better=False)
    if difference is not None and best is not None:
        given, difference = by_difference(after.expected - best.verdict.expected)
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
    from dataclasses import replace

    best: tuple[float, Alternative] | None = None
    for move in choices:
        if move == played or move.promotion not in (None, chess.QUEEN):
            continue
        verdict = judged.bench.verdict(after_move(board, move)).for_side(decision.side)
        if best is None or verdict.expected > best[0]:
            best = (verdict.expected, Alternative(board.san(move), move.uci(), verdict, True))
    if best is None or decision.best is not None:
        return decision
    if decision.difference is None:
        return replace(decision, best=best[1])
    given, difference = by_difference(decision.after.expected - best[0])
    return replace(decision, best=best[1], difference=difference, grade=given)


def held_moves(judged: Judged, ply: int) -> list[tuple[chess.Move, Verdict]]:
    """Moves at ``ply`` that keep the result for certain, for the side to move."""
    board, before = judged.board(ply), judged.before(ply)
    out = []
    for move, verdict in judged.bench.children(board):
        if verdict is not None and verdict.low.points >= max(before.low.points, 0):
            out.append((move, verdict))
    return out


def order_held(
    judged: Judged, ply: int, held: list[tuple[chess.Move, Verdict]]
) -> list[tuple[chess.Move, Verdict]]:
    """Most telling first: a trade, then the shortest way, then by squares."""
    board = judged.board(ply)

    def key(item: tuple[chess.Move, Verdict]) -> tuple[object, ...]:
        move, verdict = item
        return (
            not starts_trade(board, move),
            verdict.distance if verdict.distance is not None else 999,
            move.promotion not in (None, chess.QUEEN),
            move.from_square,
            move.to_square,
        )

    return sorted(held, key=key)


def best_alternative(judged: Judged, ply: int) -> Alternative | None:
    """The move that should have been played at a certain slip, with its line."""
    held = order_held(judged, ply, held_moves(judged, ply))
    if not held:
        return None
    return alternative(judged, ply, *held[0], with_line=True)


def alternative(
    judged: Judged, ply: int, move: chess.Move, verdict: Verdict, *, with_line: bool
) -> Alternative:
    """Describe another move at ``ply``."""
    board = judged.board(ply)
    line = line_after(judged.bench, board, move) if with_line else None
    return Alternative(board.san(move), move.uci(), verdict, starts_trade(board, move), line)


def likely_alternative(
    judged: Judged, ply: int, same_kind: Callable[[chess.Move], bool], *, better: bool = True
) -> Alternative | None:
    """The best move of the other kind by the estimate; None if not better than the one played.

    With ``better`` False it is given even if it is no better.
    """
    board, side = judged.board(ply), judged.side(ply)
    best: tuple[float, chess.Move, Verdict] | None = None
    for move in board.legal_moves:
        if same_kind(move):
            continue
        verdict = judged.bench.verdict(after_move(board, move)).for_side(side)
        if best is None or verdict.expected > best[0]:
            best = (verdict.expected, move, verdict)
    if best is None or (better and best[0] < judged.after(ply).expected + EVEN_WITHIN):
        return None
    return Alternative(board.san(best[1]), best[1].uci(), best[2], False)


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
    before, after = judged.before(ply), judged.after(ply)
    for move in options:
        verdict = judged.bench.after(judged.board(ply), move)
        if verdict is None:
            continue
        verdict = verdict.for_side(before.side)
        if verdict.low.points >= before.low.points:
            return Decision(
                part=Part.DECLINE,
                ply=ply,
                side=before.side,
                san=judged.walked.san(ply),
                grade=Grade.MISSED,
                before=before,
                after=after,
                best=alternative(judged, ply, move, verdict, with_line=True),
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
        difference = round(after.expected - accepted.expected, 4)
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
        best=alternative(judged, ply, capture, accepted, with_line=accepted.exact),
        difference=difference,
    )
