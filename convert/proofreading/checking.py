"""Holds a statement against what is known for certain.

What is *confirmed* follows from a proof, what is *refuted* contradicts one, *stronger than known*
means that a part of it is proved and the rest is open, and everything else is *not checkable*.  An
estimate neither confirms nor refutes.  The exact meaning of each kind stands in docs/proofread.md.
"""

from __future__ import annotations

from collections.abc import Callable

import chess

from convert.judging.judges import Bench, after_move
from convert.model import Evidence, Line, Side, Verdict
from convert.model.findings import Finding, Kind, Statement, Status
from convert.proofreading.knowledge import (
    BoundedMove,
    MoveFacts,
    best_of,
    facts,
    interval,
    known,
    line_of,
    options,
    show,
    words,
)
from convert.wording.small import capital, join

#: At most so many moves are named.
MOST_NAMED = 3

_NOTHING = "Nothing is known for certain here."


def check(statement: Statement, bench: Bench) -> Finding:
    """What becomes of a statement."""
    if statement.why:
        return Finding(statement, Status.OPEN, f"{capital(statement.why)}.")
    board = chess.Board(statement.fen)
    return _CHECKS[statement.kind](statement, board, bench)


def _sentence(verdict: Verdict | None) -> str:
    return capital(f"{words(verdict)}.") if verdict is not None else _NOTHING


# --- results ------------------------------------------------------------------------------------


def _result(statement: Statement, board: chess.Board, bench: Bench) -> Finding:
    verdict = known(bench, board)
    side = statement.side or Side.WHITE
    status, text = compare(statement, interval(verdict, side), verdict)
    if status is Status.REFUTED and statement.last:
        text += " The words may only tell how the game ended."
        return Finding(statement, Status.OPEN, text, verdict)
    line = show(bench, board) if status is Status.REFUTED else None
    return Finding(statement, status, text, verdict, line)


def compare(
    statement: Statement, possible: tuple[int, int], verdict: Verdict | None
) -> tuple[Status, str]:
    """A claim about a result against the results that are still possible, and what to say.

    ``possible``: least and best result in points for the side of the statement.
    """
    low, high = possible
    least, most = statement.low, statement.high
    assert least is not None
    assert most is not None
    text = _sentence(verdict)
    if verdict is None or possible == (-1, 1):
        return Status.OPEN, _NOTHING
    if least <= low and high <= most:
        return Status.CONFIRMED, text
    if high < least or most < low:
        return Status.REFUTED, text
    if least == most:
        side = statement.side or Side.WHITE
        rest = f"{side.name_ if high == 1 else side.other.name_} can win"
        if verdict.evidence is Evidence.TABLE and not verdict.via:
            return Status.STRONGER, text
        return Status.STRONGER, f"{text} Whether {rest} is open."
    return Status.OPEN, text


def _advantage(statement: Statement, board: chess.Board, bench: Bench) -> Finding:
    verdict = known(bench, board)
    assert statement.side is not None
    low, high = interval(verdict, statement.side)
    text = _sentence(verdict)
    if high == -1:
        return Finding(statement, Status.REFUTED, text, verdict, show(bench, board))
    if low == 1:
        return Finding(statement, Status.CONFIRMED, f"{text} That is more than said.", verdict)
    if low == high == 0:
        text += " Who has the easier game is not settled by that."
    return Finding(statement, Status.OPEN, text, verdict)


def _unclear(statement: Statement, board: chess.Board, bench: Bench) -> Finding:
    verdict = known(bench, board)
    if verdict is None:
        return Finding(statement, Status.OPEN, f"No claim about the result. {_NOTHING}")
    return Finding(
        statement, Status.OPEN, f"No claim about the result. Known: {words(verdict)}.", verdict
    )


# --- moves --------------------------------------------------------------------------------------


def _about_move(
    judge: Callable[[Statement, MoveFacts, Bench], Finding],
) -> Callable[[Statement, chess.Board, Bench], Finding]:
    def run(statement: Statement, board: chess.Board, bench: Bench) -> Finding:
        move = board.parse_san(statement.san)
        after = known(bench, after_move(board, move))
        if interval(after, Side.of(board.turn)) == (-1, 1) and board.legal_moves.count() > 1:
            return Finding(statement, Status.OPEN, _NOTHING)
        return judge(statement, facts(bench, board, move), bench)

    return run


def _result_name(points: int) -> str:
    return {1: "win", 0: "draw", -1: "loss"}[points]


def _names(named_moves: list[BoundedMove]) -> str:
    first = best_of(named_moves)
    rest = [option for option in named_moves if option is not first][: MOST_NAMED - 1]
    more = len(named_moves) - 1 - len(rest)
    named = [first.label, *(option.label for option in rest)]
    if more:
        return f"{', '.join(named)} and {more} other move{'s' if more > 1 else ''}"
    return join(named)


