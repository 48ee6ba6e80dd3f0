"""What each demo game is said to show, proved with exact evidence.

``data/demo_claims_*.json`` lists the claims.  Each is checked twice: by a
brute-force reading of the tables (or a search of every reply down to them) that
shares no code with the program, and against what the review says.  What lies
beyond that search is claimed of the first game alone, and is the solver's.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import chess
import pytest
from demo_reviews import demo_review
from slow_reference import Reference

from convert.board.balance import census, worth
from convert.judging.judges import Bench
from convert.judging.solving import REACHES, SolverJudge
from convert.model import Evidence, Grade, Part, Review, Side
from convert.reading.games import read_games
from convert.reading.records import GameRead
from convert.review.game import review_game
from convert.review.walker import Walk, walk
from tablebases.files import bundled_folder
from tablebases.material import material_name
from tablebases.probing import open_tables

ROOT = Path(__file__).parent.parent
DEMO = ROOT / "demo_games"
DATA = Path(__file__).parent / "data"
POINTS = {"win": 1, "draw": 0, "loss": -1}
ENTRIES: list[dict[str, Any]] = [
    entry
    for path in sorted(DATA.glob("demo_claims_*.json"))
    for entry in json.loads(path.read_text(encoding="utf-8"))
]
CLAIMS = [
    pytest.param(
        entry["file"],
        claim,
        id=f"{entry['file'][:2]}-{claim['ply']}-{claim['played']}",
        # The first claim of two games by default; brute force takes its time.
        marks=[pytest.mark.slow] if number or entry["file"][:2] not in ("01", "03") else [],
    )
    for entry in ENTRIES
    for number, claim in enumerate(entry["claims"])
]
RANGES = [
    pytest.param(entry["file"], told, id=f"{entry['file'][:2]}-{told['first_ply']}")
    for entry in ENTRIES
    for told in entry.get("ranges", [])
]
REFERENCE = Reference(bundled_folder())


@cache
def read(name: str) -> tuple[GameRead, Walk]:
    (found,) = read_games(DEMO / name)
    assert found.game is not None
    return found, walk(found.game.board(), found.moves)


def reviewed(name: str, side: Side | None = None) -> Review:
    return demo_review(name[:2], side)


def small(board: chess.Board) -> bool:
    return len(board.piece_map()) <= 4


def at_least(board: chess.Board, points: int, most: int) -> bool:
    """By a search of every reply: the side to move gets ``points`` or more."""
    return any(REFERENCE.at_least(board, points, depth) for depth in range(most + 1))


def at_most(board: chess.Board, points: int, most: int) -> bool:
    """By a search of every reply: the side to move gets ``points`` at most."""
    return any(REFERENCE.at_most(board, points, depth) for depth in range(most + 1))


def after(board: chess.Board, move: chess.Move) -> chess.Board:
    child = board.copy(stack=False)
    child.push(move)
    return child


def test_every_game_is_complete_and_clean() -> None:
    names = [path.name for path in sorted(DEMO.glob("*.pgn"))]
    assert len(names) >= 8
    assert sorted({entry["file"] for entry in ENTRIES}) == names
    for name in names:
        found, walked = read(name)
        assert not found.problems
        assert found.complete
        assert walked.boards[0].fen() == chess.STARTING_FEN
        assert found.game is not None
        assert found.game.headers["Result"] in ("1-0", "0-1", "1/2-1/2")


@pytest.mark.parametrize(("name", "claim"), CLAIMS)
def test_claim(name: str, claim: dict[str, Any]) -> None:
    """Outcome before and after the move, and which moves held, by brute force and by the review."""
    _, walked = read(name)
    board = walked.boards[claim["ply"] - 1]
    assert board.fen() == claim["fen"]
    move = walked.steps[claim["ply"] - 1].move
    assert board.san(move) == claim["played"]
    side = Side(claim["side"])
    mine = 1 if side.color == board.turn else -1
    before, now = POINTS[claim["outcome_before"]], POINTS[claim["outcome_after"]]
    most = max(claim["depth_plies"], 1)
    # A win before and after is shown by the move played alone.
    child = after(board, move)
    if small(child):
        assert REFERENCE.points(child) == (-now * mine, -now * mine)
    elif now < before:
        assert at_least(child, -now * mine, most)  # the opponent can force it
    else:
        assert at_most(child, -now * mine, most)  # and cannot do better
    if small(board):
        assert REFERENCE.points(board) == (before * mine, before * mine)
    elif mine == 1 and now < before:
        assert at_least(board, before, most)
    if claim["holding_moves"] is not None and small(board) and mine == 1:
        keep = {
            board.san(m)
            for m in board.legal_moves
            if REFERENCE.points(after(board, m))[1] <= -before
        }
        assert keep == set(claim["holding_moves"])
    review = reviewed(name, side)
    told = review.plies[claim["ply"] - 1].verdict.for_side(side)
    assert told.high.points == now if now < before else told.low.points == now
    earlier = (
        review.plies[claim["ply"] - 2].verdict if claim["ply"] > 1 else review.start_verdict
    ).for_side(side)
    if mine == 1 or small(board):
        assert earlier.low.points == before
    if before != now and mine == 1:
        assert any(s.ply == claim["ply"] and s.certain for s in review.slips)


@pytest.mark.parametrize(("name", "told"), RANGES)
def test_range(name: str, told: dict[str, Any]) -> None:
    """The outcome after each ply of a stretch."""
    _, walked = read(name)
    side = Side(told["side"])
    points = POINTS[told["outcome"]]
    most = 0
    for ply in range(told["first_ply"], told["last_ply"] + 1):
        board = walked.boards[ply]
        if not any(board.legal_moves):
            assert points == 1
            assert board.is_checkmate()
            continue
        assert small(board)
        mine = points if side.color == board.turn else -points
        assert REFERENCE.points(board) == (mine, mine)
        most = max(most, board.halfmove_clock)
    if told.get("most_clock_plus_distance"):
        assert most <= told["most_clock_plus_distance"] <= 100


def decisions(review: Review) -> Iterator[tuple[Part, Side, Grade]]:
    for trade in review.trades:
        for decision in trade.decisions:
            yield decision.part, decision.side, decision.grade


def test_01_queens_traded_and_converted() -> None:
    review = reviewed("01-queens-traded-into-rook-against-knight.pgn")
    queens = [t for t in review.trades if "queen" in t.white_gave]
    assert len(queens) == 1
    (phase,) = [p for p in review.phases if p.first <= queens[0].last + 1 <= p.last]
    assert "rook" in phase.name
    assert "knight" in phase.name
    assert "queen" not in phase.name
    assert not [s for s in review.slips if s.certain]
    assert review.plies[-1].verdict.for_side(review.side).points == 1


@pytest.mark.slow
def test_01_won_from_the_queen_trade_on_by_the_solver() -> None:
    """Rook and two pawns against knight and two, and all that follows: settled, and won."""
    tables = open_tables()
    # The reach of normal effort, with time to spare for a slow or busy machine.
    reach = replace(REACHES["normal"], seconds=600.0, total=1200.0)
    solver = SolverJudge(reach, lambda board: small(board) and tables.covers(board))
    name = "01-queens-traded-into-rook-against-knight.pgn"
    review = review_game(read(name)[0], Bench(tables, solver=solver))
    (queens,) = [t for t in review.trades if "queen" in t.white_gave]
    assert set(queens.white_gave) == set(queens.black_gave) == {"queen"}
    _, walked = read(name)
    ending = walked.boards[queens.last]
    assert material_name(ending) == "KRPPvKNPP"
    after_it = review.plies[queens.last - 1 :]
    assert after_it[0].verdict.evidence is Evidence.SOLVED
    for record in after_it:
        assert record.verdict.evidence in (Evidence.SOLVED, Evidence.TABLE)
        told = record.verdict.for_side(Side.WHITE)
        assert told.low.points == told.high.points == 1
    # With everything settled no move of that part is even suspected.
    assert not [s for s in review.slips if s.ply >= queens.last]
    rook = next(t for t in review.trades if "rook" in t.white_gave and t.first > queens.last)
    assert rook.white_gave == ("rook",)
    assert sorted(rook.black_gave) == ["knight", "pawn"]
    assert rook.before.evidence is rook.after.evidence is Evidence.SOLVED


def test_02_the_pawns_went_and_the_win_with_them() -> None:
    review = reviewed("02-exchange-up-thrown-away-by-trading-pawns.pgn")
    slips = [s for s in review.slips if s.certain and s.side is review.side]
    assert slips
    assert review.phases[-1].material in ("KRvKN", "KRvKB", "KNvKR", "KBvKR", "KvK")
    assert review.result == "1/2-1/2"


def test_03_rooks_traded_into_a_drawn_pawn_ending() -> None:
    review = reviewed("03-rook-trade-into-a-drawn-pawn-ending.pgn")
    wrong = [
        d
        for t in review.trades
        if "rook" in t.white_gave and "rook" in t.black_gave
        for d in t.decisions
        if d.grade is Grade.WRONG
    ]
    assert wrong
    assert all(d.best is not None for d in wrong)


def test_04_missed_handed_back_and_taken() -> None:
    review = reviewed("04-winning-trade-missed-handed-back-and-taken.pgn")
    certain = [s for s in review.slips if s.certain]
    assert certain[0].handed_back is not None
    assert certain[0].missed_trade is not None
    assert any(d.grade is Grade.MISSED for d in review.declined)
    assert review.plies[-1].verdict.for_side(review.side).points == 1


def test_05_wrong_coloured_bishop() -> None:
    review = reviewed("05-wrong-coloured-bishop.pgn")
    assert review.phases[-1].material in ("KBPvK", "KvKBP", "KvKB", "KBvK")
    assert review.plies[-1].verdict.points == 0
    assert [s for s in review.slips if s.certain]
    assert any(r.rule == "wrong-bishop" for s in review.slips for r in s.rules_after)
    assert any(lesson.rule == "wrong-bishop" for lesson in review.teach)


def test_06_a_saving_trade_is_needed() -> None:
    review = reviewed("06-defenders-saving-trade.pgn")
    assert any(g is Grade.NEEDED for _, _, g in decisions(review))
    assert review.plies[-1].verdict.points == 0


def test_07_the_fifty_move_rule_came_near() -> None:
    technique = reviewed("07-fifty-move-near-miss.pgn").technique
    assert technique is not None
    assert technique.closest_clock == 98
    assert technique.spare is not None
    assert 0 <= technique.spare <= 4
    assert technique.wasted > 0


def test_08_pieces_not_pawns() -> None:
    review = reviewed("08-pieces-not-pawns.pgn")
    assert not [s for s in review.slips if s.certain]
    _, walked = read("08-pieces-not-pawns.pgn")
    gone = [man for t in review.trades for man in t.white_gave]
    assert {"queen", "rook", "knight"} <= set(gone)
    ending = next(b for b in walked.boards if b.pawns == b.occupied & ~b.kings)
    assert worth(census(ending), True) == worth(census(ending), False) + 1
    assert any(
        lesson.rule or "pawns" in lesson.principle or "pieces" in lesson.principle
        for lesson in review.teach
    )


def test_09_rook_given_back() -> None:
    review = reviewed("09-rook-given-back-for-the-last-pieces.pgn")
    last = [t for t in review.trades if t.liquidation][-1]
    assert any(d.grade in (Grade.RIGHT, Grade.NEEDED) for d in last.decisions)
    assert last.after.for_side(review.side).points == 1
