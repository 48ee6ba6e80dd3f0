"""Longest wins, shares and zugzwangs against published and independently computed figures.

The figures, their sources and how positions are counted are in tests/data/endings.json. Positions
of python-chess's own test suite are in tests/data/endgame.epd.
"""

from __future__ import annotations

import math
import random
from collections import Counter
from collections.abc import Iterator
from typing import Any

import chess
import pytest
from table_support import DATA, load, pieces_of, placed, random_position

from tablebases import Outcome, SyzygyProber, all_names

ENDINGS = {ending["material"]: ending for ending in load("endings.json")["endings"]}
EXAMPLES = [
    (name, example)
    for name, ending in ENDINGS.items()
    for example in ending["computed"]["longest_examples"]
]

# Here the loser has a bare king and every capture draws; the winner has no pawn. So nothing but
# mate ends the win, and DTZ is the distance to mate. In all other classes the winner may zero
# earlier (by a capture, a pawn move or a promotion) or the loser may have to capture.
ONLY_MATE_WINS = ("KQvK", "KRvK", "KBBvK", "KBNvK", "KNNvK")

# In these classes the loser has no losing capture and nobody has a pawn: what the winner does is
# mate or take the piece, which is what the published distance to conversion (DTC) counts.
# The positions were found by searching the tables; only the number of moves is from outside.
LONGEST_CONVERSIONS = {
    "KQvKR": "8/8/5k2/7r/8/8/8/4Q2K w - - 0 1",
    "KQvKB": "7K/8/3k4/8/3b4/8/8/7Q w - - 0 1",
    "KQvKN": "3KQ3/8/3kn3/8/8/8/8/8 w - - 0 1",
    "KRvKB": "1b3k2/8/3K4/3R4/8/8/8/8 w - - 0 1",
    "KRvKN": "8/8/8/8/6n1/8/8/1k1K3R w - - 0 1",
}
KING_TRIANGLE = [
    square for square in range(64) if chess.square_rank(square) <= chess.square_file(square) <= 3
]


def shares(computed: dict[str, Any], turn: chess.Color) -> dict[Outcome, float]:
    """Published shares of win, draw and loss for the side to move, in percent."""
    keys = (
        ("wtm_win_pct", "wtm_draw_pct", "wtm_loss_pct")
        if turn == chess.WHITE
        else ("btm_black_win_pct", "btm_draw_pct", "btm_black_loss_pct")
    )
    return dict(
        zip((Outcome.WIN, Outcome.DRAW, Outcome.LOSS), (computed[key] for key in keys), strict=True)
    )


def test_every_class_with_three_or_four_men_has_figures() -> None:
    assert set(ENDINGS) == set(all_names(4))


@pytest.mark.parametrize(("name", "example"), EXAMPLES, ids=lambda value: str(value)[:12])
def test_longest_wins(prober: SyzygyProber, name: str, example: dict[str, Any]) -> None:
    board = chess.Board(example["fen"])
    answer = prober.outcome(board)
    assert answer.low is answer.high
    assert answer.low is (Outcome.WIN if board.turn == chess.WHITE else Outcome.LOSS)
    distance = prober.distance(board)
    if name in ONLY_MATE_WINS:
        assert not distance.rounded
        assert abs(distance.plies) == example["plies"]
    else:
        assert distance.least <= example["plies"]


