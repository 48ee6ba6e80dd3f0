"""Questions, answers and differences in words; each rests on a verdict or the test of a rule."""

from __future__ import annotations

from collections.abc import Sequence

import chess

from convert.lesson.judging import Draft
from convert.lesson.scene import PlayedTrade
from convert.lesson.themes import lead
from convert.model import Line, Side, Speaking, Verdict
from convert.model.lesson import Task, Tried, ends_words
from convert.wording.small import capital, color_word, join
from convert.wording.verdicts import evidence_word, line_words, outcome_words

_NAMES = {piece: chess.piece_name(piece) for piece in chess.PIECE_TYPES}
#: At most so many moves are listed by name.
MOST_NAMED = 4


def label(board: chess.Board, san: str, mark: str = "") -> str:
    """A first move with its number: ``1.Rd6`` or ``1...Kf7``."""
    dots = "." if board.turn else "..."
    return f"{board.fullmove_number}{dots}{san}{mark}"


def line_text(line: Line, most: int | None = None) -> str:
    """A line as in print, with what it ends in: ``1.Rxd5 Kxd5 2.Kb6 (the pawn promotes)``."""
    board = chess.Board(line.fen)
    moves = line.moves if most is None else line.moves[:most]
    text = line_words(board.fullmove_number, Side.of(board.turn), moves)
    if len(moves) < len(line.moves):
        return f"{text} and so on"
    ends = ends_words(line)
    if not ends or ends == "mate":
        return text
    return f"{text} {ends}" if ends == "and so on" else f"{text} ({ends})"


def sentence(text: str) -> str:
    """A capital letter in front and a full stop behind."""
    text = capital(text)
    return text if text.endswith((".", "?", ":")) else f"{text}."


# --- the question -----------------------------------------------------------------------


def question(draft: Draft, played: PlayedTrade | None) -> str:
    """What the pupil is asked; it gives no answer away."""
    board = draft.board
    mover = Side.of(board.turn).name_
    other = Side.of(not board.turn).name_
    if draft.task in (Task.TRADE, Task.REFUSE) and draft.asked is not None:
        move = label(board, board.san(draft.asked))
        if played is None:
            return f"{mover} to move. Is {move} right? If not, what instead?"
        what = f"offer to trade {played.name}" if played.offer else f"trade {played.name}"
        return f"{mover} to move. Is it right to {what} with {move}? If not, what instead?"
    if draft.task is Task.RECAPTURE and draft.key is not None:
        square = chess.square_name(draft.key.to_square)
        if draft.candidate.taken is not None or draft.candidate.task is Task.RECAPTURE:
            return f"{other} has just taken on {square}. Which way should {mover} take back?"
        return f"{mover} to move. Which way should {mover} take on {square}?"
    if draft.task is Task.ONLY and draft.searched:
        many = "One move is" if len(draft.keep) == 1 else "Two moves are"
        return f"{mover} to move. {many} far better than all others: which?"
    if draft.task is Task.ONLY:
        aim = "win" if draft.points > 0 else "draw"
        if len(draft.keep) == 1:
            return f"{mover} to move and {aim}. There is only one move."
        return f"{mover} to move and {aim}. Only two moves do it; one is enough."
    attacker = attacker_of(draft).name_
    return f"{mover} to move. Does {attacker} win, or is it a draw?"


def attacker_of(draft: Draft) -> Side:
    """The side that wins, or in a draw the one that would like to."""
    mover = Side.of(draft.board.turn)
    if draft.points:
        return mover if draft.points > 0 else mover.other
    return mover if lead(draft.board, mover.color) >= 0 else mover.other


# --- the answer -------------------------------------------------------------------------


def answer(
    draft: Draft,
    keep: Sequence[Tried],
    wrong: Sequence[Tried],
    asked: Tried | None,
    lost: Line | None = None,
) -> tuple[str, ...]:
    """The solution in sentences with its lines."""
    board, points = draft.board, draft.points
    out: list[str] = []
    shown = keep[0] if keep and draft.key is not None else None
    named = [label(board, tried.san) for tried in keep]
    if draft.task is Task.REFUSE and asked is not None:
        out.append(f"No. {sentence(_fails(board, asked, points))}")
        out.append(sentence(_keeps(draft, named)))
        if shown is not None and shown.line is not None:
            out.append(sentence(line_text(shown.line)))
    elif draft.task is Task.RESULT or shown is None:
        out.append(sentence(verdict_text(draft)))
        if shown is not None and shown.line is not None:
            first = "One way" if len(draft.keep) > 1 else "The way"
            out.append(f"{first}: {sentence(line_text(shown.line))}")
            if len(draft.keep) == 1 and draft.fail:
                out.append(ONE_MOVE)
        elif lost is not None:
            out.append(f"The longest defence: {sentence(line_text(lost))}")
    else:
        yes = "Yes. " if draft.task is Task.TRADE else ""
        line = line_text(shown.line) if shown.line is not None else label(board, shown.san)
        out.append(f"{yes}{sentence(line)}")
        out.append(sentence(_keeps(draft, named)))
    tries = [tried for tried in wrong if asked is None or tried.uci != asked.uci]
    out += [sentence(_fails(board, tried, points)) for tried in tries[:2]]
    return tuple(out)


