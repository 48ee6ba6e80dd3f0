"""The game back as PGN, with what the review found as comments, variations and NAGs.

The author's own comments, variations and NAGs stay as they are; ours are added
behind them.  NAGs are from the standard's list only ($0 to $139): $4 on a
certain slip, $2 where only the fifty-move rule takes the win, $6 on a suspected
slip, $8 on an only move that was found, $10, $18 and $19 where a line or the
game comes to a settled result.
"""

from __future__ import annotations

import chess
import chess.pgn

from convert.model import (
    Decision,
    Grade,
    Line,
    Part,
    Review,
    Side,
    Slip,
    Trade,
    Verdict,
    move_label,
)
from convert.reports import Beside
from convert.reports.sections import once
from convert.rim.pgn_text import add_comment, comment_of, export_game, starting_comment_of
from convert.wording.finish import deciding_words, finished_words
from convert.wording.small import capital
from convert.wording.verdicts import (
    grade_words,
    held_words,
    mentioned,
    outcome_words,
    verdict_words,
)
from tablebases.values import Outcome

#: Longest variation added, in plies.
MOST_PLIES = 14
_MOVE_NAGS = frozenset(range(1, 10))


def text(review: Review, beside: Beside) -> str:
    """The game as it was read, with the review's notes.

    Raises:
        ValueError: the game is not there: a review does not hold all that its author wrote.
    """
    if beside.game is None:
        raise ValueError("the game as it was read is needed to write it as PGN")
    return annotated(review, beside.game, annotator=beside.annotator)


def annotated(review: Review, game: chess.pgn.Game, *, annotator: str | None = None) -> str:
    """The game in PGN export format with the review's notes.

    ``game`` is the game as it was read; it is not changed.
    """
    copy = _copy(game)
    if annotator:
        copy.headers["Annotator"] = annotator
    nodes = list(copy.mainline())
    _note_story(copy, review)
    for slip in review.slips:
        _note_slip(nodes, review, slip)
    for only in review.only_moves:
        if only.found:
            _nag(nodes[only.ply - 1], 8)
    for trade in review.trades:
        _note_trade(nodes, trade)
    for decision in review.declined:
        _note_declined(nodes, review, decision)
    if review.simplification and review.simplification <= len(nodes):
        node = nodes[review.simplification - 1]
        verdict = review.plies[review.simplification - 1].verdict
        if not node.board().is_game_over():
            _result_nag(node, verdict)
            add_comment(node, f"From here on every position is settled: {verdict_words(verdict)}.")
    return export_game(copy)


def _copy(game: chess.pgn.Game) -> chess.pgn.Game:
    """A deep copy of the tree, made by hand: recursion would not survive long games."""
    twin = chess.pgn.Game(headers=game.headers.copy())
    twin.comment, twin.nags = comment_of(game), set(game.nags)
    stack: list[tuple[chess.pgn.GameNode, chess.pgn.GameNode]] = [(game, twin)]
    while stack:
        old, new = stack.pop()
        for child in old.variations:
            added = new.add_variation(
                child.move,
                comment=comment_of(child),
                starting_comment=starting_comment_of(child),
                nags=set(child.nags),
            )
            stack.append((child, added))
    return twin


def _nag(node: chess.pgn.GameNode, nag: int) -> None:
    """Add a NAG unless the author has judged the move himself."""
    if nag in _MOVE_NAGS and node.nags & _MOVE_NAGS:
        return
    node.nags.add(nag)


def _result_nag(node: chess.pgn.GameNode, verdict: Verdict) -> None:
    points = verdict.for_side(Side.WHITE).points
    if points is not None:
        _nag(node, {1: 18, 0: 10, -1: 19}[points])


def _note_story(root: chess.pgn.GameNode, review: Review) -> None:
    words = [*finished_words(review), *once(deciding_words(review)), *review.story]
    add_comment(root, " ".join(words))


def _variation(parent: chess.pgn.GameNode, line: Line) -> chess.pgn.GameNode | None:
    """Add a line of SAN moves below ``parent``; None when its first move is there already."""
    board = parent.board()
    node = parent
    for i, san in enumerate(line.moves[:MOST_PLIES]):
        try:
            move = board.parse_san(san)
        except ValueError:
            return None
        if i == 0 and parent.has_variation(move):
            return None
        node = node.add_variation(move)
        board.push(move)
    return node if node is not parent else None


def _note_slip(nodes: list[chess.pgn.ChildNode], review: Review, slip: Slip) -> None:
    node = nodes[slip.ply - 1]
    record = review.plies[slip.ply - 1]
    names = [move_label(record.number, record.side, a.san) for a in slip.held]
    if slip.certain:
        cursed = slip.after.high == Outcome.CURSED_WIN and slip.before.low == Outcome.WIN
        _nag(node, 2 if cursed else 4)
        after = outcome_words(slip.after) if slip.after.exact else verdict_words(slip.after)
        text = f"A slip: {outcome_words(slip.before)} before" if slip.before.exact else "A slip"
        text += f", {after} now."
        if names:
            held = held_words(slip, names)
            text += f" {capital(held)}."
    else:
        _nag(node, 6)
        text = f"Suspected slip, by the estimate; {names[0]} looks better."
    add_comment(node, text)
    parent = node.parent
    if slip.shown is not None and parent is not None:
        end = _variation(parent, slip.shown)
        if end is not None and slip.held:
            _result_nag(end, slip.held[0].verdict)


def _note_trade(nodes: list[chess.pgn.ChildNode], trade: Trade) -> None:
    for decision in trade.decisions:
        if decision.grade is Grade.WRONG or not mentioned(decision):
            continue
        what = {
            Part.OFFER: f"Offers to trade ({trade.name})",
            Part.START: f"Trades {trade.name}",
            Part.RECAPTURE: "Takes back",
            Part.DECLINE: "Declines",
        }[decision.part]
        add_comment(nodes[decision.ply - 1], f"{what}: {grade_words(decision)}.")
    if any(d.grade in (Grade.NEEDED, Grade.RIGHT, Grade.WRONG) for d in trade.decisions):
        add_comment(
            nodes[trade.last - 1],
            f"After the trade: {trade.balance_after}; {verdict_words(trade.after)}.",
        )


def _note_declined(nodes: list[chess.pgn.ChildNode], review: Review, decision: Decision) -> None:
    best = decision.best
    if best is None:
        return
    record = review.plies[decision.ply - 1]
    taking = move_label(record.number, record.side, best.san)
    node = nodes[decision.ply - 1]
    add_comment(
        node,
        f"Declines the trade {taking}: {grade_words(decision)}. "
        f"After {taking}: {verdict_words(best.verdict)}.",
    )
    if decision.grade is Grade.MISSED and best.line is not None and node.parent is not None:
        end = _variation(node.parent, best.line)
        if end is not None:
            _result_nag(end, best.verdict)
