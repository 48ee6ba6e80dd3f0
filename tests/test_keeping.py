"""What the moves of a position keep is said of the position, and contradictions are not hidden."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import chess
import pytest
from demo_reviews import demo_review
from hypothesis import example, given, note, settings
from hypothesis import strategies as st
from rich.console import Console
from strategies import positions

from convert.cli import cli
from convert.cli.quiet import exit_code_of
from convert.errors import Disagreement
from convert.judging.judges import EFFORTS, Bench, EffortName, after_move, position_key
from convert.judging.keeping import (
    AGREES_WITHIN,
    backed_up,
    basis,
    best_interval,
    narrowed,
    only_move,
    ordered,
    raised,
)
from convert.judging.laws import may_claim, over_by_clock
from convert.model import Evidence, Grade, Side, Verdict
from convert.playing.judging import made
from convert.proofreading.knowledge import known
from convert.reading.games import read_games
from convert.reports.json_text import document
from convert.reports.position_text import print_position
from convert.review.game import review_game
from convert.review.position import judge_position
from convert.wording.verdicts import outcome_words, verdict_words
from tablebases.probing import open_tables
from tablebases.values import Outcome

TABLES = open_tables()
QUICK = EFFORTS[EffortName.QUICK]
LOSS, BLESSED, DRAW, CURSED, WIN = Outcome
DEMO = Path(__file__).parent.parent / "demo_games"

#: Black mates with Bh4, which the list of moves said and the head did not.
MATE_IN_ONE = "4r1k1/6pp/3B1p2/3p2b1/3Pq3/Q5K1/P4PP1/7r b - - 0 1"
#: Each of five replies loses by a short line into the tables; the head told an estimate.
ALL_REPLIES_LOSE = "8/8/5N2/7K/2P5/2P2q2/8/4k3 w - - 0 1"
#: 1...Ra1+ leaves 2.Rf1, and Black mates with Rxf1.
ONE_REPLY = "r5k1/5ppp/8/8/8/8/5RPP/7K b - - 0 1"


def told(verdict: Verdict | None) -> tuple[Outcome, Outcome, Evidence] | None:
    return None if verdict is None else (verdict.low, verdict.high, verdict.evidence)


def text_of(board: chess.Board, bench: Bench) -> tuple[str, dict[str, Any]]:
    report = judge_position(board, bench, variants=False)
    out = io.StringIO()
    print_position(report, Console(file=out, width=10_000, markup=False, highlight=False))
    return out.getvalue(), json.loads(document(report))


# --- what is told of the moves is told of the position -----------------------------------------


def test_mate_on_the_board_is_a_win_for_certain_in_every_command(tmp_path: Path) -> None:
    board = chess.Board(MATE_IN_ONE)
    verdict = Bench(TABLES, effort=QUICK).settle(board)
    assert told(verdict) == (WIN, WIN, Evidence.RULES)
    assert verdict is not None
    assert verdict.via == ("Bh4#",)
    text, written = text_of(board, Bench(TABLES))
    assert "Black wins (rules, by a forced line)." in text
    assert "By 1...Bh4#." in text
    assert written["verdict"]["evidence"] == "rules"
    assert written["moves"][0]["san"] == "Bh4#"
    path = tmp_path / "missed.pgn"
    path.write_text(f'[FEN "{MATE_IN_ONE}"]\n\n1...Rf8 *\n')
    (read,) = read_games(path)
    review = review_game(read, Bench(TABLES, effort=QUICK))
    assert told(review.start_verdict.for_side(Side.BLACK)) == (WIN, WIN, Evidence.RULES)


def test_where_every_reply_loses_the_head_says_so_as_the_json_does() -> None:
    board = chess.Board(ALL_REPLIES_LOSE)
    bench = Bench(TABLES, effort=QUICK)
    assert {v.points for _, v in bench.children(board) if v is not None} == {-1}
    text, written = text_of(board, bench)
    assert "Black wins (table, by a forced line)." in text
    assert "of 10" not in text
    assert {row["verdict"]["high"] for row in written["moves"]} == {LOSS}
    assert written["verdict"]["high"] == LOSS
    assert told(known(bench, board)) == told(bench.by_moves(board)) == (LOSS, LOSS, Evidence.TABLE)


def test_a_capture_into_a_table_is_seen_past_what_lines_are_given() -> None:
    """At quick effort with larger tables the lines look at no position of one man more."""
    board = chess.Board("8/8/8/3k4/3n4/2P1K3/8/7R w - - 0 1")  # cxd4 leads to K+R+P v K
    bench = Bench(TABLES, effort=EFFORTS[EffortName.QUICK])
    bench.lines.judge = lambda _: None  # type: ignore[method-assign, assignment]
    verdict = bench.settle(board)
    assert told(verdict) == (WIN, WIN, Evidence.TABLE)
    assert verdict is not None
    assert verdict.via == ("cxd4",)


def test_a_forced_reply_is_made() -> None:
    board = chess.Board(ONE_REPLY)
    bench = Bench(TABLES, effort=QUICK)
    after = after_move(board, board.parse_san("Ra1+"))
    only = only_move(after)
    assert only is not None
    forced = bench.settle(after)
    assert told(forced) == (LOSS, LOSS, Evidence.RULES)
    assert forced is not None
    assert forced.via == ("Rf1", "Rxf1#")
    assert told(bench.settle(board)) == (WIN, WIN, Evidence.RULES)


def test_stalemate_at_hand_is_a_draw_at_least_by_the_rules() -> None:
    board = chess.Board("k1K5/p6p/P6P/2p5/2P5/8/8/7N w - - 0 1")  # Kc7
    verdict = Bench(TABLES, effort=QUICK).verdict(board)
    assert told(verdict) == (DRAW, WIN, Evidence.RULES)
    assert "White cannot lose (rules, by a forced line)" in verdict_words(verdict)


def test_before_a_forced_recapture_the_chances_are_those_after_it() -> None:
    """19...Rxh7? 20...Kxh7 was "against (0.43 of a point worse)", though nothing else was there."""
    review = demo_review("04")
    back = next(p for p in review.plies if p.san == "Kxh7")
    before = review.plies[back.ply - 2].verdict
    assert before.expected == pytest.approx(back.verdict.expected, abs=AGREES_WITHIN)
    graded = [d for trade in review.trades for d in trade.decisions if d.san == "Kxh7"]
    assert all(d.grade is not Grade.AGAINST for d in graded)


@pytest.mark.parametrize(
    "fen",
    [
        "6k1/8/8/8/8/8/3R1PPP/r5K1 w - - 0 1",
        "7k/6pp/8/8/8/8/5RPP/r6K w - - 0 1",
        "r2q1rk1/pp3ppp/2n5/3p4/3P4/2N3P1/PPPQ1PqP/R1B1R1K1 w - - 0 1",
        "k7/8/8/8/6p1/5p1p/5P1P/7K w - - 0 1",
    ],
)
def test_the_only_legal_move_decides(fen: str) -> None:
    board = chess.Board(fen)
    move = only_move(board)
    assert move is not None
    bench = Bench(TABLES, effort=QUICK)
    here = bench.verdict(board)
    there = bench.verdict(after_move(board, move)).for_side(here.side)
    assert (here.low, here.high) == (there.low, there.high)
    assert here.expected == pytest.approx(there.expected, abs=1e-6)


# --- properties --------------------------------------------------------------------------------


@st.composite
def with_clock(draw: st.DrawFn, least: int = 3, most: int = 6) -> chess.Board:
    board = draw(positions(least=least, most=most))
    board.halfmove_clock = draw(st.sampled_from([0, 1, 40, 96, 97, 98, 99, 100, 101, 149, 150]))
    return board


@settings(max_examples=10)
@given(with_clock())
@example(chess.Board(ALL_REPLIES_LOSE))
@example(chess.Board(MATE_IN_ONE))
def test_a_verdict_is_as_tight_as_its_moves_make_it(board: chess.Board) -> None:
    note(board.fen())
    bench = Bench(TABLES, effort=QUICK)
    kept = bench.weighed(board)
    verdict, settled = kept.verdict, bench.settle(board)
    assert verdict is not None
    if settled is not None:
        assert verdict.low.points >= settled.low.points
        assert verdict.high.points <= settled.high.points
    if not kept.moves or over_by_clock(board):
        return
    moves = [v for _, v in kept.moves if v is not None]
    low, high = best_interval(board, [(v.low, v.high) for v in moves])
    assert verdict.low.points >= low.points
    assert verdict.high.points <= high.points
    if not verdict.exact and not (settled is not None and settled.win is not None):
        best = max(v.expected for v in moves)
        assert abs(verdict.expected - best) <= AGREES_WITHIN or low is DRAW or high is DRAW
        assert verdict.loss_probability == 0 or verdict.low.points < 0
        assert verdict.win_probability == 0 or verdict.high.points > 0


@settings(max_examples=8)
@given(with_clock())
def test_colours_exchanged_the_same_is_kept(board: chess.Board) -> None:
    note(board.fen())
    here = Bench(TABLES, effort=QUICK).weighed(board)
    there = Bench(TABLES, effort=QUICK).weighed(board.mirror())
    assert told(here.verdict) == told(there.verdict)

    def by_move(mirrored: bool) -> dict[str, Any]:
        found = {}
        for move, verdict in (there if mirrored else here).moves:
            turned = chess.Move(
                chess.square_mirror(move.from_square),
                chess.square_mirror(move.to_square),
                move.promotion,
            )
            found[str(turned if mirrored else move)] = told(verdict)
        return found

    assert by_move(False) == by_move(True)


@settings(max_examples=8)
@given(positions(least=4, most=6))
@example(chess.Board(ALL_REPLIES_LOSE))
@example(chess.Board(MATE_IN_ONE))
def test_text_and_json_of_a_position_agree(board: chess.Board) -> None:
    note(board.fen())
    text, written = text_of(board, Bench(TABLES, effort=QUICK))

    def read(told: dict[str, Any]) -> Verdict:
        return Verdict(
            Side(told["side"]),
            Outcome(told["low"]),
            Outcome(told["high"]),
            Evidence(told["evidence"]),
            told.get("win"),
            told.get("loss"),
            via=tuple(told.get("via", ())),
            measured=told.get("measured", False),
        )

    head = verdict_words(read(written["verdict"]))
    lines = text.splitlines()
    column = lines[0].index("White:")  # the diagram stands beside the text
    beside = " ".join(line[column:].strip() for line in lines)
    assert f"{head[:1].upper()}{head[1:]}." in beside
    groups = text.partition("\nMoves and ")[2].partition("\n\n")[0].replace("\n      ", " ")
    for row in written["moves"]:
        verdict = read(row["verdict"]).for_side(Side.of(board.turn))
        words = outcome_words(verdict) if verdict.exact else verdict_words(verdict)
        group = next(
            line
            for line in groups.splitlines()
            if line.strip().startswith(f"{words[:1].upper()}{words[1:]}: ")
        )
        assert row["san"] in group


# --- pure: two that meet, a position and its moves ----------------------------------------------

_BOARD = chess.Board("4k3/8/8/8/8/8/PPPP4/4K3 w - - 0 1")


def verdict_for(
    low: Outcome, high: Outcome, evidence: Evidence, via: tuple[str, ...] = ()
) -> Verdict:
    return Verdict(Side.WHITE, low, high, evidence, via=via)


def moves_with(*verdicts: Verdict | None) -> list[tuple[chess.Move, Verdict | None]]:
    legal = list(_BOARD.legal_moves)
    last = verdicts[-1]
    return [(m, verdicts[i] if i < len(verdicts) else last) for i, m in enumerate(legal)]


LINE = ("Kf2",)


@pytest.mark.parametrize(
    ("first", "second", "evidence"),
    [
        (
            verdict_for(DRAW, WIN, Evidence.BOUNDED),
            verdict_for(LOSS, DRAW, Evidence.BOUNDED),
            Evidence.SOLVED,
        ),
        (
            verdict_for(DRAW, WIN, Evidence.BOUNDED, LINE),
            verdict_for(LOSS, DRAW, Evidence.BOUNDED, LINE),
            Evidence.TABLE,
        ),
        (
            verdict_for(DRAW, WIN, Evidence.BOUNDED),
            verdict_for(LOSS, DRAW, Evidence.BOUNDED, LINE),
            Evidence.SOLVED,
        ),
        (
            verdict_for(DRAW, WIN, Evidence.RULES),
            verdict_for(LOSS, DRAW, Evidence.BOUNDED, LINE),
            Evidence.TABLE,
        ),
        (
            verdict_for(DRAW, WIN, Evidence.RULES),
            verdict_for(WIN, WIN, Evidence.TABLE),
            Evidence.TABLE,
        ),
    ],
)
def test_bounds_that_meet_rest_on_what_is_true_of_both(
    first: Verdict, second: Verdict, evidence: Evidence
) -> None:
    for a, b in ((first, second), (second, first)):
        met = narrowed("", "a", a, "b", b)
        assert met.exact
        assert met.evidence is evidence


TABLE_LOSS = verdict_for(LOSS, LOSS, Evidence.TABLE)
SOLVED_LOSS = verdict_for(LOSS, LOSS, Evidence.SOLVED)
MATED = verdict_for(LOSS, LOSS, Evidence.RULES)


@pytest.mark.parametrize(
    ("moves", "expected"),
    [
        ((TABLE_LOSS,), (LOSS, LOSS, Evidence.TABLE)),
        ((SOLVED_LOSS,), (LOSS, LOSS, Evidence.SOLVED)),
        ((MATED,), (LOSS, LOSS, Evidence.RULES)),
        ((TABLE_LOSS, SOLVED_LOSS, MATED), (LOSS, LOSS, Evidence.SOLVED)),
        ((TABLE_LOSS, MATED), (LOSS, LOSS, Evidence.TABLE)),
        # One move that wins is enough, whatever is known of the others.
        ((verdict_for(WIN, WIN, Evidence.RULES), None, SOLVED_LOSS), (WIN, WIN, Evidence.RULES)),
        # Of two that win the stronger evidence is told.
        (
            (verdict_for(WIN, WIN, Evidence.SOLVED), verdict_for(WIN, WIN, Evidence.TABLE), None),
            (WIN, WIN, Evidence.TABLE),
        ),
        # A draw needs the move that holds and all others: the weakest of them.
        ((verdict_for(DRAW, DRAW, Evidence.TABLE), SOLVED_LOSS), (DRAW, DRAW, Evidence.SOLVED)),
        ((verdict_for(DRAW, DRAW, Evidence.SOLVED), None), (DRAW, WIN, Evidence.BOUNDED)),
        ((TABLE_LOSS, verdict_for(LOSS, DRAW, Evidence.BOUNDED)), (LOSS, DRAW, Evidence.BOUNDED)),
        ((TABLE_LOSS, None), None),
    ],
)
def test_a_backed_up_verdict_rests_on_what_it_needs(
    moves: tuple[Verdict | None, ...], expected: object
) -> None:
    assert told(backed_up(_BOARD, None, moves_with(*moves))) == expected


def test_a_solved_result_shows_no_line_and_a_tables_result_does() -> None:
    solved = backed_up(_BOARD, None, moves_with(SOLVED_LOSS))
    table = backed_up(_BOARD, None, moves_with(TABLE_LOSS))
    assert solved is not None
    assert table is not None
    assert (solved.via, len(table.via)) == ((), 1)
    assert basis(solved) is Evidence.SOLVED


def test_the_best_move_comes_first_the_same_for_both_colours() -> None:
    verdicts = (TABLE_LOSS, verdict_for(WIN, WIN, Evidence.TABLE), None, SOLVED_LOSS)
    found = ordered(_BOARD, moves_with(*verdicts))
    assert found[0][1] == verdicts[1]
    assert found[-1][1] in (TABLE_LOSS, SOLVED_LOSS)
    mirrored = ordered(
        _BOARD.mirror(),
        [
            (
                chess.Move(m.from_square ^ 56, m.to_square ^ 56, m.promotion),
                v.for_side(Side.BLACK) and Verdict(Side.BLACK, v.low, v.high, v.evidence)
                if v
                else None,
            )
            for m, v in moves_with(*verdicts)
        ],
    )
    assert [(m.from_square ^ 56, m.to_square ^ 56) for m, _ in mirrored] == [
        (m.from_square, m.to_square) for m, _ in found
    ]


def test_drawn_moves_stand_by_what_they_are_without_the_fifty_move_rule() -> None:
    """First what would win, soonest first, then plain draws, last what would lose, latest first."""

    def drawn(outcome: Outcome, distance: int | None = None) -> Verdict:
        return replace(verdict_for(outcome, outcome, Evidence.TABLE), distance=distance)

    board = chess.Board("8/8/3n4/4k3/8/4K3/4P3/R7 w - - 0 1")
    best = [
        drawn(CURSED, 120),
        drawn(CURSED, 102),
        drawn(DRAW),
        drawn(BLESSED, 130),
        drawn(BLESSED, 104),
    ]
    moves = list(board.legal_moves)[: len(best)]
    for turned in range(len(best)):
        shuffled = [*best[turned:], *best[:turned]]
        found = [v for _, v in ordered(board, list(zip(moves, shuffled, strict=True)))]
        assert found == [best[1], best[0], *best[2:]]


def length(board: chess.Board, move: chess.Move) -> int:
    """Plies to the next capture, pawn move or mate, by the tables; read without the bench."""
    child = after_move(board, move)
    if child.is_checkmate():
        return 0
    wins = TABLES.wdl_after_zeroing(child) == LOSS
    return 1 if wins and board.is_zeroing(move) else 1 + TABLES.distance(child).least


@given(positions())
def test_one_order_of_moves_by_result_and_way(board: chess.Board) -> None:
    """Wins first, the shortest way in front; losses last, the longest in front; Black as White."""
    moves = Bench(TABLES, effort=QUICK).kept(board).moves
    verdicts = [verdict for _, verdict in moves if verdict is not None]
    assert len(verdicts) == board.legal_moves.count()
    points = [verdict.low.points for verdict in verdicts]
    assert points == sorted(points, reverse=True)
    wins = [length(board, m) for m, v in moves if v is not None and v.low == WIN]
    losses = [length(board, m) for m, v in moves if v is not None and v.high == LOSS]
    note(f"{board.fen()} {[board.san(move) for move, _ in moves]}")
    assert wins == sorted(wins)
    assert losses == sorted(losses, reverse=True)
    mirrored = Bench(TABLES, effort=QUICK).kept(board.mirror()).moves
    assert [(m.from_square ^ 56, m.to_square ^ 56, m.promotion) for m, _ in mirrored] == [
        (m.from_square, m.to_square, m.promotion) for m, _ in moves
    ]


@pytest.mark.parametrize(
    ("fen", "first"),
    [
        # The capture is the next goal itself, however far off the one after it is.
        ("8/8/8/8/5k2/8/1n6/1K5Q w - - 0 1", "Kxb2"),
        ("8/P7/8/8/4k3/8/8/K7 w - - 0 1", "a8=Q"),  # not a rook, which wins as well
        ("7k/5K2/8/6Q1/8/8/8/8 w - - 0 1", "Qg8#"),  # forward first of two mates
    ],
)
def test_what_comes_first_of_moves_that_win(fen: str, first: str) -> None:
    board = chess.Board(fen)
    assert board.is_valid()
    move, _ = Bench(TABLES, effort=QUICK).kept(board).moves[0]
    assert board.san(move).rstrip("+") == first


@pytest.mark.slow
def test_a_slip_is_built_alike_in_a_game_and_in_play() -> None:
    """The same moves held, the same lines, the same trade missed."""
    slips = 0
    for path in sorted(DEMO.glob("*.pgn")):
        (read,) = read_games(path)
        review = review_game(read, Bench(TABLES, effort=QUICK))
        for slip in (slip for slip in review.slips if slip.certain):
            board = chess.Board(slip.fen)
            move = board.parse_san(slip.san)
            record = made(Bench(TABLES, effort=QUICK), board, move, slip.ply, by_player=True).slip
            assert record is not None
            assert record == replace(slip, handed_back=None, rules_after=(), rules_after_ply=None)
            slips += 1
    assert slips >= 5


# --- contradictions ------------------------------------------------------------------------------


class Says:
    """A judge that says the same of every position with men on the squares, for White."""

    def __init__(self, name: str, low: Outcome, high: Outcome, *where: chess.Square):
        self.name = name
        self.interval = low, high
        self.where = where

    def judge(self, board: chess.Board) -> Verdict | None:
        if any(board.piece_at(square) is None for square in self.where):
            return None
        told = Verdict(Side.WHITE, *self.interval, Evidence.BOUNDED)
        return told.for_side(Side.of(board.turn))


def test_judges_that_exclude_each_other_are_named_with_the_position() -> None:
    bench = Bench(TABLES, more=(Says("first", DRAW, WIN), Says("second", LOSS, LOSS)))
    with pytest.raises(Disagreement) as caught:
        bench.settle(chess.Board())
    assert (caught.value.first, caught.value.second) == ("first", "second")
    assert str(caught.value) == (
        f"the judges first and second disagree about {chess.STARTING_FEN} (for White: draw at "
        "least against loss); please report it"
    )


def test_judges_that_agree_are_no_contradiction() -> None:
    bench = Bench(TABLES, more=(Says("first", DRAW, WIN), Says("second", LOSS, DRAW)))
    assert told(bench.settle(chess.Board())) == (DRAW, DRAW, Evidence.SOLVED)


def test_a_position_and_its_moves_that_exclude_each_other() -> None:
    # No better than a draw, it is said; but a pawn on e4, which White may play, wins.
    bench = Bench(TABLES, more=(Says("wins", WIN, WIN, chess.E4), Says("holds", LOSS, DRAW)))
    with pytest.raises(Disagreement, match="after e4"):
        bench.settle(chess.Board())


def test_an_exact_result_and_its_moves_that_exclude_each_other() -> None:
    with pytest.raises(Disagreement, match="those of the moves"):
        backed_up(_BOARD, verdict_for(WIN, WIN, Evidence.TABLE), moves_with(TABLE_LOSS))
    with pytest.raises(Disagreement, match=r"tables \(after "):
        backed_up(
            _BOARD,
            verdict_for(DRAW, DRAW, Evidence.SOLVED),
            moves_with(verdict_for(WIN, WIN, Evidence.TABLE)),
        )
    with pytest.raises(Disagreement, match="after Kf2"):
        raised(
            _BOARD,
            verdict_for(LOSS, DRAW, Evidence.BOUNDED),
            "Kf2",
            verdict_for(WIN, WIN, Evidence.TABLE),
        )


def test_the_blessed_loss_that_may_be_claimed_is_no_contradiction() -> None:
    """FIDE Laws of Chess, 9.3: with a hundred plies gone the side to move may claim."""
    board = chess.Board("8/8/8/8/8/2k5/KR6/8 b - - 100 90")
    answer = TABLES.outcome(board)
    assert (answer.low, answer.high) == (BLESSED, BLESSED)
    assert told(Bench(TABLES).settle(board)) == (DRAW, DRAW, Evidence.RULES)
    assert told(Bench(TABLES).kept(board).verdict) == (DRAW, DRAW, Evidence.RULES)


def test_a_draw_that_may_be_announced_is_a_choice_like_a_move() -> None:
    """9.3: at 99 plies the move that makes it a hundred may be announced with the claim."""
    board = chess.Board("8/8/8/8/8/2k5/KR6/8 b - - 99 90")
    assert may_claim(board)
    lost = Verdict(Side.BLACK, LOSS, LOSS, Evidence.TABLE)
    found = backed_up(board, None, [(move, lost) for move in board.legal_moves])
    assert found is not None
    assert (found.low, found.high) == (DRAW, DRAW)
    board.halfmove_clock = 98
    assert not may_claim(board)
    found = backed_up(board, None, [(move, lost) for move in board.legal_moves])
    assert told(found) == (LOSS, LOSS, Evidence.TABLE)


def test_the_moves_of_a_game_that_is_over_count_for_nothing() -> None:
    board = chess.Board("8/8/8/3k4/8/8/1q6/K1Q5 w - - 150 200")
    assert over_by_clock(board)
    drawn = Bench(TABLES).kept(board)
    assert told(drawn.verdict) == (DRAW, DRAW, Evidence.RULES)


@settings(max_examples=20)
@given(with_clock(least=3, most=4))
# Found by hand at the edges: the table rounds, and the moves know better.
@example(chess.Board("8/8/8/8/8/2k5/KR6/8 b - - 99 90"))
def test_tables_and_their_moves_never_contradict_each_other(board: chess.Board) -> None:
    note(board.fen())
    kept = Bench(TABLES, effort=QUICK).kept(board)
    assert kept.verdict is not None


# --- the rims -------------------------------------------------------------------------------------

GAMES = b"""[White "Ada"]
[Black "Bo"]
[Result "*"]

