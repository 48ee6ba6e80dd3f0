"""The positions of the built-in lesson: each answer worked out again, and what the set promises."""

from __future__ import annotations

import json
import re
from collections import Counter
from pathlib import Path
from typing import Any

import chess
import pytest
from chess import KING

import convert.lesson
from convert.judging.judges import Bench, RulesJudge, TableJudge, after_move
from convert.judging.solving import REACHES, SolverJudge
from convert.model import Verdict
from convert.review.trades import starts_trade
from tablebases.probing import SyzygyProber

POSITIONS: list[dict[str, Any]] = json.loads(
    Path(convert.lesson.__file__).with_name("builtin.json").read_text(encoding="utf-8")
)
CHECKS: dict[str, dict[str, Any]] = {
    item["id"]: item
    for item in json.loads(
        (Path(__file__).parent / "data/lesson/builtin_checks.json").read_text(encoding="utf-8")
    )["positions"]
}
POINTS = {"win": 1, "draw": 0, "loss": -1}
SIX = (
    "pawn-ending",
    "exchange-up",
    "pieces-not-pawns",
    "wrong-trade",
    "recapture",
    "rook-endings",
)
LINE = re.compile(
    r"(?<!\d)(\d+)(\.\.\.|\.)([KQRBNa-h][a-h1-8x]*\d[+#]?)(?: ([KQRBNa-h][a-h1-8x]*\d[+#]?)(?!\w))?"
)

each = pytest.mark.parametrize("entry", POSITIONS, ids=[item["id"] for item in POSITIONS])


def offers(board: chess.Board, move: chess.Move) -> bool:
    """Can the piece that moves be taken by a piece and taken back?"""
    child = after_move(board, move)
    return any(
        reply.to_square == move.to_square and starts_trade(child, reply)
        for reply in child.legal_moves
    )


def certain(told: Verdict | None, where: str) -> int:
    """Points of a verdict that must be exact, for its side."""
    assert told is not None, where
    assert told.exact, where
    return told.points or 0


def moves(board: chess.Board, sans: dict[str, str]) -> dict[chess.Move, int]:
    return {board.parse_san(san): POINTS[result] for san, result in sans.items()}


def test_what_the_set_promises() -> None:
    themes = Counter(item["theme"] for item in POSITIONS)
    assert len(POSITIONS) >= 32
    assert all(themes[name] >= 5 for name in SIX)
    assert 2 <= themes["defence"] <= 4
    assert set(themes) == {*SIX, "defence"}
    assert len({item["id"] for item in POSITIONS}) == len(POSITIONS)
    black = sum(not chess.Board(item["fen"]).turn for item in POSITIONS)
    assert len(POSITIONS) <= 3 * black <= 2 * len(POSITIONS)
    # A king in check shows too much; now and then it comes so in a game.
    assert sum(chess.Board(item["fen"]).is_check() for item in POSITIONS) <= 5
    # No position twice, be it with colours or sides of the board exchanged.
    seen = set()
    for item in POSITIONS:
        board = chess.Board(item["fen"])
        flipped = board.transform(chess.flip_horizontal)
        seen.add(min(b.epd() for b in (board, board.mirror(), flipped, flipped.mirror())))
    assert len(seen) == len(POSITIONS)
    assert set(CHECKS) == {item["id"] for item in POSITIONS}


@each
def test_position_and_task_fit(entry: dict[str, Any]) -> None:
    board, check = chess.Board(entry["fen"]), CHECKS[entry["id"]]
    assert board.is_valid()
    assert not board.castling_rights
    assert entry["fen"] == check["fen"] == board.fen()
    keep, fail = moves(board, check["keep"]), moves(board, check["fail"])
    assert keep.keys() | fail.keys() == set(board.legal_moves)
    assert set(keep.values()) == {POINTS[check["result"]]}
    assert max(fail.values()) < POINTS[check["result"]]
    assert 1 <= len(keep) <= 2
    for move in keep:
        assert move.promotion is None
        assert not after_move(board, move).is_checkmate()
    match entry["task"]:
        case "trade":
            assert all(starts_trade(board, m) or offers(board, m) for m in keep)
        case "refuse":
            assert any(starts_trade(board, m) for m in fail)
            assert not any(starts_trade(board, m) for m in keep)
        case "recapture":
            squares = {m.to_square for m in keep}
            assert len(squares) == 1
            assert any(board.is_capture(m) and m.to_square in squares for m in fail)
        case task:
            assert task == "only"
    assert (entry["twin"] is None) == (check["twin"] is None) == (not entry["difference"])


