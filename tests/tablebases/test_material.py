"""Names of material against python-chess's moves and the counts of the table archive."""

from __future__ import annotations

import chess
import chess.syzygy
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from table_support import positions

from tablebases import (
    all_names,
    is_material_name,
    material_name,
    men,
    normal_name,
    successors,
)
from tablebases.material import after_captures, after_promotion

names = st.builds(
    lambda white, black: f"K{white}vK{black}",
    st.text("QRBNP", max_size=3),
    st.text("QRBNP", max_size=3),
)


@pytest.mark.parametrize(
    ("fen", "name"),
    [
        ("8/8/8/4k3/8/8/3KP3/8 w - - 0 1", "KPvK"),
        ("8/4p3/8/4k3/8/8/3K4/8 w - - 0 1", "KvKP"),
        ("8/2n5/8/8/8/k7/P7/R3K3 w - - 0 1", "KRPvKN"),
        (chess.STARTING_FEN, "KQRRBBNNPPPPPPPPvKQRRBBNNPPPPPPPP"),
    ],
)
def test_name_of_a_board(fen: str, name: str) -> None:
    board = chess.Board(fen)
    assert material_name(board) == name
    assert material_name(board) == chess.syzygy.calc_key(board)
    assert men(name) == chess.popcount(board.occupied)


@pytest.mark.parametrize(
    ("name", "normal"),
    [
        ("KvKQ", "KQvK"),
        ("KNvKRP", "KRPvKN"),
        ("KPRvKN", "KRPvKN"),
        ("KNvKB", "KBvKN"),
        ("KQvKRR", "KRRvKQ"),
        ("KPvKP", "KPvKP"),
        ("KvK", "KvK"),
    ],
)
def test_normal_name(name: str, normal: str) -> None:
    assert normal_name(name) == normal


@given(names)
def test_normal_name_forgets_colour_and_order(name: str) -> None:
    white, black = name.split("v")
    assert is_material_name(name)
    assert normal_name(f"{black}v{white}") == normal_name(name)
    assert normal_name(normal_name(name)) == normal_name(name)
    assert normal_name("K" + white[:0:-1] + "v" + black) == normal_name(name)


@pytest.mark.parametrize(
    "text", ["", "K", "KRvN", "KKvK", "RKvK", "krvk", "KRvK.rtbw", "KRxK", "KvKvK", "KRvK\n"]
)
def test_bad_names(text: str) -> None:
    assert not is_material_name(text)
    for function in (normal_name, men, successors, after_captures, after_promotion):
        with pytest.raises(ValueError, match="not a material name"):
            function(text)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("KQvK", {"KvK"}),
        ("KPvK", {"KvK", "KQvK", "KRvK", "KBvK", "KNvK"}),
        # The pawn promotes, captures are made, or the pawn takes the rook and promotes.
        (
            "KPvKR",
            {"KPvK", "KRvK", "KQvKR", "KRvKR", "KRvKB", "KRvKN", "KQvK", "KBvK", "KNvK"},
        ),
        # A pawn that promotes can never take a pawn.
        ("KPvKP", {"KPvK", "KQvKP", "KRvKP", "KBvKP", "KNvKP"}),
        ("KvK", set()),
    ],
)
def test_successors(name: str, expected: set[str]) -> None:
    assert set(successors(name)) == expected


@settings(max_examples=150, deadline=None)
@given(positions())
def test_every_legal_move_leads_where_the_names_say(board: chess.Board) -> None:
    name = material_name(board)
    for move in board.legal_moves:
        capture, promotion = board.is_capture(move), move.promotion is not None
        board.push(move)
        after = normal_name(material_name(board))
        board.pop()
        if not capture and not promotion:
            assert after == normal_name(name)
            continue
        assert after in successors(name)
        if capture and not promotion and after != "KvK":
            assert after in after_captures(name)
        if promotion and not capture:
            assert after in after_promotion(name)


@given(names)
def test_successors_contain_those_of_python_chess(name: str) -> None:
    single_steps = set(chess.syzygy.dependencies(normal_name(name)))
    assert single_steps <= set(successors(name))
    assert set(after_captures(name)) <= set(chess.syzygy.all_dependencies([name]))
    assert set(after_promotion(name)) <= single_steps


def test_all_names() -> None:
    # Numbers of tables: data/syzygy/regular of the chess 1.11.2 source archive lists 290 files
    # for 3 to 5 men (SOURCE-5.txt) and 730 for 6 men (SOURCE-6.txt), two files for each name.
    assert [len(all_names(most)) for most in (2, 3, 4, 5, 6)] == [0, 5, 35, 145, 145 + 365]
    assert all(normal_name(name) == name for name in all_names(5))
    assert [men(name) for name in all_names(5)] == sorted(men(name) for name in all_names(5))
    with pytest.raises(ValueError, match="two kings"):
        all_names(1)
