"""Source -> walker -> judges -> Review: the whole review of one game."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import chess

from convert import __version__
from convert.activity import piece_activity, useful_moves
from convert.author import AuthorNotes, notes_of
from convert.balance import balance, balance_name, census, pieces
from convert.decisions import (
    Judged,
    declined,
    position_speaking,
    scene_of,
    trade_decisions,
)
from convert.judge import Bench, after_move
from convert.keeping import AGREES_WITHIN, backed_up, only_move, raised, with_chances
from convert.model import (
    SCHEMA,
    Counts,
    Evidence,
    Phase,
    PieceGiven,
    PlyRecord,
    Review,
    Side,
    Trade,
    Verdict,
)
from convert.practice import in_practice
from convert.slips import (
    CLEARLY,
    better_from,
    find_only_moves,
    find_slips,
    simplification,
    suspicion,
    turning_point,
    winning_first,
)
from convert.sources import GameRead
from convert.story import teach, tell
from convert.technique import technique
from convert.trades import FoundTrade, find_trades, name_trade
from convert.walker import Walk, phases, walk


@dataclass(frozen=True)
class Refused(Exception):
    """The game cannot be reviewed; ``reason`` says why, in one line."""

    reason: str

    def __str__(self) -> str:
        return self.reason


def start_board(read: GameRead) -> chess.Board:
    """The position the game starts from.

    Raises:
        Refused: nothing of the game can be used.
    """
    if read.game is None:
        reason = read.problems[0].reason if read.problems else "nothing to review"
        raise Refused(reason)
    return read.game.board()


def review_game(
    read: GameRead,
    bench: Bench,
    side: Side | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Review:
    """Review one game.

    ``side`` is the side under review; None takes the side that was winning or
    clearly better first.  ``progress`` is told how many positions of the game
    are judged, and of how many.

    Raises:
        Refused: the game has no usable moves.
    """
    start = start_board(read)
    if not read.moves:
        raise Refused("no moves: nothing to review")
    spent = bench_counts(bench)
    walked = walk(start, read.moves)
    bench.prepare(walked.boards)
    verdicts = judge_walk(walked, bench, progress)
    judged = Judged(walked, verdicts, bench)
    chosen, how = choose_side(read, verdicts, side)
    found = find_trades(walked)
    trades = tuple(build_trade(judged, trade, chosen) for trade in found)
    slips = find_slips(judged)
    found_phases = phases(walked)
    read_tags = dict(read.game.headers) if read.game is not None else {}
    winner = _winning_in_tables(verdicts, chosen)
    author = notes_of(read.game, len(walked.steps))
    ending = _ending_ply(verdicts, found_phases, chosen)
    # In the middle of an exchange the material is not yet that of the ending.
    stood = max(ending, next(p.since for p in found_phases if p.first <= ending <= p.last))
    review = Review(
        schema=SCHEMA,
        program=f"fullpoint {__version__}",
        file=read.source,
        number=read.number,
        line=read.line,
        tags=read_tags,
        start_fen=start.fen(),
        result=read_tags.get("Result", "*"),
        side=chosen,
        side_chosen=how,
        complete=read.complete,
        problems=tuple(str(problem) for problem in read.problems),
        start_verdict=verdicts[0],
        plies=tuple(_record(judged, ply, author) for ply in range(1, len(walked.boards))),
        phases=found_phases,
        trades=trades,
        declined=declined(judged),
        slips=slips,
        only_moves=find_only_moves(judged),
        technique=technique(judged, winner) if winner is not None else None,
        ending_ply=ending,
        ending_rules=position_speaking(bench, walked.boards[ending])[:4],
        simplification=simplification(verdicts),
        turning=turning_point(verdicts),
        story=(),
        teach=(),
        counts=since(spent, bench_counts(bench), len(walked.boards)),
        comment=author.before,
        practice=in_practice(walked.boards[stood], read_tags, stood),
        suspicion=suspicion(),
    )
    review = replace(review, story=tell(review))
    return replace(review, teach=teach(review))


def judge_walk(
    walked: Walk, bench: Bench, progress: Callable[[int, int], None] | None = None
) -> list[Verdict]:
    """A verdict for White on every position of the game.

    What the move played proves of the position before it is carried back: a
    side that could play into a win had a win.  Estimates are made to agree with
    the moves in the same way.
    """
    verdicts: list[Verdict] = []
    for board in walked.boards:
        verdicts.append(bench.verdict(board).for_side(Side.WHITE))
        if progress is not None:
            progress(len(verdicts), len(walked.boards))
    for ply in range(len(walked.steps), 0, -1):
        step = walked.steps[ply - 1]
        mover = Side.of(step.color)
        before, after = verdicts[ply - 1].for_side(mover), verdicts[ply].for_side(mover)
        told = raised(walked.boards[ply - 1], before, walked.san(ply), after)
        if told is before and not before.exact:
            told = _through_forced(walked, bench, ply, before, after)
            told = _best_of_moves(walked, bench, ply, told, after)
        verdicts[ply - 1] = told.for_side(Side.WHITE)
    return verdicts


def _through_forced(
    walked: Walk, bench: Bench, ply: int, before: Verdict, after: Verdict
) -> Verdict:
    """Before a forced move the chances are those after it.

    Forced are the only legal move, and to take back on the square of the last capture where the
    look-ahead sees nothing better; of several ways to do so the best counts.  All three verdicts
    are for the side to move.
    """
    board, step = walked.boards[ply - 1], walked.steps[ply - 1]
    if only_move(board) is not None:
        return with_chances(before, after.win_probability, after.loss_probability)
    last = walked.steps[ply - 2] if ply > 1 else None
    if last is None or last.captured is None:
        return before
    square = last.move.to_square
    back = [move for move in bench.forcing_first(board) if move.to_square == square]
    if not back or back[0] != bench.forcing_first(board)[0]:
        return before
    told = [
        after
        if move == step.move
        else bench.verdict(after_move(board, move)).for_side(before.side)
        for move in back
    ]
    best = max(told, key=lambda verdict: verdict.expected)
    return with_chances(before, best.win_probability, best.loss_probability)


def _best_of_moves(
    walked: Walk, bench: Bench, ply: int, before: Verdict, after: Verdict
) -> Verdict:
    """The estimate before a move, made to agree with the estimates after the moves.

    A position is worth the best of its moves: no less than the move played, and
    where the estimate before it was clearly higher, no more than the best of all.
    All three are for the side to move.
    """
    if before.expected - after.expected < AGREES_WITHIN:
        if after.expected - before.expected < AGREES_WITHIN:
            return before
        return with_chances(before, after.win_probability, after.loss_probability)
    board, best = walked.boards[ply - 1], after
    told: list[tuple[chess.Move, Verdict]] = []
    for move in bench.forcing_first(board):
        verdict = bench.verdict(after_move(board, move)).for_side(before.side)
        told.append((move, verdict))
        if verdict.expected > best.expected:
            best = verdict
            before = raised(board, before, board.san(move), best)
            if before.exact or best.expected >= before.expected - AGREES_WITHIN / 3:
                return before
    before = backed_up(board, before, told) or before
    if before.exact:
        return before
    return with_chances(before, best.win_probability, best.loss_probability)


def choose_side(
    read: GameRead, verdicts: Sequence[Verdict], side: Side | None
) -> tuple[Side, str]:
    """The side under review and why it was chosen."""
    if side is not None:
        return side, "asked for"
    first = winning_first(verdicts, CLEARLY)
    if first is not None:
        return first, "the first to be winning or clearly better"
    result = read.game.headers.get("Result", "*") if read.game is not None else "*"
    if result == "0-1":
        return Side.BLACK, "the winner; neither side was clearly better before"
    if result == "1-0":
        return Side.WHITE, "the winner; neither side was clearly better before"
    best_white = max(v.for_side(Side.WHITE).expected for v in verdicts)
    best_black = max(v.for_side(Side.BLACK).expected for v in verdicts)
    side = Side.WHITE if best_white >= best_black else Side.BLACK
    return side, "neither side was clearly better; this one came nearer"


def _winning_in_tables(verdicts: Sequence[Verdict], side: Side) -> Side | None:
    """The side whose technique is looked at: the one under review if it had an exact win."""
    for candidate in (side, side.other):
        if any(v.for_side(candidate).points == 1 for v in verdicts):
            return candidate
    return None


def _ending_ply(verdicts: Sequence[Verdict], found: Sequence[Phase], side: Side) -> int:
    """The ply after which the position is typical of the ending: see :class:`Review`."""
    for ply, verdict in enumerate(verdicts):
        if verdict.for_side(side).points == 1:
            return ply
    better = better_from(verdicts, side, CLEARLY)
    last = found[-1].since
    if better is None:
        return last
    phase = next(p for p in found if p.first <= better <= p.last)
    return max(better, phase.since)


def _record(judged: Judged, ply: int, author: AuthorNotes) -> PlyRecord:
    step = judged.walked.steps[ply - 1]
    noted = author.at(ply)
    return PlyRecord(
        ply=ply,
        number=step.number,
        side=Side.of(step.color),
        san=judged.walked.san(ply),
        uci=step.move.uci(),
        clock=judged.walked.boards[ply].halfmove_clock,
        verdict=judged.verdicts[ply],
        capture=step.captured is not None,
        comment=noted.comment,
        nags=noted.nags,
        sidelines=noted.sidelines,
    )


def build_trade(judged: Judged, trade: FoundTrade, side: Side) -> Trade:
    """Everything a report says of one trade."""
    walked = judged.walked
    before_board, after_board = walked.boards[trade.first - 1], walked.boards[trade.last]
    return Trade(
        first=trade.first,
        last=trade.last,
        moves=tuple(walked.san(ply) for ply in range(trade.first, trade.last + 1)),
        name=name_trade(trade.white_gave, trade.black_gave),
        white_gave=tuple(chess.piece_name(kind) for kind in trade.white_gave),
        black_gave=tuple(chess.piece_name(kind) for kind in trade.black_gave),
        offered_by=None if trade.offered_by is None else Side.of(trade.offered_by),
        offered_ply=trade.offered_ply,
        began_by=Side.of(trade.began_by),
        recaptures=tuple(walked.san(ply) for ply in trade.recaptures),
        fen=before_board.fen(),
        before=judged.verdicts[trade.first - 1].for_side(side),
        after=judged.verdicts[trade.last].for_side(side),
        decisions=trade_decisions(judged, trade),
        pieces=pieces_given(judged, trade),
        balance_before=balance_name(walked.counts[trade.first - 1]),
        balance_after=balance_name(walked.counts[trade.last]),
        liquidation=trade.liquidation,
        aftermath=aftermath(after_board, trade),
    )


def pieces_given(judged: Judged, trade: FoundTrade) -> tuple[PieceGiven, ...]:
    """The pieces (pawns left out) that went, and what each had been doing before the trade."""
    before = judged.walked.boards[trade.first - 1]
    out = []
    for color in chess.COLORS:
        scene = scene_of(judged, trade, color)
        for square, kind in zip(scene.given_squares, scene.given, strict=False):
            piece = before.piece_at(square)
            if kind == chess.PAWN or piece is None or piece.piece_type != kind:
                continue
            doing = piece_activity(before, square)
            detail = []
            if doing.on_first_square and not _arrived(judged.walked, trade.first, square):
                detail.append("still on its first square")
            if doing.outpost:
                detail.append("on an outpost")
            if doing.tied_to:
                names = ", ".join(chess.square_name(s) for s in doing.tied_to)
                detail.append(f"tied to {names}")
            out.append(
                PieceGiven(
                    side=Side.of(color),
                    piece=chess.piece_name(kind),
                    square=chess.square_name(square),
                    ply=trade.first,
                    activity=doing.word,
                    detail=", ".join(detail),
                )
            )
    return tuple(out)


def _arrived(walked: Walk, before_ply: int, square: chess.Square) -> bool:
    """True if a man came to ``square`` in the game before ``before_ply``."""
    return any(step.move.to_square == square for step in walked.steps[: before_ply - 1])


def aftermath(board: chess.Board, trade: FoundTrade) -> str:
    """Who is left with the open file, and how many useful moves the weaker side keeps."""
    if trade.only_pawns:
        return ""
    notes = []
    for color in chess.COLORS:
        mine = [
            chess.FILE_NAMES[f]
            for f in range(8)
            if not board.pawns & chess.BB_FILES[f]
            and board.rooks & board.occupied_co[color] & chess.BB_FILES[f]
            and not board.rooks & board.occupied_co[not color] & chess.BB_FILES[f]
        ]
        if mine and pieces(census(board), color):
            word = "file" if len(mine) == 1 else "files"
            notes.append(
                f"{Side.of(color).name_}'s rook has the open {' and '.join(mine)}-{word} alone"
            )
    told = balance(census(board))
    if told.ahead is not None and not told.level:
        weaker = not told.ahead
        if pieces(census(board), weaker) == 1 and not board.is_game_over():
            number = useful_moves(board, weaker)
            moves = "move that loses" if number == 1 else "moves that lose"
            notes.append(f"{Side.of(weaker).name_} has {number} {moves} nothing at once")
    return "; ".join(notes)


def bench_counts(bench: Bench) -> Counts:
    """What the bench has done so far, over all the games it judged."""
    by = bench.counts()
    probes = getattr(bench.prober, "counts", None)
    return Counts(
        positions=0,
        judged=sum(by.values()),
        by_evidence={e.value: by[e] for e in Evidence if by[e]},
        wdl_probes=getattr(probes, "wdl", 0),
        dtz_probes=getattr(probes, "dtz", 0),
        look_ahead_nodes=bench.look_ahead_nodes,
    )


def since(before: Counts, after: Counts, positions: int) -> Counts:
    """What one review of ``positions`` positions added to the counts."""
    by = {
        name: number - before.by_evidence.get(name, 0)
        for name, number in after.by_evidence.items()
        if number > before.by_evidence.get(name, 0)
    }
    return Counts(
        positions=positions,
        judged=after.judged - before.judged,
        by_evidence=by,
        wdl_probes=after.wdl_probes - before.wdl_probes,
        dtz_probes=after.dtz_probes - before.dtz_probes,
        look_ahead_nodes=after.look_ahead_nodes - before.look_ahead_nodes,
    )
