"""Stretches of games, results of games, and how often suspected slips are slips."""

from __future__ import annotations

import io
import itertools
from dataclasses import replace
from pathlib import Path

import chess
import pytest
from demo_reviews import demo_review
from rich.console import Console

from convert.board.kinds import kind_of
from convert.judging.judges import Bench
from convert.judging.keeping import with_chances
from convert.measuring import results
from convert.measuring.draw import bare, in_scope
from convert.measuring.stretches import LEAST_PLIES, MOST_PLIES, Stretch, stretches
from convert.measuring.suspected import PRECISION, THRESHOLDS, Ply, chosen, figures, plies, table
from convert.model import Evidence, Side, Verdict
from convert.reading.fastread import read_lines
from convert.reports.html import page
from convert.reports.terminal import print_review
from convert.review.slips import fall_of, suspicion
from convert.wording.verdicts import suspicion_words
from tablebases.probing import SyzygyProber
from tablebases.values import Outcome

DEMO = Path(__file__).parent.parent / "demo_games"
GAMES = sorted(str(path) for path in DEMO.glob("*.pgn"))


def test_stretches_do_not_depend_on_the_order_and_are_what_they_say() -> None:
    found = stretches(GAMES, 3)
    assert found
    assert {(s.cluster, s.fen) for s in found} == {
        (s.cluster, s.fen) for s in stretches(GAMES[::-1], 3)
    }
    for stretch in found:
        board = chess.Board(stretch.fen)
        assert in_scope(board)
        assert 5 <= board.occupied.bit_count() <= 7
        assert LEAST_PLIES <= len(stretch.moves) <= MOST_PLIES
        positions = []
        for move in stretch.moves:
            positions.append(bare(board).fen())
            board.push_uci(move)
        groups = stretch.groups()
        together = [fen for group in groups for fen in group]
        assert len(set(together)) <= len(together)
        assert {fen for fen in positions if in_scope(chess.Board(fen))} <= set(together)
        for group in groups:
            assert len({chess.Board(fen).occupied.bit_count() for fen in group}) == 1


@pytest.mark.parametrize(
    ("before", "after", "fall"),
    [
        ((0.9, 0.0), (0.2, 0.0), 0.7),  # a win let slip
        ((0.1, 0.1), (0.05, 0.8), 0.7),  # a draw let slip
        ((0.9, 0.0), (0.0, 1.0), 1.0),
        ((0.2, 0.3), (0.2, 0.3), 0.0),
        ((0.2, 0.3), (0.6, 0.1), -0.2),  # better than was thought
    ],
)
def test_a_fall_is_that_of_the_win_or_of_the_draw(
    before: tuple[float, float], after: tuple[float, float], fall: float
) -> None:
    def verdict(win: float, loss: float) -> Verdict:
        return with_chances(
            Verdict(Side.WHITE, Outcome.LOSS, Outcome.WIN, Evidence.ESTIMATE), win, loss
        )

    assert fall_of(verdict(*before), verdict(*after)) == pytest.approx(fall)


def test_none_is_taken_of_a_game_that_is_not_wanted() -> None:
    assert stretches(GAMES, 3, lambda cluster: False) == []


# --- results ---------------------------------------------------------------------------------

PAWN_ENDING = """[Event "League"]
[White "Ashgrove, Juno"]
[Black "Dole, Thornbury"]
[Result "{result}"]
[WhiteElo "{white}"]
[BlackElo "1910"]
[Termination "{termination}"]
[SetUp "1"]
[FEN "8/pp3k1p/2p3p1/3r4/3R4/2P3P1/PP3K1P/8 w - - 0 1"]

{moves} {result}
"""
MOVES = "1. Rxd5 cxd5 2. Ke3 Ke6 3. Kd4 Kd6 4. b4 b6 5. a4 a6"


def result_of(
    result: str, white: str = "1850", termination: str = "normal", moves: str = MOVES
) -> list[results.PlayedPosition]:
    text = PAWN_ENDING.format(result=result, white=white, termination=termination, moves=moves)
    found = []
    for read in read_lines("-", stdin=io.BytesIO(text.encode())):
        found += [played for _, _, played in results.of_game(read, 1)]
    return found


@pytest.mark.parametrize(("result", "points"), [("1-0", 1), ("1/2-1/2", 0), ("0-1", -1)])
def test_the_result_stands_beside_the_first_position_of_the_ending(
    result: str, points: int
) -> None:
    (found,) = result_of(result)
    board = chess.Board(found.fen)
    assert kind_of(board) == "pawn ending"
    assert found.fen == "8/pp3k1p/6p1/3p4/8/2P3P1/PP3K1P/8 w - - 0 1"
    assert found.result == points


