"""The references that the solver is tested against, themselves tested against the tables."""

from __future__ import annotations

import random
from functools import cache
from typing import Never

import chess
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from solver_reference import (
    Retrograde,
    claimable_interval,
    fits_rounding,
    one_ply_interval,
    one_ply_value,
    retrograde,
    syzygy_value,
)
from solver_strategies import (
    Pawns,
    boards_in_slice,
    legal_boards,
    material_counts,
    mirror_files,
    pawns_of,
    random_ep,
    random_legal,
    structures,
)
from table_support import load

from tablebases import Outcome, SyzygyProber, all_names, open_tables

LOSS, BLESSED, DRAW, CURSED, WIN = Outcome
ENDINGS = {entry["material"]: entry for entry in load("endings.json")["endings"]}
TABLES = open_tables()


# --- one ply against the tables -----------------------------------------------------------------


def _own_and_one_ply(board: chess.Board, prober: SyzygyProber) -> None:
    """The table's own value of a position is the one-ply value of its successors' values.

    A table's distance may be one ply too small, so the successors are asked twice, with the
    smallest and the largest distances that fit; the one-ply value grows with each of them.
    """

    def least(after: chess.Board) -> tuple[Outcome, int]:
        return syzygy_value(prober, after)

    def most(after: chess.Board) -> tuple[Outcome, int]:
        outcome, plies = least(after)
        return outcome, plies + (plies > 0) - (plies < 0)

    outcome, table = syzygy_value(prober, board)
    low, shortest = one_ply_value(board, least)
    high, longest = one_ply_value(board, most)
    assert low == high == outcome, board.fen()
    possible = range(abs(shortest), abs(longest) + 1)
    sign = 1 if outcome > 0 else -1
    assert any(fits_rounding(sign * plies, table) for plies in possible), (
        board.fen(),
        table,
        shortest,
        longest,
    )


@pytest.mark.slow
def test_one_ply_value_agrees_with_the_tables(prober: SyzygyProber) -> None:
    rng = random.Random(1)
    for _ in range(250):
        _own_and_one_ply(random_legal(rng.choice(all_names(4)), rng), prober)


def test_one_ply_value_agrees_with_the_tables_en_passant(prober: SyzygyProber) -> None:
    rng = random.Random(2)
    for _ in range(60):
        _own_and_one_ply(random_ep("KPvKP", rng), prober)


@pytest.mark.long
def test_one_ply_value_agrees_with_the_tables_on_many_positions(prober: SyzygyProber) -> None:
    rng = random.Random(3)
    for name in all_names(4):
        for _ in range(80):
            _own_and_one_ply(random_legal(name, rng), prober)
    for _ in range(1000):
        _own_and_one_ply(random_ep("KPvKP", rng), prober)


@pytest.mark.slow
def test_one_ply_value_is_exact_where_the_successors_are() -> None:
    """With exact distances on either side there is no tolerance."""
    solved = _solved("KR", "KN")
    rng = random.Random(4)

    def ask(after: chess.Board) -> tuple[Outcome, int]:
        men = "".join(sorted(material_counts(after)))
        table = {"KRkn": solved, "KRk": _solved("KR", "K"), "Kkn": _solved("K", "KN")}[men]
        return table.value(after)

    for _ in range(1000):
        board = random_legal("KRvKN", rng)
        assert one_ply_value(board, ask) == solved.value(board), board.fen()


