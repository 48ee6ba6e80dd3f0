"""Hints in three steps: an idea, the man that moves, the move.

The idea is a rule of thumb that points the right way for the side to move, or else something of
this very position: what a trade leaves, which pawn runs, which king comes first.  It never
recommends a trade that must be refused, nor pieces kept on where a trade is right.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator

import chess

from convert.board.balance import census, force
from convert.board.features import features, relative_rank
from convert.lesson.judging import Draft
from convert.lesson.scene import PlayedTrade
from convert.lesson.words import label
from convert.model import Line, Side, Speaking
from convert.model.lesson import Task
from convert.wording.small import color_word, counted

_FOR_TRADES = re.compile(
    r"\b(?:simplif|trad(?:e|es|ing)|exchang|liquidat|(?:queens|rooks|pieces) off)", re.IGNORECASE
)
_AGAINST = re.compile(r"\b(?:keep|avoid|refuse|not)\b", re.IGNORECASE)


def fits(rule: Speaking, task: Task) -> bool:
    """May the rule be told as a hint?

    A rule that speaks of trades must recommend what the task is about.
    """
    text = rule.statement
    if not _FOR_TRADES.search(text) and not re.search(r"\bpieces on\b", text):
        return True
    recommends = not _AGAINST.search(text)
    if task is Task.TRADE:
        return recommends
    return not recommends if task is Task.REFUSE else False


def ideas(draft: Draft, played: PlayedTrade | None, rule: Speaking | None) -> Iterator[str]:
    """First steps of a hint, the best first; the last differs from position to position."""
    board = draft.board
    side, other = Side.of(board.turn), Side.of(not board.turn)
    if rule is not None and fits(rule, draft.task):
        yield rule.statement
    aim = "win" if draft.points > 0 else "hold" if draft.points == 0 else "be held"
    if played is not None and draft.task in (Task.TRADE, Task.REFUSE):
        count = census(played.after)
        left = f"{side.name_} with {force(count, side.color)}"
        rest = f"{other.name_} with {force(count, other.color)}"
        yield (
            f"Play the trade out in your head. It leaves {left} and {rest}: is that enough to "
            f"{aim}?"
        )
    if draft.task is Task.RECAPTURE and draft.key is not None:
        taken = chess.square_name(draft.key.to_square)
        yield (
            f"Put each way of taking on {taken} on the board in your head: where do the pawns and "
            f"{side.name_}'s king stand afterwards?"
        )
    runner = _runner(board)
    if runner is not None:
        color, square = runner
        steps = 7 - relative_rank(square, color)
        yield (
            f"{color_word(color)}'s pawn on {chess.square_name(square)} is "
            f"{counted(steps, 'step')} from promotion. Who gets there first: the pawn, or "
            f"{color_word(not color)}'s king on {_king(board, not color)}?"
        )
    kings = f"{side.name_}'s king on {_king(board, side.color)}"
    theirs = f"{other.name_}'s on {_king(board, other.color)}"
    if board.pawns:
        yield f"Compare {kings} with {theirs}: which of them is nearer to the pawns that count?"
    yield f"What does {kings} need, and what does {theirs} fear? Look for the move that does both."
    yield f"With {kings} and {theirs}: which moves leave {other.name_} the fewest good answers?"


def _runner(board: chess.Board) -> tuple[chess.Color, chess.Square] | None:
    """The passed pawn that is nearest to promotion; of equals that of the side to move."""
    facts = features(board)
    pawns = [
        (7 - relative_rank(s, color), color != board.turn, s, color)
        for color in chess.COLORS
        for s in chess.scan_forward(facts.side(color).passed)
    ]
    if not pawns:
        return None
    _, _, square, color = min(pawns)
    return color, square


def _king(board: chess.Board, color: chess.Color) -> str:
    square = board.king(color)
    assert square is not None
    return chess.square_name(square)


def steps(
    draft: Draft,
    played: PlayedTrade | None,
    rule: Speaking | None,
    lost: Line | None,
    used: Collection[str] = (),
) -> tuple[str, str, str]:
    """The three steps; the idea is one that is not in ``used``, as far as there is one.

    ``lost``: play from a lost position, which has no move to name.
    """
    choice = list(ideas(draft, played, rule))
    idea = next((text for text in choice if text not in used), choice[-1])
    board = draft.board
    if draft.key is None or draft.points < 0:
        answer = _answer(lost)
        if answer is None:
            return idea, "No man of the side to move can do enough.", "There is no such move."
        man, san = answer
        return idea, f"Look at what the {man} can do.", f"Whatever is played, {san} comes."
    square = chess.square_name(draft.key.from_square)
    man = chess.piece_name(board.piece_type_at(draft.key.from_square) or chess.PAWN)
    san = label(board, board.san(draft.key))
    ways = len(draft.keep) > 1
    return (
        idea,
        f"{'One way is a' if ways else 'It is a'} move of the {man} on {square}.",
        f"{'One way begins with' if ways else 'The move is'} {san}.",
    )


def _answer(lost: Line | None) -> tuple[str, str] | None:
    """The man and the move that answer the longest defence."""
    if lost is None or len(lost.moves) < 2:
        return None
    board = chess.Board(lost.fen)
    board.push_san(lost.moves[0])
    move = board.parse_san(lost.moves[1])
    man = chess.piece_name(board.piece_type_at(move.from_square) or chess.PAWN)
    where = chess.square_name(move.from_square)
    return f"{man} on {where}", lost.moves[1]