def test_an_ending_that_does_not_last_is_passed_over() -> None:
    """Three plies with kings and pawns alone are too few."""
    assert result_of("1-0", moves="1. Rxd5 cxd5 2. Ke3 Ke6 3. Kd4") != []
    assert result_of("1-0", moves="1. Rxd5 cxd5 2. Ke3 Ke6") == []


@pytest.mark.parametrize(
    ("result", "white", "termination"),
    [
        ("*", "1850", "normal"),
        ("1-0", "1790", "normal"),
        ("1-0", "?", "normal"),
        ("1-0", "1850", "Time forfeit"),
    ],
)
def test_weak_players_and_the_clock_are_left_out(result: str, white: str, termination: str) -> None:
    assert result_of(result, white, termination) == []


# --- suspected -------------------------------------------------------------------------------


NUMBER = itertools.count()


def ply(drop: float, slip: bool, gap: float | None = None, cluster: str = "a") -> Ply:
    number = next(NUMBER)
    return Ply(cluster, str(number), drop, drop if gap is None else gap, slip)


def test_figures_worked_out_by_hand() -> None:
    found = [
        ply(0.5, True),
        ply(0.5, False),
        ply(0.4, True),
        ply(0.1, True),
        ply(0.0, False),
        ply(0.6, True, gap=0.1),
    ]
    told = figures(found, 0.4)
    assert (told["suspected"], told["right"], told["slips"], told["moves"]) == (3, 2, 4, 6)
    assert told["precision"] == pytest.approx(2 / 3, abs=1e-4)
    assert told["recall"] == 0.5
    assert told["low"] < 2 / 3 < told["high"]
    assert figures(found, 0.95)["precision"] is None


def test_the_threshold_is_the_lowest_that_is_precise_enough() -> None:
    good = [ply(0.62, True) for _ in range(9)] + [ply(0.62, False)]
    bad = [ply(0.42, False) for _ in range(9)] + [ply(0.42, True)]
    assert chosen(good + bad) == 0.45
    assert figures(good + bad, 0.45)["precision"] >= PRECISION
    assert chosen(bad) == THRESHOLDS[-1]
    # A lower one that is precise again by chance does not count.
    lucky = [ply(0.32, True) for _ in range(90)]
    assert figures(good + bad + lucky, 0.3)["precision"] >= PRECISION
    assert chosen(good + bad + lucky) == 0.45


def test_the_table_counts_each_move_once_and_splits_by_game() -> None:
    found = [ply(0.7, n % 10 > 0, cluster=str(n)) for n in range(200)]
    told = table(found, 1)
    assert told["counted"] == figures(found, told["threshold"])
    assert sum(half["moves"] for half in told["halves"]) == 200
    assert min(half["moves"] for half in told["halves"]) > 60
    assert table(found + found[:50], 1) == told  # met twice, counted once
    assert [row["threshold"] for row in told["sweep"]] == list(THRESHOLDS)


def test_slips_are_those_of_the_outcomes_and_drops_those_of_the_review(
    tables: SyzygyProber,
) -> None:
    """Outcomes are made up here: what is asked is whether each is put to the right move."""
    stretch = Stretch("x", "8/5k2/8/8/3P1P2/8/3K2p1/8 w - - 0 1", ("d2e2", "f7e6", "e2f2"))
    boards = [bare(board) for board in stretch.walk().boards]
    bench = Bench(tables)
    values: list[int | None] = [1, 0, 0, None]
    known = dict(zip((board.fen() for board in boards), values, strict=True))
    found = plies(stretch, known, bench)
    open_ = [
        i
        for i in range(2)
        if not (bench.verdict(boards[i]).exact and bench.verdict(boards[i + 1]).exact)
    ]
    # The first move throws a win away, the second keeps the draw, the third is not known.
    assert [p.slip for p in found] == [[True, False][i] for i in open_]
    assert found
    for told in found:
        assert told.cluster == "x"
        assert told.gap == 0 or told.fall >= 0.3


def test_a_report_says_how_far_its_suspected_slips_may_be_trusted() -> None:
    review = demo_review("03")
    assert any(slip.certain for slip in review.slips)
    certain = replace(review, slips=tuple(s for s in review.slips if s.certain))
    assert suspicion_words(certain) == ""
    told = suspicion()
    doubted = replace(
        review, slips=tuple(replace(s, certain=False) for s in review.slips), suspicion=told
    )
    words = suspicion_words(doubted)
    assert told.precision is not None
    assert f"agreed with {told.precision * 100:.0f} of 100 ({told.suspected} moves of" in words
    out = io.StringIO()
    print_review(doubted, Console(file=out, width=80, color_system=None), full=True)
    assert words in " ".join(out.getvalue().split())
    assert words in " ".join(page(doubted).split())