@given(legal_boards(("KRvK", "KQvK")), st.integers(1, 60))
def test_a_later_end_shifts_every_distance(board: chess.Board, steps: int) -> None:
    """In classes that only mate decides, 2n plies more everywhere are 2n plies more here.

    What goes beyond 100 plies turns cursed or blessed. Positions next to a mate are left out: a
    mate on the board counts one ply whatever else is said.
    """
    table = _solved("KR" if board.rooks else "KQ", "K")
    outcome, plies = table.value(board)
    if abs(plies) < 3:
        return
    shift = 2 * steps

    def ask(after: chess.Board) -> tuple[Outcome, int]:
        its, distance = table.value(after) if after.occupied.bit_count() == 3 else (DRAW, 0)
        if its == DRAW or after.is_checkmate():
            return its, distance
        later = distance + shift if distance > 0 else distance - shift
        return (its if abs(later) <= 100 else Outcome(its // 2)), later

    later = plies + shift if plies > 0 else plies - shift
    expected = outcome if abs(later) <= 100 else Outcome(outcome // 2)
    assert one_ply_value(board, ask) == (expected, later)


# --- one ply by the definition ------------------------------------------------------------------

# White has two quiet king moves (a1-b1, a1-a2 are all: b2 is the pawn's square) and the pawn
# moves b2-b3, b2-b4; each case says what the four positions after them are worth to Black.
FOUR_MOVES = chess.Board("7k/8/8/8/8/8/1P6/K7 w - - 0 1")
KING_MOVES = ("a1a2", "a1b1")
PAWN_MOVES = ("b2b3", "b2b4")


@pytest.mark.parametrize(
    ("king", "pawn", "expected"),
    [
        # A zeroing move into a true win: one ply, whatever else there is.
        (((WIN, 3), (DRAW, 0)), ((LOSS, -44), (DRAW, 0)), (WIN, 1)),
        # Zeroing moves into a cursed win count 101.
        (((WIN, 3), (WIN, 3)), ((BLESSED, -120), (WIN, 1)), (CURSED, 101)),
        # A true win by quiet moves comes before a cursed one by zeroing.
        (((LOSS, -98), (DRAW, 0)), ((BLESSED, -101), (DRAW, 0)), (WIN, 99)),
        # Lost in 99 after a quiet move: won in 100; lost in 100: cursed.
        (((LOSS, -99), (LOSS, -100)), ((DRAW, 0), (DRAW, 0)), (WIN, 100)),
        (((LOSS, -100), (DRAW, 0)), ((DRAW, 0), (DRAW, 0)), (CURSED, 101)),
        # The least of quiet cursed wins.
        (((BLESSED, -107), (BLESSED, -103)), ((DRAW, 0), (WIN, 2)), (CURSED, 104)),
        # Of two cursed ways the zeroing one is the shorter.
        (((BLESSED, -103), (DRAW, 0)), ((BLESSED, -150), (DRAW, 0)), (CURSED, 101)),
        # One move holds the draw.
        (((WIN, 7), (WIN, 9)), ((DRAW, 0), (CURSED, 101)), (DRAW, 0)),
        # Lost: zeroing moves into a loss count 1, quiet ones what they take.
        (((WIN, 7), (WIN, 9)), ((WIN, 50), (WIN, 60)), (LOSS, -10)),
        (((WIN, 99), (WIN, 9)), ((WIN, 50), (WIN, 60)), (LOSS, -100)),
        # The loser would rather be too late: quiet, or by a zeroing move.
        (((WIN, 100), (WIN, 9)), ((WIN, 50), (WIN, 60)), (BLESSED, -101)),
        (((WIN, 7), (WIN, 9)), ((WIN, 50), (CURSED, 133)), (BLESSED, -101)),
        # Of two blessed losses the longer.
        (((CURSED, 110), (WIN, 9)), ((WIN, 50), (CURSED, 133)), (BLESSED, -111)),
    ],
)
def test_one_ply_by_the_definition(
    king: tuple[tuple[Outcome, int], ...],
    pawn: tuple[tuple[Outcome, int], ...],
    expected: tuple[Outcome, int],
) -> None:
    values = _after_moves(KING_MOVES, king) | _after_moves(PAWN_MOVES, pawn)
    assert one_ply_value(FOUR_MOVES, lambda after: values[after.board_fen()]) == expected


def _after_moves(
    moves: tuple[str, ...], values: tuple[tuple[Outcome, int], ...]
) -> dict[str, tuple[Outcome, int]]:
    found = {}
    for move, value in zip(moves, values, strict=True):
        after = FOUR_MOVES.copy()
        after.push_uci(move)
        found[after.board_fen()] = value
    return found


def test_the_example_has_these_moves() -> None:
    assert {move.uci() for move in FOUR_MOVES.legal_moves} == {*KING_MOVES, *PAWN_MOVES}


def test_mate_and_stalemate_need_no_successor() -> None:
    def never(after: chess.Board) -> Never:
        raise AssertionError(after.fen())

    mated = chess.Board("R5k1/5ppp/8/8/8/8/8/K7 b - - 0 1")
    stalemated = chess.Board("7k/5Q2/8/8/8/8/8/K7 b - - 0 1")
    assert one_ply_value(mated, never) == (LOSS, -1)
    assert one_ply_value(stalemated, never) == (DRAW, 0)
    assert one_ply_interval(mated, never) == claimable_interval(mated, never) == (LOSS, LOSS)
    assert one_ply_interval(stalemated, never) == claimable_interval(stalemated, never)
    assert one_ply_interval(stalemated, never) == (DRAW, DRAW)


def test_a_mating_move_counts_one_ply() -> None:
    board = chess.Board("7k/8/6K1/8/8/8/8/R7 w - - 0 1")
    assert one_ply_value(board, lambda after: syzygy_value(TABLES, after)) == (WIN, 1)


def test_a_successor_is_asked_with_its_en_passant_right_and_clock_zero() -> None:
    board = chess.Board("4k3/8/8/8/p7/8/1P6/4K3 w - - 37 60")
    asked: list[chess.Board] = []

    def ask(after: chess.Board) -> tuple[Outcome, int]:
        asked.append(after)
        return DRAW, 0

    one_ply_value(board, ask)
    assert {after.ep_square for after in asked} == {None, chess.B3}
    assert {after.halfmove_clock for after in asked} == {0}
    assert board.halfmove_clock == 37


# --- intervals ----------------------------------------------------------------------------------


@settings(max_examples=40)
@given(legal_boards(tuple(all_names(4))), st.integers(0, 2**32 - 1))
def test_intervals_hold_the_truth(board: chess.Board, seed: int) -> None:
    """Successors blurred at random: the position's outcome stays within the interval."""
    rng = random.Random(seed)
    blurred: dict[str, tuple[Outcome, Outcome]] = {}

    def ask(after: chess.Board) -> tuple[Outcome, Outcome]:
        outcome = TABLES.wdl_after_zeroing(after)
        if after.fen() not in blurred:
            low = rng.choice([o for o in Outcome if o <= outcome])
            high = rng.choice([o for o in Outcome if o >= outcome])
            blurred[after.fen()] = rng.choice([(low, high), (outcome, outcome)])
        return blurred[after.fen()]

    own = TABLES.wdl_after_zeroing(board)
    low, high = one_ply_interval(board, ask)
    assert low <= own <= high
    claimed_low, claimed_high = claimable_interval(board, ask)
    assert low <= claimed_low
    assert claimed_high <= high
    nearer_low, nearer_high = one_ply_interval(board, ask, TABLES.table_dtz)
    assert low <= nearer_low <= own <= nearer_high <= high


@settings(max_examples=40)
@given(legal_boards(tuple(all_names(4))))
def test_exact_successors_give_an_exact_interval(board: chess.Board) -> None:
    """No win with up to four men takes 100 plies, so distances settle every quiet move."""

    def ask(after: chess.Board) -> tuple[Outcome, Outcome]:
        outcome = TABLES.wdl_after_zeroing(after)
        return outcome, outcome

    own = TABLES.wdl_after_zeroing(board)
    assert one_ply_interval(board, ask, TABLES.table_dtz) == (own, own)
    assert claimable_interval(board, ask) == (own, own)


def test_an_interval_allows_for_the_hundredth_ply() -> None:
    """A quiet move into a loss may win too late, unless its distance is known."""
    known = chess.Board("7k/8/8/8/8/8/8/KQ6 w - - 0 1")

    def lost(after: chess.Board) -> tuple[Outcome, Outcome]:
        return LOSS, LOSS

    assert one_ply_interval(known, lost) == (CURSED, WIN)
    assert one_ply_interval(known, lost, lambda after: -99) == (WIN, WIN)
    assert one_ply_interval(known, lost, lambda after: -100) == (CURSED, CURSED)
    assert claimable_interval(known, lost) == (WIN, WIN)


# --- rounding -----------------------------------------------------------------------------------


@pytest.mark.parametrize("more", range(-3, 4))
@given(exact=st.integers(-150, 150))
def test_rounding_takes_off_at_most_one_ply(exact: int, more: int) -> None:
    table = exact + more
    expected = more == 0 or (exact > 1 and more == -1) or (exact < -1 and more == 1)
    assert fits_rounding(exact, table) == expected


# --- the position-by-position solver ------------------------------------------------------------


@cache
def _solved(white: str, black: str) -> Retrograde:
    return retrograde(white, black, fold=True)


def _agrees_with_the_tables(white: str, black: str, n: int, prober: SyzygyProber) -> None:
    solved = _solved(white, black)
    rng = random.Random(f"{white} {black}")
    for _ in range(n):
        board = random_legal(f"{white}v{black}", rng)
        outcome, plies = solved.value(board)
        table_outcome, table_plies = syzygy_value(prober, board)
        assert outcome == table_outcome, board.fen()
        assert fits_rounding(plies, table_plies), (board.fen(), plies, table_plies)


@pytest.mark.parametrize(("white", "black"), [("KR", "K"), ("KQ", "K"), ("K", "KQ"), ("KR", "KN")])
def test_retrograde_agrees_with_the_tables(white: str, black: str, prober: SyzygyProber) -> None:
    _agrees_with_the_tables(white, black, 400, prober)


@pytest.mark.slow
def test_retrograde_takes_the_best_of_several_captures(prober: SyzygyProber) -> None:
    """Black's king beside rook and bishop: one capture draws, the other loses."""
    solved = _solved("KRB", "K")
    rng = random.Random(12)
    choices = 0
    while choices < 40:
        black, white = rng.sample(range(64), 2)
        beside = list(chess.SquareSet(chess.BB_KING_ATTACKS[black]))
        rook, bishop = rng.sample(beside, 2)
        if white in (rook, bishop):
            continue
        men = zip((black, white, rook, bishop), "kKRB", strict=True)
        board = chess.Board(None)
        board.set_piece_map({square: chess.Piece.from_symbol(man) for square, man in men})
        board.turn = chess.BLACK
        if board.is_valid() and len(list(board.generate_legal_captures())) == 2:
            assert solved.value(board)[0] == prober.wdl_after_zeroing(board), board.fen()
            choices += 1


@pytest.mark.slow
@pytest.mark.parametrize(
    ("white", "black"),
    [("KBN", "K"), ("KQ", "KR"), ("KB", "KR"), ("KN", "KQ"), ("KBB", "K"), ("KR", "KR")],
)
def test_retrograde_agrees_with_more_tables(white: str, black: str, prober: SyzygyProber) -> None:
    _agrees_with_the_tables(white, black, 2000, prober)


@pytest.mark.parametrize(
    ("white", "black", "moves"),
    [
        # Published: longest mates of 10 and 16 moves (guido / G. Haworth, 2006; in full with the
        # address under "KQvK" and "KRvK" in tests/data/endings.json).
        ("KQ", "K", 10),
        ("KR", "K", 16),
        # 33 moves: the same source, under "KBNvK".
        pytest.param("KBN", "K", 33, marks=pytest.mark.slow),
        # 31 moves to win the rook or mate: "Queen versus rook endgame", with the address under
        # "KQvKR" in tests/data/endings.json.
        pytest.param("KQ", "KR", 31, marks=pytest.mark.slow),
        # 27 moves to win the knight or mate: from memory; see "KRvKN" in tests/data/endings.json.
        ("KR", "KN", 27),
    ],
)
def test_longest_wins_are_the_published_ones(white: str, black: str, moves: int) -> None:
    """A win in n moves, ending with the winner's own mate or capture, takes 2n - 1 plies."""
    assert _solved(white, black).longest_win(chess.WHITE) == 2 * moves - 1


@pytest.mark.parametrize(
    "name",
    [
        "KQvK",
        "KRvK",
        "KBvK",
        "KNvK",
        "KRvKN",
        *(
            pytest.param(name, marks=pytest.mark.slow)
            for name in ("KBNvK", "KQvKR", "KRvKR", "KRRvK", "KBvKN")
        ),
    ],
)
def test_shares_are_those_of_an_independent_generator(name: str) -> None:
    """Shares "computed" in tests/data/endings.json, to two decimals; who made them stands there."""
    solved = _solved(*name.split("v"))
    computed = ENDINGS[name]["computed"]
    for turn, side in ((chess.WHITE, "wtm"), (chess.BLACK, "btm")):
        wins, draws, losses = (
            solved.count_wins(turn),
            solved.count_draws(turn),
            solved.count_losses(turn),
        )
        win, loss = ("win", "loss") if turn else ("black_win", "black_loss")
        for part, word in ((wins, win), (draws, "draw"), (losses, loss)):
            share = 100 * part / (wins + draws + losses)
            assert share == pytest.approx(computed[f"{side}_{word}_pct"], abs=0.0051), (side, word)


@pytest.mark.parametrize(("white", "black"), [("KR", "K"), ("KQ", "K"), ("K", "KN")])
def test_folding_changes_nothing(white: str, black: str) -> None:
    whole, folded = retrograde(white, black), _solved(white, black)
    assert whole.positions == 4 * folded.positions
    for turn in chess.COLORS:
        assert whole.count_wins(turn) == folded.count_wins(turn)
        assert whole.count_draws(turn) == folded.count_draws(turn)
        assert whole.count_losses(turn) == folded.count_losses(turn)
    rng = random.Random(5)
    for _ in range(300):
        board = random_legal(f"{white}v{black}", rng)
        assert whole.value(board) == folded.value(board)


def test_colours_can_change_places() -> None:
    first, second = _solved("KQ", "K"), _solved("K", "KQ")
    for turn in chess.COLORS:
        assert first.count_wins(turn) == second.count_wins(not turn)
        assert first.longest_win(turn) == second.longest_win(not turn)
    rng = random.Random(6)
    for _ in range(300):
        board = random_legal("KQvK", rng)
        assert first.value(board) == second.value(board.mirror())


@pytest.mark.parametrize(
    ("white", "black"),
    [("KP", "K"), ("RK", "K"), ("K", ""), ("KK", "K"), ("KQR", "KR"), ("KX", "K")],
)
def test_other_material_is_refused(white: str, black: str) -> None:
    with pytest.raises(ValueError, match="men"):
        retrograde(white, black)


def test_a_board_of_another_class_is_refused() -> None:
    with pytest.raises(ValueError, match="not KR v K"):
        _solved("KR", "K").value(chess.Board("8/8/8/8/8/k7/8/KQ6 w - - 0 1"))


# --- generators ---------------------------------------------------------------------------------


@pytest.mark.parametrize("material", ["KvK", "KRPvKN", "KRPPvKNP", "KPPPvKPP", "KQPvKR"])
def test_random_positions_are_legal_and_as_ordered(material: str) -> None:
    rng = random.Random(7)
    white, black = material.split("v")
    turns = set()
    for _ in range(40):
        board = random_legal(material, rng)
        assert board.is_valid()
        assert "".join(sorted(material_counts(board).elements())) == "".join(
            sorted(white + black.lower())
        )
        assert (board.halfmove_clock, board.castling_rights, board.ep_square) == (0, 0, None)
        turns.add(board.turn)
    assert turns == {chess.WHITE, chess.BLACK}
    assert random_legal(material, rng, turn=chess.BLACK).turn is chess.BLACK


def test_a_given_structure_is_kept() -> None:
    pawns = Pawns(frozenset({chess.E4, chess.D5}), frozenset({chess.E5}))
    board = random_legal("KRPPvKNP", random.Random(8), pawns=pawns)
    assert pawns_of(board) == pawns
    with pytest.raises(ValueError, match="structure"):
        random_legal("KRPvKNP", random.Random(8), pawns=pawns)


@pytest.mark.parametrize("material", ["KPvKP", "KRPvKNP", "KPPvKPP"])
def test_en_passant_can_be_taken(material: str) -> None:
    rng = random.Random(9)
    turns = set()
    for _ in range(20):
        board = random_ep(material, rng)
        assert board.is_valid()
        assert board.has_legal_en_passant()
        turns.add(board.turn)
    assert turns == {chess.WHITE, chess.BLACK}
    with pytest.raises(ValueError, match="either side"):
        random_ep("KPvKN", rng)


def test_boards_in_a_slice_share_pawns_and_pieces() -> None:
    root = chess.Board("4k3/8/8/8/3pP3/8/8/R3K1n1 w - - 0 1")
    boards = boards_in_slice(root, random.Random(10), 60)
    assert len({board.fen() for board in boards}) > 50
    for board in boards:
        assert board.is_valid()
        assert pawns_of(board) == pawns_of(root)
        assert material_counts(board) == material_counts(root)
        assert board.ep_square is None
    with_rights = boards_in_slice(root, random.Random(11), 60, ep=True)
    assert {board.ep_square for board in with_rights} == {None, chess.E3}
    assert all(board.is_valid() for board in with_rights)
    assert all(board.has_legal_en_passant() for board in with_rights if board.ep_square)


@given(structures(2, 1))
def test_structures_stand_on_ranks_two_to_seven(pawns: Pawns) -> None:
    assert (len(pawns.white), len(pawns.black)) == (2, 1)
    assert not pawns.white & pawns.black
    assert all(1 <= chess.square_rank(square) <= 6 for square in pawns.white | pawns.black)


def test_mirrored_files() -> None:
    board = chess.Board("4k3/8/8/8/3pP3/8/8/R3K1n1 b - e3 0 1")
    mirrored = mirror_files(board)
    assert mirrored.fen() == "3k4/8/8/8/3Pp3/8/8/1n1K3R b - d3 0 1"
    assert mirror_files(mirrored).fen() == board.fen()