def _cost(at: MoveFacts) -> str:
    """What a move gives away, and which moves do not."""
    before, after = at.before, at.played.verdict
    assert before is not None
    assert after is not None
    text = f"Before the move: {words(before)}. After it: {words(after)}."
    better = [option for option in at.others if option.low >= at.low]
    if better:
        text += f" {_names(better)} {_keep(better)}."
    return text


def _keep(named_moves: list[BoundedMove]) -> str:
    """``wins``, ``hold``: what the moves named do at least."""
    word = "win" if all(option.low > 0 for option in named_moves) else "hold"
    return f"{word}s" if len(named_moves) == 1 else word


def _kept(at: MoveFacts) -> str:
    after = at.played.verdict
    assert after is not None
    if at.low == at.high:
        return f"The result is kept: {words(after)}, before the move as after it."
    return f"The result is kept: {words(after)}."


def _after_words(at: MoveFacts) -> str:
    verdict = at.played.verdict
    return f"After the move: {words(verdict)}." if verdict is not None else _NOTHING


def _lost(at: MoveFacts) -> str:
    return f"{_after_words(at)} The position before the move is lost whatever is played."


def _good(statement: Statement, at: MoveFacts, bench: Bench) -> Finding:
    after = at.played.verdict
    if at.costs:
        line = _shown_after(at, bench)
        return Finding(statement, Status.REFUTED, _cost(at), after, line)
    if not at.keeps:
        return Finding(statement, Status.OPEN, _after_words(at), after)
    if at.high < 0:
        return Finding(statement, Status.OPEN, _lost(at), after)
    worse = [option for option in at.others if option.high < at.played.low]
    if not worse:
        text = f"{_kept(at)} No other move is known to lose it."
        return Finding(statement, Status.OPEN, text, after)
    text = f"{_kept(at)} {_share(len(worse), len(at.others))}"
    return Finding(statement, Status.CONFIRMED, text, after)


def _share(worse: int, total: int) -> str:
    """How many of the other moves do not keep the result."""
    if worse == total:
        one = "The one other move does not."
        return one if total == 1 else f"None of the {total} other moves does."
    return f"Of the {total} other moves {worse} {'does' if worse == 1 else 'do'} not."


def _poor(statement: Statement, at: MoveFacts, bench: Bench) -> Finding:
    after = at.played.verdict
    if at.costs:
        return Finding(statement, Status.CONFIRMED, _cost(at), after)
    if not at.keeps:
        return Finding(statement, Status.OPEN, _after_words(at), after)
    if at.high < 0:
        return Finding(statement, Status.OPEN, _lost(at), after)
    if after is not None and at.before is not None and after.low < at.before.low:
        text = f"{_kept(at)} Without the fifty-move rule something is given away."
        return Finding(statement, Status.OPEN, text, after)
    if statement.kind is Kind.DOUBTFUL:
        text = f"{_kept(at)} A doubt is no claim, so nothing is refuted."
        return Finding(statement, Status.OPEN, text, after)
    text = f"{_kept(at)} What else may be said against the move is not judged."
    return Finding(statement, Status.REFUTED, text, after, _shown_after(at, bench))


def _shown_after(at: MoveFacts, bench: Bench) -> Line | None:
    return line_of(bench, at.board, at.played)


def _only(statement: Statement, at: MoveFacts, bench: Bench) -> Finding:
    played = at.played
    after = played.verdict
    need = statement.low
    if need is not None and played.high < need:
        line = _shown_after(at, bench)
        return Finding(statement, Status.REFUTED, _after_words(at), after, line)
    if not at.others:
        sure = need is None or played.low >= need
        text = "It is the only legal move." + ("" if sure else f" {_after_words(at)}")
        return Finding(statement, Status.CONFIRMED if sure else Status.OPEN, text, after)
    goal = need if need is not None else played.high
    if goal < 0:
        better = [option for option in at.others if option.low > -1]
        if better:
            first = best_of(better)
            text = f"{_after_words(at)} {_names(better)} {_keep(better)}."
            line = line_of(bench, at.board, first)
            return Finding(statement, Status.REFUTED, text, after, line)
        if all(option.high < 0 for option in at.others):
            return Finding(statement, Status.OPEN, _lost(at), after)
        return Finding(statement, Status.OPEN, _after_words(at), after)
    also = [option for option in at.others if option.low >= goal]
    if also:
        first = best_of(also)
        verdict = first.verdict
        assert verdict is not None
        too = " as well" if played.low >= goal else ""
        text = f"{_names(also)} {_keep(also)}{too}. After {first.label}: {words(verdict)}."
        return Finding(statement, Status.REFUTED, text, verdict, line_of(bench, at.board, first))
    failing = [option for option in at.others if option.high < goal]
    total = len(at.others)
    if len(failing) == total and played.low >= goal:
        word = "win" if goal == 1 else "hold"
        rest = (
            f"The one other move does not {word}."
            if total == 1
            else (f"None of the {total} other moves {word}s.")
        )
        text = f"{_after_words(at)} {rest}"
        return Finding(statement, Status.CONFIRMED, text, after)
    if failing and played.low >= goal:
        text = (
            f"{_after_words(at)} Of {total} other moves {len(failing)}"
            f"{' is' if len(failing) == 1 else ' are'} known to fail, "
            f"{total - len(failing)}{' is' if total - len(failing) == 1 else ' are'} open."
        )
        return Finding(statement, Status.STRONGER, text, after)
    return Finding(statement, Status.OPEN, _after_words(at), after)


