"""Every rule speaks where it should, is silent next door, and knows no colour or wing."""

from __future__ import annotations

import json
import random
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import chess
import chess.syzygy
import pytest
from chess import KING
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from convert.board.features import features
from convert.rules import (
    ALL_RULES,
    POSITION_RULES,
    TRADE_RULES,
    Rule,
    TradeScene,
    Voice,
    position_voices,
    rule_by_id,
    trade_voices,
)
from convert.rules.base import voices_of

CASES: dict[str, list[dict[str, Any]]] = json.loads(
    (Path(__file__).parent / "data" / "rule_cases.json").read_text(encoding="utf-8")
)
POSITIONS, TRADES = CASES["positions"], CASES["trades"]
TABLES = Path(__file__).parent.parent / "tablebases" / "bundled"
SIDE_WORDS = {True: "white", False: "black", None: "draw"}
FAVOUR_WORDS = {True: "for", False: "against"}


def scene_of(case: dict[str, Any]) -> TradeScene:
    """Play the moves of a trade case and note which pieces went, seen from the decider."""
    before = chess.Board(case["fen"])
    decider = case["decider"] == "white"
    now = before.copy()
    origin = {square: square for square in chess.SQUARES}
    gone: dict[bool, list[tuple[int, int]]] = {True: [], False: []}
    for san in case["moves"]:
        move = now.parse_san(san)
        victim = now.piece_at(move.to_square)
        if victim is not None:
            gone[victim.color].append((victim.piece_type, origin[move.to_square]))
        origin[move.to_square] = origin[move.from_square]
        now.push(move)
    return TradeScene(
        before=before,
        after=now,
        decider=decider,
        given=tuple(t for t, _ in gone[decider]),
        taken=tuple(t for t, _ in gone[not decider]),
        given_squares=tuple(s for _, s in gone[decider]),
        taken_squares=tuple(s for _, s in gone[not decider]),
    )


@pytest.mark.parametrize("case", POSITIONS, ids=lambda c: f"{c['rule']}: {c['fen']}")
def test_position_rule(case: dict[str, Any]) -> None:
    board = chess.Board(case["fen"])
    assert board.is_valid()
    found = [v for v in voices_of(POSITION_RULES, features(board)) if v.rule == case["rule"]]
    assert [SIDE_WORDS[v.side] for v in found] == (
        [] if case["expect"] == "silent" else [case["expect"]]
    )


@pytest.mark.parametrize("case", TRADES, ids=lambda c: f"{c['rule']}: {c['fen']}")
def test_trade_rule(case: dict[str, Any]) -> None:
    scene = scene_of(case)
    assert scene.before.is_valid()
    assert scene.after.is_valid()
    found = [v for v in voices_of(TRADE_RULES, scene) if v.rule == case["rule"]]
    assert all(v.side == scene.decider for v in found)
    said = [FAVOUR_WORDS[v.favours] for v in found if v.favours is not None]
    assert said == ([] if case["expect"] == "silent" else [case["expect"]])


def test_every_rule_has_a_speaking_and_a_silent_case() -> None:
    seen: dict[str, set[str]] = {}
    for case in POSITIONS + TRADES:
        seen.setdefault(case["rule"], set()).add(
            "silent" if case["expect"] == "silent" else "speaks"
        )
    assert {r.id: {"speaks", "silent"} for r in ALL_RULES} == seen


def test_ids_are_unique_and_found() -> None:
    ids = [rule.id for rule in ALL_RULES]
    assert len(ids) == len(set(ids))
    assert all(rule_by_id(rule.id) is rule for rule in ALL_RULES)
    assert all(r.kind == "position" for r in POSITION_RULES)
    assert all(r.kind == "trade" for r in TRADE_RULES)
    with pytest.raises(KeyError):
        rule_by_id("no-such-rule")


@pytest.mark.parametrize("rule", ALL_RULES, ids=lambda r: r.id)
def test_wording(rule: Rule) -> None:
    assert rule.id == rule.id.lower()
    assert " " not in rule.id
    assert 2 <= len(rule.name.split()) <= 6, rule.name
    assert rule.statement.endswith(".")
    assert ". " not in rule.statement
    assert rule.statement[0].isupper()
    assert rule.source.strip()