def test_mate_is_the_only_zeroing_in_five_classes(prober: SyzygyProber) -> None:
    assert {name for name, _ in EXAMPLES} >= set(ONLY_MATE_WINS)
    longest = dict.fromkeys(ONLY_MATE_WINS, 0)
    for name, example in EXAMPLES:
        if name in longest:
            longest[name] = max(longest[name], example["plies"])
    # In moves: published for K+Q, K+R and K+B+N v K, see endings.json.
    assert [(longest[name] + 1) // 2 for name in ("KQvK", "KRvK", "KBNvK")] == [10, 16, 33]


@pytest.mark.parametrize(("name", "fen"), LONGEST_CONVERSIONS.items())
def test_longest_conversions(prober: SyzygyProber, name: str, fen: str) -> None:
    """The winner to move needs as many moves as published, and nowhere more in a sample."""
    moves = ENDINGS[name]["computed"]["max_dtc_moves"]
    assert any(
        f"{moves} moves (DTC)" in item["statement"] or f"DTC {moves}" in item["statement"]
        for item in ENDINGS[name]["published"]
    )
    distance = prober.distance(chess.Board(fen))
    assert not distance.rounded
    assert distance.plies == 2 * moves - 1
    rng = random.Random(f"longest {name}")
    for _ in range(100):
        assert prober.distance(random_position(rng, name, chess.WHITE)).most <= 2 * moves - 1


@pytest.mark.parametrize("name", ENDINGS)
@pytest.mark.parametrize("turn", [chess.WHITE, chess.BLACK], ids=["wtm", "btm"])
def test_shares_in_a_random_sample(prober: SyzygyProber, name: str, turn: chess.Color) -> None:
    """Within four standard errors of the published share, its own rounding allowed for."""
    size = 400
    rng = random.Random(f"shares {name} {turn}")
    counts = Counter(
        prober.wdl_after_zeroing(random_position(rng, name, turn)) for _ in range(size)
    )
    expected = shares(ENDINGS[name]["computed"], turn)
    assert set(counts) <= set(expected)
    for outcome, percent in expected.items():
        low, high = max(0.0, percent - 0.005) / 100, min(100.0, percent + 0.005) / 100
        # The widest standard error that a share rounded to this percentage can have.
        spread = max(share * (1 - share) for share in (low, high, min(max(0.5, low), high)))
        error = 4 * math.sqrt(spread / size)
        assert low - error <= counts[outcome] / size <= high + error, (outcome, counts)


def placements(name: str) -> Iterator[tuple[chess.Board, int]]:
    """Every legal placement of a class without pawns, once for its mirror images, with weight.

    The white king stands in the triangle a1-d1-d4; a square on the diagonal has four images, one
    off it has eight. The board is changed in place.
    """
    pieces = pieces_of(name)
    for king in KING_TRIANGLE:
        weight = 4 if chess.square_file(king) == chess.square_rank(king) else 8
        for piece in range(64):
            for other_king in range(64):
                if piece in (king, other_king) or chess.square_distance(king, other_king) < 2:
                    continue
                board = placed(pieces, [king, piece, other_king], chess.BLACK)
                yield board, weight
                board.turn = chess.WHITE
                if not board.was_into_check():
                    yield board, weight


@pytest.mark.slow
@pytest.mark.parametrize("name", ["KQvK", "KRvK"])
def test_shares_by_complete_enumeration(prober: SyzygyProber, name: str) -> None:
    counts: Counter[tuple[chess.Color, Outcome]] = Counter()
    for board, weight in placements(name):
        counts[board.turn, prober.wdl_after_zeroing(board)] += weight
    check_complete(name, counts)


def check_complete(name: str, counts: Counter[tuple[chess.Color, Outcome]]) -> None:
    """Shares of all placements agree with the published ones to both decimals."""
    for turn in chess.COLORS:
        total = sum(number for (side, _), number in counts.items() if side == turn)
        for outcome, percent in shares(ENDINGS[name]["computed"], turn).items():
            assert round(100 * counts[turn, outcome] / total, 2) == percent


@pytest.mark.slow
def test_pawn_against_king_by_complete_enumeration(prober: SyzygyProber) -> None:
    """All placements of K+P v K with the pawn on the a- to d-file, the rest by mirroring."""
    counts: Counter[tuple[chess.Color, Outcome]] = Counter()
    zugzwangs = 0  # mirror images once, as published
    pieces = pieces_of("KPvK")
    pawns = [square for square in range(8, 56) if chess.square_file(square) < 4]
    for pawn in pawns:
        for king in range(64):
            for other_king in range(64):
                if pawn in (king, other_king) or chess.square_distance(king, other_king) < 2:
                    continue
                board = placed(pieces, [king, pawn, other_king], chess.BLACK)
                lost = prober.wdl_after_zeroing(board)
                counts[chess.BLACK, lost] += 2
                board.turn = chess.WHITE
                if not board.was_into_check():
                    won = prober.wdl_after_zeroing(board)
                    counts[chess.WHITE, won] += 2
                    zugzwangs += won is Outcome.DRAW and lost is Outcome.LOSS
    check_complete("KPvK", counts)
    expected = ENDINGS["KPvK"]["computed"]["mutual_zugzwangs"]
    assert zugzwangs == expected["white_to_move_draws_black_to_move_loses"] == 80
    # 331,352 placements: 163,328 with White to move and 168,024 with Black to move.
    totals = [sum(n for (side, _), n in counts.items() if side == turn) for turn in chess.COLORS]
    assert totals == [163_328, 168_024]


@pytest.mark.slow
@pytest.mark.parametrize(("name", "moves", "number"), [("KQvK", 10, 1), ("KRvK", 16, 121)])
def test_number_of_longest_wins(prober: SyzygyProber, name: str, moves: int, number: int) -> None:
    """Published numbers of positions, mirror images not counted, with White to move."""
    assert any(
        f"max DTM {moves} moves; {number} position" in item["statement"]
        for item in ENDINGS[name]["published"]
    )
    longest = {
        min(images(board))
        for board, _ in placements(name)
        if board.turn == chess.WHITE and prober.distance(board).plies == 2 * moves - 1
    }
    assert len(longest) == number


def images(board: chess.Board) -> Iterator[str]:
    """The placement of men of a board and of its mirror images: eight in all."""
    for flipped in (board, board.transform(chess.flip_diagonal)):
        for halfway in (flipped, flipped.transform(chess.flip_vertical)):
            for image in (halfway, halfway.transform(chess.flip_horizontal)):
                yield image.board_fen()


def suite() -> list[tuple[chess.Board, dict[str, Any]]]:
    """The positions of tests/data/endgame.epd with their operations."""
    lines = (DATA / "endgame.epd").read_text(encoding="ascii").splitlines()
    return [chess.Board.from_epd(line) for line in lines if not line.startswith("#")]


def test_suite_of_python_chess(prober: SyzygyProber) -> None:
    positions = suite()
    assert len(positions) == 200
    counts: Counter[str] = Counter()
    for board, operations in positions:
        assert prober.wdl_after_zeroing(board) == operations["wdl"], board.fen()
        assert prober.table_dtz(board) == operations["dtz"], board.fen()
        distance = prober.distance(board)
        assert operations["dtz"] * distance.plies >= 0
        # The distance is the table's, or proved to be the one ply more that rounding took.
        more = abs(distance.plies) - abs(operations["dtz"])
        assert more in (0, 1)
        assert not (more and distance.rounded)
        counts["rounded" if distance.rounded else "one more" if more else "as it is"] += 1
    assert min(counts.values()) >= 10, counts
