"""One position judged: what it is worth, what each move keeps, and what decides it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import chess
from chess import KING

from convert.board.balance import balance_name, census
from convert.judging.judges import Bench, after_move
from convert.judging.keeping import Choices
from convert.judging.lines import best_line, line_after
from convert.model import (
    POSITION_SCHEMA,
    Evidence,
    MoveRow,
    PositionReport,
    Side,
    TradeOption,
    Variant,
    Verdict,
)
from convert.review.decisions import position_speaking
from convert.review.practice import in_practice
from convert.review.trades import starts_trade
from convert.wording.small import color_word
from tablebases.errors import CastlingRights, MissingTable, TablebaseError
from tablebases.material import normal_name
from tablebases.values import Outcome

#: With an estimate only, at most so many moves are listed (best first).
MOST_ESTIMATED = 12
#: A change of the estimated expected score from which a variant counts as different (judgement).
DIFFERENT = 0.2
_MOST_PAIRS = 16
#: What decides a position is asked of endings only: at most so many men.
MOST_MEN_VARIED = 16
#: Variants are solved only if the position itself took no more planned work (seconds of one core).
MOST_SECONDS_VARIED = 5.0


def judge_position(
    board: chess.Board, bench: Bench, notes: tuple[str, ...] = (), *, variants: bool = True
) -> PositionReport:
    """Judge a legal position with everything the bench has."""
    board = board.copy(stack=False)
    side = Side.of(board.turn)
    varied = variants and board.occupied.bit_count() <= MOST_MEN_VARIED
    bench.prepare([board])
    if varied and bench.solver is not None and bench.solver.seconds <= MOST_SECONDS_VARIED:
        # Each shifted pawn is a structure of its own, as much work again as the position itself;
        # where only a king or the move differs the answer is known already.
        bench.prepare([v for _, _, v in each_variant(board) if v.is_valid()], moves_too=False)
    choices = bench.weighed(board)
    assert choices.verdict is not None
    verdict = with_distance(bench, board, choices.verdict)
    rows = _moves(board, bench, choices)
    listed = rows if verdict.exact else rows[:MOST_ESTIMATED]
    return PositionReport(
        schema=POSITION_SCHEMA,
        fen=board.fen(),
        notes=(*notes, *_why_no_table(board, bench)),
        to_move=side,
        verdict=verdict,
        balance=balance_name(census(board)),
        moves=tuple(listed),
        left_out=len(rows) - len(listed),
        trades=tuple(_trades(board, bench)),
        rules=position_speaking(bench, board),
        variants=tuple(what_decides(board, bench, verdict)) if varied else (),
        line=best_line(bench, board),
        practice=in_practice(board),
    )


def _why_no_table(board: chess.Board, bench: Bench) -> tuple[str, ...]:
    """Why the tables do not answer, for a position that tables could hold (seven men)."""
    if board.occupied.bit_count() > 7 or not any(board.generate_legal_moves()):
        return ()
    settled = bench.settle(board)
    if settled is not None and settled.exact and settled.evidence is Evidence.SOLVED:
        return ()
    try:
        bench.prober.outcome(board)
    except MissingTable as err:
        name = normal_name(err.material)
        return (f"no table for {name}; 'fullpoint tables' lists what there is",)
    except CastlingRights:
        return ("a side may still castle: no table holds such a position",)
    except TablebaseError as err:
        return (str(err),)
    return ()


def with_distance(bench: Bench, board: chess.Board, verdict: Verdict) -> Verdict:
    """Add the distance to the next zeroing move or mate, where table or solver knows it."""
    if not verdict.exact or verdict.distance is not None or verdict.low == Outcome.DRAW:
        return verdict
    if not any(board.generate_legal_moves()):
        return verdict
    distance = bench.distance(board)
    if distance is None:
        return verdict
    return replace(verdict, distance=abs(distance.plies) or None, rounded=distance.rounded)


def _moves(board: chess.Board, bench: Bench, choices: Choices) -> list[MoveRow]:
    rows = []
    for move, judged in choices.moves:
        assert judged is not None
        verdict = with_distance(bench, after_move(board, move), judged)
        rows.append(
            MoveRow(
                board.san(move),
                move.uci(),
                verdict,
                starts_trade(board, move),
                board.is_capture(move),
            )
        )
    return rows


def _trades(board: chess.Board, bench: Bench) -> Iterator[TradeOption]:
    side = Side.of(board.turn)
    for move in board.legal_moves:
        if not starts_trade(board, move):
            continue
        child = after_move(board, move)
        done = child
        back = [
            m for m in child.legal_moves if m.to_square == move.to_square and child.is_capture(m)
        ]
        if back:
            done = after_move(child, bench.weigh(child, back)[0][0])
        yield TradeOption(
            board.san(move),
            move.uci(),
            bench.verdict(child).for_side(side),
            balance_name(census(done)),
            line_after(bench, board, move) if bench.settle(child) else None,
        )


# --- what decides it --------------------------------------------------------------------


def what_decides(board: chess.Board, bench: Bench, verdict: Verdict) -> Iterator[Variant]:
    """The position with one thing changed at a time.

    The other side to move; each pawn and king one square off; the whole
    position a file to the left and right; a pawn of each side removed.  Illegal
    positions are left out; castling rights go with the first change.
    """
    for kind, what, variant in each_variant(board):
        if not variant.is_valid():
            continue
        judged = bench.verdict(variant).for_side(verdict.side)
        yield Variant(kind, what, variant.fen(), judged, differs(verdict, judged))


def differs(a: Verdict, b: Verdict) -> bool:
    """Another result for certain, or an estimate clearly apart."""
    if a.exact and b.exact:
        return a.points != b.points
    if a.high.points < b.low.points or b.high.points < a.low.points:
        return True
    return abs(a.expected - b.expected) >= DIFFERENT


def _bare(board: chess.Board) -> chess.Board:
    copy = board.copy(stack=False)
    copy.castling_rights = chess.BB_EMPTY
    copy.ep_square = None
    return copy


def each_variant(board: chess.Board) -> Iterator[tuple[str, str, chess.Board]]:
    """Positions that differ from ``board`` in one thing: kind, what, position.

    Kinds: ``move`` (the other side to move), ``king`` and ``pawn`` (one square off), ``shift``
    (everything a file aside), ``pair`` (a pawn of each side removed).  Not all are legal.
    """
    other = _bare(board)
    other.turn = not board.turn
    yield "move", f"{color_word(other.turn)} to move", other
    yield from _one_off(board, KING)
    yield from _one_off(board, chess.PAWN)
    yield from _shifted(board)
    yield from _pairs(board)


def _one_off(board: chess.Board, kind: chess.PieceType) -> Iterator[tuple[str, str, chess.Board]]:
    steps = [(0, 1), (0, -1), (1, 0), (-1, 0)]
    if kind == KING:
        steps += [(1, 1), (1, -1), (-1, 1), (-1, -1)]
    for color in chess.COLORS:
        for square in board.pieces(kind, color):
            for df, dr in steps:
                file = chess.square_file(square) + df
                rank = chess.square_rank(square) + dr
                if not (0 <= file < 8 and 0 <= rank < 8):
                    continue
                if kind == chess.PAWN and rank in (0, 7):
                    continue
                target = chess.square(file, rank)
                if board.piece_at(target) is not None:
                    continue
                changed = _bare(board)
                changed.set_piece_at(target, changed.remove_piece_at(square))
                side = color_word(color)
                word = "king" if kind == KING else "pawn"
                yield (
                    word,
                    f"{side}'s {word} {chess.square_name(square)} on {chess.square_name(target)}",
                    changed,
                )


def _shifted(board: chess.Board) -> Iterator[tuple[str, str, chess.Board]]:
    for df, word in ((-1, "left"), (1, "right")):
        men = board.piece_map()
        if any(not 0 <= chess.square_file(s) + df < 8 for s in men):
            continue
        changed = _bare(board)
        changed.set_piece_map({s + df: piece for s, piece in men.items()})
        yield "shift", f"everything one file to the {word}", changed


def _pairs(board: chess.Board) -> Iterator[tuple[str, str, chess.Board]]:
    pairs = sorted(
        (
            (abs(chess.square_file(w) - chess.square_file(b)), w, b)
            for w in board.pieces(chess.PAWN, chess.WHITE)
            for b in board.pieces(chess.PAWN, chess.BLACK)
        ),
    )
    for _, white, black in pairs[:_MOST_PAIRS]:
        changed = _bare(board)
        changed.remove_piece_at(white)
        changed.remove_piece_at(black)
        yield (
            "pair",
            f"without the pawns {chess.square_name(white)} and {chess.square_name(black)}",
            changed,
        )