def all_scenes() -> Iterator[TradeScene]:
    for case in TRADES:
        yield scene_of(case)


def test_voices_are_well_formed() -> None:
    for case in POSITIONS:
        for voice in position_voices(chess.Board(case["fen"])):
            assert voice.favours is None
            check_voice(voice)
    for scene in all_scenes():
        for voice in trade_voices(scene):
            assert voice.favours in (True, False)
            check_voice(voice)


def check_voice(voice: Voice) -> None:
    assert 0 < voice.strength <= 3
    assert voice.detail == voice.detail.strip()
    assert not voice.detail.endswith(".")
    assert "  " not in voice.detail
    assert "None" not in voice.detail


def test_given_features_are_used() -> None:
    board = chess.Board(POSITIONS[0]["fen"])
    assert position_voices(board, features(board)) == position_voices(board)


# colours and wings

Key = tuple[str, bool | None, float]


def keys(board: chess.Board) -> Counter[Key]:
    return Counter((v.rule, v.side, v.strength) for v in position_voices(board))


def flipped(found: Counter[Key]) -> Counter[Key]:
    return Counter({(r, None if s is None else not s, x): n for (r, s, x), n in found.items()})


def left_right(board: chess.Board) -> chess.Board:
    turned = board.transform(chess.flip_horizontal)
    turned.turn, turned.fullmove_number = board.turn, board.fullmove_number
    return turned


@st.composite
def boards(draw: st.DrawFn) -> chess.Board:
    """Legal positions of 2 to 16 men without castling rights, pawns often facing each other."""
    squares = draw(st.lists(st.sampled_from(range(64)), min_size=2, max_size=16, unique=True))
    board = chess.Board(None)
    board.set_piece_at(squares[0], chess.Piece(KING, chess.WHITE))
    board.set_piece_at(squares[1], chess.Piece(KING, chess.BLACK))
    kinds = draw(
        st.sampled_from(
            ([chess.PAWN], [1, 1, 4], [1, 1, 3], [1, 1, 2], [1, 1, 5], [1, 1, 1, 2, 3, 4, 5])
        )
    )
    for square in squares[2:]:
        kind = draw(st.sampled_from(kinds))
        if kind == chess.PAWN and square >> 3 in (0, 7):
            continue
        board.set_piece_at(square, chess.Piece(kind, draw(st.booleans())))
    board.turn = draw(st.booleans())
    board.fullmove_number = draw(st.sampled_from((1, 40)))
    return board


SEARCH = settings(
    max_examples=250,
    deadline=None,
    suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow],
    derandomize=True,
)


@SEARCH
@given(boards())
def test_colours_swapped(board: chess.Board) -> None:
    if board.is_valid():
        assert keys(board.mirror()) == flipped(keys(board))


@SEARCH
@given(boards())
def test_wings_swapped(board: chess.Board) -> None:
    if board.is_valid():
        assert keys(left_right(board)) == keys(board)


def test_cases_mirrored() -> None:
    for case in POSITIONS:
        board = chess.Board(case["fen"])
        assert keys(board.mirror()) == flipped(keys(board)), case
        assert keys(left_right(board)) == keys(board), case


def trade_keys(scene: TradeScene) -> Counter[tuple[str, bool, float, bool | None]]:
    return Counter(
        (v.rule, v.side == scene.decider, v.strength, v.favours) for v in trade_voices(scene)
    )


def turned(
    scene: TradeScene, board: Callable[[chess.Board], chess.Board], mask: int, other: bool
) -> TradeScene:
    return TradeScene(
        before=board(scene.before),
        after=board(scene.after),
        decider=scene.decider != other,
        given=scene.given,
        taken=scene.taken,
        given_squares=tuple(s ^ mask for s in scene.given_squares),
        taken_squares=tuple(s ^ mask for s in scene.taken_squares),
    )