def _spoils(statement: Statement, at: MoveFacts, bench: Bench) -> Finding:
    after = at.played.verdict
    goal = 1 if statement.low == 1 else 0
    what = _result_name(goal)
    had, gone = at.low >= goal, at.played.high < goal
    if had and gone:
        return Finding(statement, Status.CONFIRMED, _cost(at), after)
    if at.played.low >= goal:
        text = f"{_after_words(at)} The {what} is still there."
        return Finding(statement, Status.REFUTED, text, after, _shown_after(at, bench))
    if at.high < goal and at.before is not None:
        text = f"Before the move: {words(at.before)}. There was no {what} to give away."
        return Finding(statement, Status.REFUTED, text, at.before, show(bench, at.board))
    if gone:
        text = f"{_after_words(at)} Whether there was a {what} before it is open."
        return Finding(statement, Status.STRONGER, text, after)
    return Finding(statement, Status.OPEN, _after_words(at), after)


# --- zugzwang -----------------------------------------------------------------------------------


def _zugzwang(statement: Statement, board: chess.Board, bench: Bench) -> Finding:
    side = Side.of(board.turn)
    if statement.side is not None and statement.side is not side:
        return Finding(statement, Status.OPEN, f"It is not {statement.side.name_}'s move here.")
    if board.is_check():
        return Finding(statement, Status.OPEN, f"{side.name_} is in check.")
    passed = board.copy(stack=False)
    passed.push(chess.Move.null())
    passed.clear_stack()
    passed.halfmove_clock = board.halfmove_clock
    here, other = known(bench, board), known(bench, passed)
    if here is None or other is None:
        return Finding(statement, Status.OPEN, _NOTHING, here)
    if not board.legal_moves or not passed.legal_moves:
        return Finding(statement, Status.OPEN, _sentence(here), here)
    text = f"{side.name_} to move: {words(here)}. {side.other.name_} to move: {words(other)}."
    low, high = interval(here, side)
    with_pass = interval(other, side)
    if high < with_pass[0]:
        return Finding(statement, Status.CONFIRMED, text, here)
    if statement.kind is Kind.MUTUAL and low >= with_pass[1]:
        line = show(bench, board)
        return Finding(statement, Status.REFUTED, text, here, line)
    if low == high == with_pass[0] == with_pass[1]:
        text += " The result does not depend on the move; what else it may cost is not judged."
    return Finding(statement, Status.OPEN, text, here)


# --- trades -------------------------------------------------------------------------------------

_KINDS = {
    "queen": (chess.QUEEN,),
    "rook": (chess.ROOK,),
    "bishop": (chess.BISHOP,),
    "knight": (chess.KNIGHT,),
    "minor piece": (chess.BISHOP, chess.KNIGHT),
    "": (chess.QUEEN, chess.ROOK, chess.BISHOP, chess.KNIGHT),
}
_MINOR = (chess.BISHOP, chess.KNIGHT)


def trades_piece(board: chess.Board, move: chess.Move, piece: str) -> bool:
    """True if the move takes a piece of the kind named with one of its like, to be taken back."""
    taken, taker = board.piece_type_at(move.to_square), board.piece_type_at(move.from_square)
    if taken is None or taker is None or board.color_at(move.to_square) == board.turn:
        return False
    alike = taken == taker or (taken in _MINOR and taker in _MINOR)
    if not (alike and taken in _KINDS[piece] and taker in _KINDS[piece]):
        return False
    child = after_move(board, move)
    back = child.generate_legal_moves(to_mask=chess.BB_SQUARES[move.to_square])
    return any(True for _ in back)


def _offers(board: chess.Board, move: chess.Move, piece: str) -> bool:
    """True if after the move the opponent can trade pieces of the kind named."""
    child = after_move(board, move)
    return any(trades_piece(child, reply, piece) for reply in child.legal_moves)