@each
def test_sentences_play(entry: dict[str, Any]) -> None:
    """Every move named in a sentence is legal where it stands."""
    played = 0
    for fen, text in ((entry["fen"], entry["idea"]), (entry["twin"], entry["difference"])):
        if not text:
            continue
        assert text.endswith(".")
        assert "  " not in text
        root = chess.Board(fen)
        reached = {root.ply(): [root]}
        for number, dots, first, second in LINE.findall(text):
            ply = 2 * (int(number) - 1) + (dots != ".")
            for san in filter(None, (first, second)):
                # The latest line that the move goes on with.
                for board in reversed(reached[ply]):
                    try:
                        move = board.parse_san(san)
                    except ValueError:
                        continue
                    child = board.copy()
                    assert child.san(move) == san
                    child.push(move)
                    break
                else:
                    raise AssertionError(f"{san} cannot be played: {text}")
                ply += 1
                reached.setdefault(ply, []).append(child)
                played += 1
    assert played


@each
def test_answers_that_tables_know(entry: dict[str, Any], tables: SyzygyProber) -> None:
    check = CHECKS[entry["id"]]
    rules, table = RulesJudge(), TableJudge(tables)
    board = chess.Board(entry["fen"])
    asked = [(board, check["keep"] | check["fail"])]
    if check["twin"] is not None:
        asked.append((chess.Board(check["twin"]["fen"]), check["twin"]["moves"]))
    known = 0
    for root, sans in asked:
        for move, points in moves(root, sans).items():
            child = after_move(root, move)
            told = rules.judge(child) or table.judge(child)
            if told is not None:
                assert -certain(told, root.san(move)) == points, root.san(move)
                known += 1
    # A capture leads into the tables, except past five men.
    captures = any(board.is_capture(move) for move in board.legal_moves)
    assert known or not captures or board.occupied.bit_count() > 5


@pytest.mark.parametrize(
    "entry",
    [
        pytest.param(
            item, id=item["id"], marks=pytest.mark.slow if i % 8 == 0 else pytest.mark.long
        )
        for i, item in enumerate(POSITIONS)
    ],
)
def test_all_answers(entry: dict[str, Any], tables: SyzygyProber) -> None:
    """Everything that is stored, by tables and solver."""

    def known(board: chess.Board) -> bool:
        return board.occupied.bit_count() <= 4 and tables.covers(board)

    check = CHECKS[entry["id"]]
    board = chess.Board(entry["fen"])
    twin = chess.Board(entry["twin"]) if entry["twin"] else None
    bench = Bench(tables, solver=SolverJudge(REACHES["deep"], known))
    bench.prepare([b for b in (board, twin) if b is not None and not bench.covered(b)])
    assert certain(bench.settle(board), board.fen()) == POINTS[check["result"]]
    for move, points in moves(board, check["keep"] | check["fail"]).items():
        assert -certain(bench.after(board, move), board.san(move)) == points, board.san(move)
    if twin is None:
        return
    points = certain(bench.settle(twin), twin.fen())
    assert (points if twin.turn == board.turn else -points) == POINTS[check["twin"]["result"]]
    for move, points in moves(twin, check["twin"]["moves"]).items():
        assert -certain(bench.after(twin, move), twin.san(move)) == points, twin.san(move)


@each
def test_twin_differs(entry: dict[str, Any]) -> None:
    """The twin is near, and the result or what a move leads to is another one there."""
    if entry["twin"] is None:
        return
    board, twin, check = chess.Board(entry["fen"]), chess.Board(entry["twin"]), CHECKS[entry["id"]]
    assert twin.is_valid()
    differ = [s for s in chess.SQUARES if board.piece_at(s) != twin.piece_at(s)]
    assert len(differ) == 2 if twin.turn == board.turn else not differ
    if differ:
        # One king or one pawn stands elsewhere.
        gone = {board.piece_type_at(s) or twin.piece_type_at(s) for s in differ}
        assert gone in ({KING}, {chess.PAWN})
    before = moves(board, check["keep"]) | moves(board, check["fail"])
    there = moves(twin, check["twin"]["moves"])
    changed = [m for m, points in there.items() if before[m] != points]
    assert changed or check["twin"]["result"] != check["result"]