def test_trades_mirrored() -> None:
    for scene in all_scenes():
        expected = trade_keys(scene)
        assert trade_keys(turned(scene, chess.Board.mirror, 56, True)) == expected
        assert trade_keys(turned(scene, left_right, 7, False)) == expected


# against the tables


@pytest.fixture(scope="module")
def tables() -> Iterator[chess.syzygy.Tablebase]:
    with chess.syzygy.open_tablebase(str(TABLES)) as opened:
        yield opened


def agreement(
    rule: str, positions: Iterator[chess.Board], tables: chess.syzygy.Tablebase
) -> tuple[int, int]:
    """How often the rule spoke, and how often the table agreed with it."""
    spoke = agreed = 0
    for board in positions:
        for voice in rule_by_id(rule).test(features(board)):
            wdl = tables.probe_wdl(board)
            white = wdl if board.turn == chess.WHITE else -wdl
            expected = {True: 2, False: -2, None: 0}[voice.side]
            spoke += 1
            agreed += white == expected
    return spoke, agreed


def placed(
    rng: random.Random, white: list[int], black: list[int], count: int
) -> Iterator[chess.Board]:
    """`count` random legal positions with these men besides the kings."""
    men = [(KING, True), (KING, False)]
    men += [(t, True) for t in white] + [(t, False) for t in black]
    while count:
        board = chess.Board(None)
        for square, (kind, color) in zip(rng.sample(range(64), len(men)), men, strict=True):
            board.set_piece_at(square, chess.Piece(kind, color))
        board.turn = rng.random() < 0.5
        if board.is_valid():
            count -= 1
            yield board


@pytest.mark.parametrize(
    ("rule", "white", "black", "count", "least"),
    [
        ("key-squares", [1], [], 4000, 150),
        ("square-of-the-pawn", [1], [], 4000, 500),
        ("square-of-the-pawn", [1, 1], [], 2000, 500),
        ("rook-pawn-corner", [1], [], 8000, 40),
        ("wrong-bishop", [1, 3], [], 12000, 40),
    ],
)
def test_exact_rule_agrees_with_tables(
    rule: str,
    white: list[int],
    black: list[int],
    count: int,
    least: int,
    tables: chess.syzygy.Tablebase,
) -> None:
    assert rule_by_id(rule).exact
    rng = random.Random(20260101)
    spoke, agreed = agreement(rule, placed(rng, white, black, count), tables)
    assert spoke >= least
    assert agreed == spoke


def opposition_positions() -> Iterator[chess.Board]:
    for pawn in range(8, 40):
        for turn in (True, False):
            board = chess.Board(None)
            board.set_piece_at(pawn, chess.Piece(chess.PAWN, True))
            board.set_piece_at(pawn + 8, chess.Piece(KING, True))
            board.set_piece_at(pawn + 24, chess.Piece(KING, False))
            board.turn = turn
            if board.is_valid():
                yield board


@pytest.mark.parametrize("rule", ["opposition-one-pawn", "opposition-held"])
def test_opposition_agrees_with_tables(rule: str, tables: chess.syzygy.Tablebase) -> None:
    spoke, agreed = agreement(rule, opposition_positions(), tables)
    assert spoke >= 18
    assert agreed == spoke


def shut_in_positions() -> Iterator[chess.Board]:
    """King in the corner before its rook's pawn on the seventh, knight and bare king anywhere."""
    for corner in (56, 63):
        for king in range(64):
            for knight in range(64):
                if len({corner, corner - 8, king, knight}) < 4:
                    continue
                board = chess.Board(None)
                board.set_piece_at(corner, chess.Piece(KING, True))
                board.set_piece_at(corner - 8, chess.Piece(chess.PAWN, True))
                board.set_piece_at(king, chess.Piece(KING, False))
                board.set_piece_at(knight, chess.Piece(chess.KNIGHT, True))
                for turn in (True, False):
                    board.turn = turn
                    if king >> 3 in (6, 7) and board.is_valid():
                        yield board.copy()