1. d4 d5 *

[White "Cy"]
[Black "Di"]
[Result "*"]

1. e4 e5 *
"""

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """The command with judges of which one is wrong about every position with men on e4 and e5."""

    def opened(*_: Any, **__: Any) -> Bench:
        liars = (
            Says("first", DRAW, WIN, chess.E4, chess.E5),
            Says("second", LOSS, LOSS, chess.E4, chess.E5),
        )
        return Bench(TABLES, effort=QUICK, more=liars)

    monkeypatch.setattr("convert.judging.bench.open_bench", opened)
    monkeypatch.setattr("convert.collection.work.open_bench", opened)

    def go(*arguments: str) -> tuple[int, str, str]:
        code = exit_code_of(
            lambda: cli.main(args=list(arguments), prog_name="fullpoint", standalone_mode=False)
        )
        out, err = capsys.readouterr()
        return code, out, err

    return go


def test_a_contradiction_belongs_to_its_game_and_the_others_go_on(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "games.pgn"
    path.write_bytes(GAMES)
    code, out, err = run("game", str(path), "--no-solve")
    assert code == 2
    assert "Ada" in out
    assert "Cy" not in out
    (line,) = [line for line in err.splitlines() if "disagree" in line]
    assert f"{path}: game 2, line 7: the judges" in line
    assert "please report it" in line
    assert "Traceback" not in err


def test_a_contradiction_about_one_position_is_one_line(run: Run) -> None:
    code, out, err = run(
        "position", "--no-variants", "4k3/8/8/4p3/4P3/8/PPPP4/4K3 w - - 0 1", "--no-solve"
    )
    assert (code, out) == (2, "")
    others, told = err.splitlines()
    assert others == "fullpoint: also asked, beside the program's own judges: first, second"
    assert told.startswith("fullpoint: error: the judges first and second disagree about 4k3/")


def test_a_contradiction_belongs_to_its_line_of_a_file(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "two.epd"
    path.write_text("4k3/8/8/4p3/4P3/8/PPPP4/4K3 w - -\n8/8/8/2k5/8/8/8/KR6 w - -\n")
    code, out, err = run("position", "--epd", str(path), "--no-variants", "--no-solve")
    assert code == 2
    assert "White wins (table)" in out
    assert f"{path}, line 1: the judges" in err


def test_a_contradiction_ends_neither_proofreading_nor_a_sheet(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "games.pgn"
    path.write_bytes(GAMES.replace(b"d5 *", b"d5 {drawn} *").replace(b"e5 *", b"e5 {drawn} *"))
    code, out, err = run("proofread", str(path), "--no-solve")
    assert code == 2
    assert "1...d5" in out
    assert "game 2, line 7: the judges" in err
    epd = tmp_path / "two.epd"
    epd.write_text("3r4/4k3/8/4p3/4P3/8/4K3/3R4 w - -\n3r4/8/3k4/8/3K4/3P4/8/3R4 w - -\n")
    code, _, err = run("lesson", str(epd), "-o", str(tmp_path / "sheet.html"), "--no-solve")
    assert f"{epd}, line 1: the judges" in err
    assert "line 2" not in err
    assert code == 2


# --- the clock is part of what is remembered ------------------------------------------------------


class InTime:
    """Proves that White cannot lose while the clock leaves time for it."""

    name = "in time"

    def judge(self, board: chess.Board) -> Verdict | None:
        interval = (DRAW, WIN) if board.halfmove_clock < 10 else (LOSS, WIN)
        return Verdict(Side.WHITE, *interval, Evidence.BOUNDED).for_side(Side.of(board.turn))


def test_a_bound_that_depends_on_the_clock_is_not_told_for_another_clock() -> None:
    early = chess.Board("r1bq1rk1/ppp2ppp/2np1n2/8/8/2NP1N2/PPP2PPP/R1BQ1RK1 b - - 0 20")
    late = early.copy()
    late.halfmove_clock = 30
    assert position_key(early) != position_key(late)
    bench = Bench(TABLES, effort=QUICK, more=(InTime(),))
    assert told(bench.settle(early)) == (LOSS, DRAW, Evidence.BOUNDED)
    assert (bench.settle(late) or InTime().judge(late)) == InTime().judge(late)


def test_the_look_ahead_is_not_repeated_for_another_clock() -> None:
    """Past the tables the estimate depends on no clock; nothing is worked out twice."""
    early, late = chess.Board(), chess.Board()
    late.halfmove_clock = 30
    bench = Bench(TABLES, effort=QUICK)
    first = bench.verdict(early)
    spent = bench.look_ahead_nodes
    assert bench.verdict(late) == first
    assert bench.look_ahead_nodes == spent


def test_a_contradiction_belongs_to_its_row_of_a_collection(tmp_path: Path) -> None:
    pytest.importorskip("pyarrow")
    from convert.collection.judged import add_review
    from convert.review.walker import walk

    liars = (
        Says("first", DRAW, WIN, chess.E4, chess.E5),
        Says("second", LOSS, LOSS, chess.E4, chess.E5),
    )
    bench = Bench(TABLES, effort=QUICK, more=liars)
    path = tmp_path / "game.pgn"
    path.write_text("1. e4 e5 *\n")
    (read,) = read_games(path)
    assert read.game is not None
    why = add_review({}, read, walk(read.game.board(), read.moves), bench)
    assert why is not None
    assert why.startswith("the judges first and second disagree about ")