def _must_trade(statement: Statement, board: chess.Board, bench: Bench) -> Finding:
    side = Side.of(board.turn)
    if statement.side is not side:
        who = statement.side.name_ if statement.side else "that side"
        return Finding(statement, Status.OPEN, f"It is not {who}'s move here.")
    what = f"{statement.piece}s" if statement.piece else "pieces"
    moves = options(bench, board)
    taking = [o for o in moves if trades_piece(board, o.move, statement.piece)]
    verdict = known(bench, board)
    low, high = interval(verdict, side)
    offering = (
        []
        if statement.kind is Kind.MUST_NOT_TRADE
        else [o for o in moves if o not in taking and _offers(board, o.move, statement.piece)]
    )
    trading = [*taking, *offering]
    if not trading:
        return Finding(statement, Status.OPEN, f"No move here trades {what}.", verdict)
    if low != high or verdict is None:
        return Finding(statement, Status.OPEN, _sentence(verdict), verdict)
    if low < 0:
        text = f"{_sentence(verdict)} Nothing is left to keep."
        return Finding(statement, Status.OPEN, text, verdict)
    if statement.kind is Kind.MUST_NOT_TRADE:
        return _must_not(statement, board, bench, taking, verdict, low)
    others = [o for o in moves if o not in trading]
    also = [o for o in others if o.low >= low]
    if also:
        first = best_of(also)
        assert first.verdict is not None
        text = f"{_names(also)} {_keep(also)} without trading {what}. "
        text += f"After {first.label}: {words(first.verdict)}."
        return Finding(statement, Status.REFUTED, text, first.verdict, line_of(bench, board, first))
    if all(o.high < low for o in trading):
        text = f"{_sentence(verdict)} No move that trades {what} keeps that."
        return Finding(statement, Status.REFUTED, text, verdict, show(bench, board))
    keeping = [o for o in trading if o.low >= low]
    if keeping and all(o.high < low for o in others):
        text = f"{_sentence(verdict)} {_names(keeping)} {_keep(keeping)}; of the moves that neither"
        text += f" trade {what} nor offer to, none does."
        return Finding(statement, Status.CONFIRMED, text, verdict)
    return Finding(statement, Status.OPEN, _sentence(verdict), verdict)


def _must_not(
    statement: Statement,
    board: chess.Board,
    bench: Bench,
    taking: list[BoundedMove],
    verdict: Verdict,
    low: int,
) -> Finding:
    """Of a settled position: does every trade in ``taking`` cost the result, worth ``low``?"""
    safe = [o for o in taking if o.low >= low]
    if safe:
        first = best_of(safe)
        assert first.verdict is not None
        text = f"{first.label} keeps the result: {words(first.verdict)}."
        return Finding(statement, Status.REFUTED, text, first.verdict, line_of(bench, board, first))
    if all(o.high < low for o in taking):
        first = taking[0]
        assert first.verdict is not None
        text = f"{_sentence(verdict)} After {first.label}: {words(first.verdict)}."
        return Finding(statement, Status.CONFIRMED, text, verdict, line_of(bench, board, first))
    return Finding(statement, Status.OPEN, _sentence(verdict), verdict)


def _trade(statement: Statement, board: chess.Board, bench: Bench) -> Finding:
    side = Side.of(board.turn)
    if statement.side is not side:
        who = statement.side.name_ if statement.side else "that side"
        return Finding(statement, Status.OPEN, f"It is not {who}'s move here.")
    what = f"{statement.piece}s" if statement.piece else "pieces"
    taking = [o for o in options(bench, board) if trades_piece(board, o.move, statement.piece)]
    if not taking:
        return Finding(statement, Status.OPEN, f"No move here trades {what}.")
    best = max(taking, key=lambda o: (o.low, o.high))
    possible = (max(o.low for o in taking), max(o.high for o in taking))
    if best.verdict is None or (possible[0], possible[1]) != (best.low, best.high):
        return Finding(statement, Status.OPEN, _NOTHING)
    status, _ = compare(statement, possible, best.verdict)
    text = f"After {best.label}: {words(best.verdict)}."
    line = line_of(bench, board, best) if status is Status.REFUTED else None
    return Finding(statement, status, text, best.verdict, line)


_CHECKS: dict[Kind, Callable[[Statement, chess.Board, Bench], Finding]] = {
    Kind.RESULT: _result,
    Kind.ADVANTAGE: _advantage,
    Kind.UNCLEAR: _unclear,
    Kind.GOOD: _about_move(_good),
    Kind.POOR: _about_move(_poor),
    Kind.DOUBTFUL: _about_move(_poor),
    Kind.ONLY: _about_move(_only),
    Kind.SPOILS: _about_move(_spoils),
    Kind.ZUGZWANG: _zugzwang,
    Kind.MUTUAL: _zugzwang,
    Kind.MUST_TRADE: _must_trade,
    Kind.MUST_NOT_TRADE: _must_trade,
    Kind.TRADE: _trade,
}