def test_shut_in_king_agrees_with_tables(tables: chess.syzygy.Tablebase) -> None:
    """Both ways: where the rule speaks it is a draw, with the other parity it is a win."""
    rule = rule_by_id("knight-cannot-lose-a-move")
    spoke = 0
    for board in shut_in_positions():
        voices = rule.test(features(board))
        wdl = tables.probe_wdl(board)
        if voices:
            spoke += 1
            assert wdl == 0, board.fen()
        elif (
            chess.square_distance(board.king(False) or 0, board.king(True) or 0) == 2
            and not board.is_check()
            and abs((board.king(False) or 0) % 8 - (board.king(True) or 0) % 8) == 2
        ):
            assert wdl == (2 if board.turn else -2), board.fen()
    assert spoke > 200


def pawn_on_seventh_positions(rng: random.Random, count: int) -> Iterator[chess.Board]:
    while count:
        pawn = 8 + rng.randrange(8)
        king = rng.choice([s for s in range(64) if chess.square_distance(s, pawn) == 1])
        far, queen = rng.sample([s for s in range(64) if s not in (pawn, king)], 2)
        board = chess.Board(None)
        board.set_piece_at(pawn, chess.Piece(chess.PAWN, False))
        board.set_piece_at(king, chess.Piece(KING, False))
        board.set_piece_at(far, chess.Piece(KING, True))
        board.set_piece_at(queen, chess.Piece(chess.QUEEN, True))
        board.turn = rng.random() < 0.5
        if board.is_valid():
            count -= 1
            yield board


@pytest.mark.parametrize(
    ("rule", "share"),
    [("queen-v-pawn-on-seventh-draw", 0.98), ("queen-v-pawn-on-seventh-win", 0.98)],
)
def test_queen_against_pawn_tendency(
    rule: str, share: float, tables: chess.syzygy.Tablebase
) -> None:
    positions = pawn_on_seventh_positions(random.Random(7), 4000)
    spoke, agreed = agreement(rule, positions, tables)
    assert spoke > 80
    assert agreed >= share * spoke


@pytest.mark.parametrize(
    ("rule", "minor", "count", "share"),
    [
        ("rook-against-minor-without-pawns", chess.BISHOP, 2000, 0.95),
        ("rook-against-minor-without-pawns", chess.KNIGHT, 2000, 0.95),
        ("rook-v-bishop-safe-corner", chess.BISHOP, 8000, 0.9),
        ("rook-v-bishop-wrong-corner", chess.BISHOP, 20000, 0.95),
        ("rook-v-knight-apart", chess.KNIGHT, 4000, 0.88),
    ],
)
def test_rook_against_minor_tendency(
    rule: str, minor: int, count: int, share: float, tables: chess.syzygy.Tablebase
) -> None:
    """These are tendencies: the share is a floor below what was counted on larger samples."""
    positions = placed(random.Random(11), [chess.ROOK], [minor], count)
    spoke, agreed = agreement(rule, positions, tables)
    assert not rule_by_id(rule).exact
    assert spoke >= 10
    assert agreed >= share * spoke


@pytest.mark.parametrize(
    ("fen", "moves", "left"),
    [
        ("8/4k3/4r3/R3p3/8/3P2P1/5K2/8 b - - 0 1", ["e4", "dxe4", "Rxe4"], "1 pawn is left"),
        ("8/4k3/4r3/R3p3/8/3P4/5K2/8 b - - 0 1", ["e4", "dxe4", "Rxe4"], None),
        ("8/4k3/4r3/RN2p3/8/3P4/5K2/8 b - - 0 1", ["e4", "dxe4", "Rxe4"], "no pawns are left"),
        ("8/4k2p/4r3/R3p3/8/3P2PP/5K2/8 b - - 0 1", ["e4", "dxe4", "Rxe4"], "3 pawns are left"),
    ],
)
def test_how_many_pawns_are_left_reads_well(fen: str, moves: list[str], left: str | None) -> None:
    scene = scene_of({"fen": fen, "moves": moves, "decider": "white"})
    told = [v.detail for v in trade_voices(scene) if v.rule == "ahead-keep-pawns"]
    assert told == ([] if left is None else [f"ahead, and a pair of pawns goes; {left}"])