ONE_MOVE = "No other first move does it."


def remarks(
    draft: Draft, keep: Sequence[Tried], asked: Tried | None, against: Speaking | None
) -> tuple[str, ...]:
    """The solution in sentences without lines, for where the lines stand beside it."""
    board = draft.board
    named = [label(board, tried.san) for tried in keep]
    out: list[str] = []
    if draft.task is Task.RESULT or draft.key is None:
        out.append(sentence(verdict_text(draft)))
        if draft.points >= 0 and len(draft.keep) == 1 and draft.fail:
            out.append(ONE_MOVE)
    else:
        if draft.task is Task.REFUSE and asked is not None:
            out.append(f"No. {sentence(_fails(board, asked, draft.points, line=False))}")
        elif draft.task is Task.TRADE:
            out.append("Yes.")
        out.append(sentence(_keeps(draft, named)))
    if against is not None:
        out.append(misleads(against))
    return tuple(out)


def misleads(rule: Speaking) -> str:
    """A rule of thumb that points the wrong way in this position."""
    return (
        f"The rule \u201c{rule.name}\u201d speaks {'for' if rule.favours else 'against'}"
        " the trade; here it misleads."
    )


def verdict_text(draft: Draft) -> str:
    """``White wins (table)``."""
    return f"{outcome_words(draft.verdict)} ({evidence_word(draft.verdict)})"


def _keeps(draft: Draft, named: list[str]) -> str:
    """``only 1.Kd6 wins (table)``, ``1.Ra1 and 6 other moves hold the draw (solved)``."""
    how = evidence_word(draft.keep[0].verdict)
    number = len(draft.keep)
    one, many = ("wins", "win") if draft.points > 0 else ("holds the draw", "hold the draw")
    if number == 1:
        return f"only {named[0]} {one} ({how})"
    if number <= MOST_NAMED:
        return f"{join(named[:number])} {many} ({how}), and nothing else"
    rest = number - 2
    return f"{', '.join(named[:2])} and {rest} other moves {many} ({how})"


def _fails(board: chess.Board, tried: Tried, points: int, *, line: bool = True) -> str:
    """``1.Rxd5? gives the win away: drawn (table), 1.Rxd5 Kxd5 ...``."""
    side = Side.of(board.turn)
    verdict = tried.verdict.for_side(side)
    got = verdict.points or 0
    how = evidence_word(verdict)
    if points > 0 and got == 0:
        what = "only draws" if verdict.low == verdict.high == 0 else outcome_words(verdict)
        if what != "only draws":
            what = f"does not win: {what}"
    else:
        what = "loses"
    text = f"{label(board, tried.san, '?')} {what} ({how})"
    if line and tried.line is not None and len(tried.line.moves) > 1:
        text += f": {_replies(board, tried.line)}"
    return text


def _replies(board: chess.Board, line: Line, most: int = 16) -> str:
    """A line from its second move on: the first has been named."""
    work = board.copy(stack=False)
    work.push_san(line.moves[0])
    return line_text(Line(work.fen(), line.moves[1:], line.ends), most)


# --- the twin ---------------------------------------------------------------------------


def change_words(board: chess.Board, twin: chess.Board, kind: str) -> str:
    """What differs: ``White's king on e3 instead of e4``, ``Black to move``."""
    if kind == "move":
        return f"{color_word(twin.turn)} to move"
    if kind == "shift":
        was, now = board.king(chess.WHITE), twin.king(chess.WHITE)
        step = (now or 0) - (was or 0)
        return f"everything one file to the {'right' if step > 0 else 'left'}"
    parts = []
    for color in chess.COLORS:
        for piece in chess.PIECE_TYPES:
            old = [s for s in board.pieces(piece, color) if s not in twin.pieces(piece, color)]
            new = [s for s in twin.pieces(piece, color) if s not in board.pieces(piece, color)]
            side = color_word(color)
            for i in range(max(len(old), len(new))):
                was_ = chess.square_name(old[i]) if i < len(old) else ""
                now_ = chess.square_name(new[i]) if i < len(new) else ""
                if was_ and now_:
                    parts.append(f"{side}'s {_NAMES[piece]} on {now_} instead of {was_}")
                elif was_:
                    parts.append(f"without {side}'s {_NAMES[piece]} on {was_}")
                else:
                    parts.append(
                        f"with a {side.lower()} {_NAMES[piece]} on {now_}".replace(
                            "a white", "a White"
                        ).replace("a black", "a Black")
                    )
    if board.turn != twin.turn:
        parts.append(f"{color_word(twin.turn)} to move")
    return join(parts)


def moved_squares(board: chess.Board, twin: chess.Board, kind: str) -> tuple[str, ...]:
    """Squares of the twin on which a man stands that did not stand there before."""
    if kind in ("move", "shift"):
        return ()
    pieces = twin.piece_map()
    return tuple(chess.square_name(s) for s in sorted(pieces) if board.piece_at(s) != pieces[s])


def result_words(verdict: Verdict) -> str:
    """``White wins``, ``it is drawn``."""
    text = outcome_words(verdict)
    return text if verdict.points else f"it is {text}"
