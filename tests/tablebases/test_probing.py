"""Probing: rules of chess, the fifty-move rule, and every error with its message."""

from __future__ import annotations

import pickle
import random
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import chess
import chess.syzygy
import chess.variant
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from table_support import (
    loses_by_the_laws,
    pieces_of,
    placed,
    positions,
    random_position,
    wins_by_the_laws,
)

from tablebases import (
    Answer,
    CastlingRights,
    ChainProber,
    DamagedTable,
    Distance,
    ForeignFile,
    IllegalPosition,
    MissingTable,
    NoSuchFolder,
    Outcome,
    ProbeCounts,
    Prober,
    SyzygyProber,
    TablebaseError,
    TooManyMen,
    all_names,
    bundled_folder,
    find_tables,
    material_name,
    open_tables,
)
from tablebases._syzygy import Tables, ply_accurate
from tablebases.conformance import SAMPLE_FENS, check_prober

MakeFolder = Callable[..., Path]
WIN, CURSED, DRAW = Outcome.WIN, Outcome.CURSED_WIN, Outcome.DRAW
BLESSED, LOSS = Outcome.BLESSED_LOSS, Outcome.LOSS

# Queen against rook: the queen can be taken in one, cannot in the other.
QUEEN_TAKES_ROOK = "7k/8/8/8/8/8/8/KQr5 w - - 0 1"
QUEEN_FAR_FROM_ROOK = "8/8/5k2/7r/8/8/8/4Q2K w - - 0 1"
BISHOP_AND_KNIGHT = "8/8/7N/8/8/8/8/K1k1B3 w - - 0 1"  # mate in 33, endings.json
ONLY_PAWN_MOVES = "k7/8/1Q6/8/7p/8/1K6/8 b - - 0 1"  # the king has no move, h4-h3 is forced
# The classes in which the losing side has no losing zeroing move, so that parity settles the
# distance: only mate or a zeroing move by the winner can end it.
PARITY = (
    *("KQvK", "KRvK", "KPvK", "KBBvK", "KBNvK"),
    *("KQvKQ", "KQvKR", "KQvKB", "KQvKN", "KRvKR", "KRvKB", "KRvKN"),
)


def at(fen: str, clock: int = 0) -> chess.Board:
    board = chess.Board(fen)
    board.halfmove_clock = clock
    return board


# --- what every prober must do -----------------------------------------------------------------


def test_conformance(prober: SyzygyProber) -> None:
    assert check_prober(prober) == len(SAMPLE_FENS)
    assert check_prober(ChainProber([prober])) == len(SAMPLE_FENS)
    five_men = chess.Board("8/2n5/8/8/8/k7/P7/R3K3 w - - 0 1")
    assert check_prober(prober, [five_men]) == 0


def test_conformance_on_random_positions(prober: SyzygyProber) -> None:
    rng = random.Random("conformance")
    boards = [random_position(rng, name, rng.random() < 0.5) for name in all_names(4)]
    assert check_prober(prober, boards) == len(boards)


class _Wrong(SyzygyProber):
    """Keeps every promise but one."""

    def __init__(self, broken: str) -> None:
        super().__init__()
        self.broken = broken

    def wdl_after_zeroing(self, board: chess.Board) -> Outcome:
        if self.broken == "refusal" and board.castling_rights:
            return Outcome.DRAW
        wdl = super().wdl_after_zeroing(board)
        return wdl.opposite if self.broken == "colour" and not board.turn else wdl

    def outcome(self, board: chess.Board) -> Answer:
        if self.broken == "board":
            board.halfmove_clock += 1
        if self.broken == "clock" and board.halfmove_clock > 150:
            board = board.copy()
            board.halfmove_clock = 0
        return super().outcome(board)

    def distance(self, board: chess.Board) -> Distance:
        distance = super().distance(board)
        return distance.opposite if self.broken == "sign" else distance


@pytest.mark.parametrize(
    ("broken", "complaint"),
    [
        ("refusal", "does not raise CastlingRights"),
        ("colour", "outcome differs|mirror image differs|best move"),
        ("board", "changes the board"),
        ("clock", "a higher clock helps the winner"),
        ("sign", "distance contradicts the outcome"),
    ],
)
def test_conformance_finds_what_is_broken(broken: str, complaint: str) -> None:
    with _Wrong(broken) as prober, pytest.raises(AssertionError, match=complaint):
        check_prober(prober)


@settings(max_examples=150, deadline=None)
@given(board=positions())
@example(board=chess.Board("8/8/8/8/2pP4/2K5/4k3/8 b - d3 0 1"))
def test_value_is_that_of_the_best_move(prober: SyzygyProber, board: chess.Board) -> None:
    wdl = prober.wdl_after_zeroing(board)
    replies = []
    for move in board.legal_moves:
        board.push(move)
        replies.append(prober.wdl_after_zeroing(board).opposite)
        board.pop()
    if replies:
        # No class with up to four men has a cursed win, so the clock plays no part at 0.
        assert wdl is max(replies)
    else:
        assert wdl is (Outcome.LOSS if board.is_check() else Outcome.DRAW)


@settings(max_examples=100, deadline=None)
@given(board=positions(), clock=st.integers(0, 160))
def test_mirror_images_have_the_same_answer(
    prober: SyzygyProber, board: chess.Board, clock: int
) -> None:
    board.halfmove_clock = clock
    answer = prober.outcome(board)
    colours_swapped = board.mirror()
    files_mirrored = board.transform(chess.flip_horizontal)
    assert colours_swapped.turn != board.turn
    assert colours_swapped.halfmove_clock == files_mirrored.halfmove_clock == clock
    assert prober.outcome(colours_swapped) == answer
    assert prober.outcome(files_mirrored) == answer
    if "P" not in material_name(board):
        assert prober.outcome(board.transform(chess.flip_diagonal)) == answer
        assert prober.outcome(board.transform(chess.flip_vertical)) == answer


@settings(max_examples=60, deadline=None)
@given(board=positions(), clock=st.integers(0, 160))
def test_with_the_clock_a_position_is_worth_its_best_move(
    prober: SyzygyProber, board: chess.Board, clock: int
) -> None:
    """The best move or the claim, both under the clock: bounds of the parts bound the whole."""
    board.halfmove_clock = clock
    answer = prober.outcome(board)
    if board.is_game_over(claim_draw=False):  # mate, stalemate, 150 plies, bare kings
        assert answer.low.points == answer.high.points == (-1 if board.is_checkmate() else 0)
        return
    lows, highs = [], []
    for move in list(board.legal_moves):
        board.push(move)
        after = prober.outcome(board).opposite
        lows.append(after.low.points)
        highs.append(after.high.points)
        board.pop()
    if board.can_claim_fifty_moves():
        lows.append(0)
        highs.append(0)
    assert answer.low.points <= max(highs)
    assert max(lows) <= answer.high.points


@settings(max_examples=100, deadline=None)
@given(board=positions())
def test_distance_goes_down_by_one_up_to_rounding(prober: SyzygyProber, board: chess.Board) -> None:
    """One more than the distance after the best move; the loser holds out, the winner hurries."""
    wdl, distance = prober.wdl_after_zeroing(board), prober.distance(board)
    if wdl is DRAW:
        assert distance == Distance(0)
        return
    if board.is_checkmate():
        assert distance == Distance(-1)
        return
    least, most = [], []
    for move in list(board.legal_moves):
        zeroing = board.is_zeroing(move)
        board.push(move)
        if prober.wdl_after_zeroing(board) is wdl.opposite:
            after = prober.distance(board)
            at_once = zeroing or board.is_checkmate()
            least.append(1 if at_once else after.least + 1)
            most.append(1 if at_once else after.most + 1)
        board.pop()
    pick = min if wdl is WIN else max
    assert pick(least) <= distance.most
    assert distance.least <= pick(most)
    if material_name(board) in PARITY or material_name(board.mirror()) in PARITY:
        assert pick(least) == pick(most) == distance.least == distance.most


@settings(max_examples=100, deadline=None)
@given(board=positions(PARITY))
def test_parity_leaves_nothing_rounded(prober: SyzygyProber, board: chess.Board) -> None:
    distance = prober.distance(board)
    assert not distance.rounded
    if distance.plies > 0:
        assert distance.plies % 2 == 1
    elif distance.plies < 0 and not board.is_checkmate():
        assert distance.plies % 2 == 0
    board.halfmove_clock = max(0, 100 - abs(distance.plies))
    assert prober.outcome(board).exact


@settings(max_examples=60, deadline=None)
@given(board=positions(), clocks=st.tuples(st.integers(0, 170), st.integers(0, 170)))
def test_a_higher_clock_never_helps_the_winner(
    prober: SyzygyProber, board: chess.Board, clocks: tuple[int, int]
) -> None:
    wdl = prober.wdl_after_zeroing(board)
    board.halfmove_clock = min(clocks)
    sooner = prober.outcome(board)
    board.halfmove_clock = max(clocks)
    later = prober.outcome(board)
    if wdl is DRAW:
        assert sooner == later == Answer(DRAW, DRAW)
    elif wdl is WIN:
        assert CURSED <= later.low <= sooner.low
        assert later.high <= sooner.high
    else:
        assert BLESSED >= later.high >= sooner.high
        assert later.low >= sooner.low


# --- the fifty-move rule -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fen", "clock", "outcome"),
    [
        # Mate in 33 moves (65 plies): published, see endings.json.
        (BISHOP_AND_KNIGHT, 0, WIN),
        (BISHOP_AND_KNIGHT, 35, WIN),
        (BISHOP_AND_KNIGHT, 36, CURSED),
        (BISHOP_AND_KNIGHT.replace(" w ", " b "), 34, LOSS),
        (BISHOP_AND_KNIGHT.replace(" w ", " b "), 35, BLESSED),
        # Queen takes rook after 31 moves (61 plies): published, see endings.json.
        (QUEEN_FAR_FROM_ROOK, 39, WIN),
        (QUEEN_FAR_FROM_ROOK, 40, CURSED),
        # Mate in one: won even when a draw could have been claimed before.
        ("7k/8/6K1/8/8/8/8/5Q2 w - - 0 1", 99, WIN),
        ("7k/8/6K1/8/8/8/8/5Q2 w - - 0 1", 149, WIN),
        ("7k/8/6K1/8/8/8/8/5Q2 w - - 0 1", 150, CURSED),
        # Mated: lost whatever the clock (5.1.1, 9.6.2).
        ("7k/6Q1/6K1/8/8/8/8/8 b - - 0 1", 100, LOSS),
        ("7k/6Q1/6K1/8/8/8/8/8 b - - 0 1", 150, LOSS),
        # Stalemate is a draw at any clock.
        ("7k/5Q2/6K1/8/8/8/8/8 b - - 0 1", 99, DRAW),
        # Only pawn moves are left to the side that loses: too late to claim at 99, not at 100.
        (ONLY_PAWN_MOVES, 99, LOSS),
        (ONLY_PAWN_MOVES, 100, BLESSED),
    ],
)
def test_fifty_move_rule(prober: SyzygyProber, fen: str, clock: int, outcome: Outcome) -> None:
    answer = prober.outcome(at(fen, clock))
    assert answer.exact
    assert answer.low is outcome


def test_table_alone_would_leave_bishop_and_knight_open(prober: SyzygyProber) -> None:
    """The table's distance of 64 plies is one too small; parity proves it."""
    board = at(BISHOP_AND_KNIGHT, 36)
    assert prober.table_dtz(board) == 64
    assert prober.distance(board) == Distance(65)
    answer = prober.outcome(board)
    assert answer.distance == Distance(65)
    assert answer.word == "cursed win"


def test_rounding_edge_is_said_to_be_open(prober: SyzygyProber) -> None:
    """Rook and bishop v king: the king may have to take, so parity proves nothing."""
    board = chess.Board("8/8/8/8/3B4/3k4/2R5/K7 w - - 0 1")
    distance = prober.distance(board)
    assert distance.rounded
    board.halfmove_clock = 100 - distance.plies
    answer = prober.outcome(board)
    assert (answer.low, answer.high) == (CURSED, WIN)
    assert answer.word == "win or draw: the table rounds"
    board.halfmove_clock -= 1
    assert prober.outcome(board).word == "win"
    board.halfmove_clock += 2
    assert prober.outcome(board).word == "cursed win"


@pytest.mark.parametrize(
    ("name", "number"),
    [("KQvK", 6), ("KRvK", 6), ("KBBvK", 6), pytest.param("KBNvK", 2, marks=pytest.mark.slow)],
)
def test_clock_against_brute_force(prober: SyzygyProber, name: str, number: int) -> None:
    """All moves and the claim, played out by recursion: no table, no arithmetic."""
    rng = random.Random(f"brute force {name}")
    checked = {WIN: 0, CURSED: 0, LOSS: 0, BLESSED: 0}
    wanted = {WIN: number, LOSS: number}
    while any(wanted.values()):
        board = _near_mate(rng, name)
        wdl = prober.wdl_after_zeroing(board)
        plies = prober.distance(board).most
        if not wanted.get(wdl) or plies > 4 or board.is_checkmate():
            continue
        wanted[wdl] -= 1
        for clock in {100 - plies, 101 - plies, 99, 100, 101, 149, 150}:
            if clock + plies < 99 or 102 < clock < 149:
                continue
            board.halfmove_clock = clock
            answer = prober.outcome(board)
            assert answer.exact
            if wdl is WIN:
                by_force = wins_by_the_laws(board.copy())
            else:
                by_force = loses_by_the_laws(board.copy())
            assert by_force == (answer.low.points != 0), board.fen()
            checked[answer.low] += 1
    assert min(checked.values()) >= number, checked


def _near_mate(rng: random.Random, name: str) -> chess.Board:
    """A random position with the black king on a corner and the white king near it."""
    pieces = pieces_of(name)
    while True:
        black_king = rng.choice([chess.A1, chess.B1, chess.A2])
        near = [square for square in range(64) if chess.square_distance(square, black_king) == 2]
        white_king = rng.choice(near)
        free = [square for square in range(64) if square not in (black_king, white_king)]
        squares = [white_king, *rng.sample(free, len(pieces) - 2), black_king]
        board = placed(pieces, squares, rng.random() < 0.5)
        if board.is_valid():
            return board


# --- what is asked of the tables ---------------------------------------------------------------


def test_distance_is_probed_only_when_it_matters() -> None:
    with open_tables() as prober:
        assert prober.counts == ProbeCounts(0, 0)
        assert prober.outcome(at(BISHOP_AND_KNIGHT)) == Answer(WIN, WIN, None)
        assert prober.counts == ProbeCounts(1, 0)
        assert prober.outcome(at("7k/8/7K/7R/8/3b4/8/8 w - - 0 1", 80)).low is DRAW
        assert prober.outcome(at("7k/6Q1/6K1/8/8/8/8/8 b - - 0 1", 80)).low is LOSS
        assert prober.counts == ProbeCounts(3, 0)
        # No win of this ending takes more than 67 plies: with 32 gone all are in time.
        assert prober.outcome(at(BISHOP_AND_KNIGHT, 32)) == Answer(WIN, WIN, None)
        assert prober.counts == ProbeCounts(4, 0)
        assert prober.outcome(at(BISHOP_AND_KNIGHT, 33)).distance == Distance(65)
        assert prober.counts == ProbeCounts(5, 1)


def test_import_is_light() -> None:
    code = (
        "import sys, tablebases, tablebases.conformance\n"
        "tablebases.material_name, tablebases.open_tables(())\n"
        "heavy = {'numpy', 'chess.syzygy', 'convert', 'click', 'rich'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    root = Path(sys.modules["tablebases"].__file__ or "").parents[1]
    subprocess.run([sys.executable, "-c", code], check=True, cwd=root)


def test_tables_open_again_after_close(prober: SyzygyProber) -> None:
    with SyzygyProber() as mine:
        assert mine.wdl_after_zeroing(at(BISHOP_AND_KNIGHT)) is WIN
    assert mine.wdl_after_zeroing(at(BISHOP_AND_KNIGHT)) is WIN
    assert mine.counts.wdl == 2
    mine.close()
    assert isinstance(prober, Prober)
    assert prober.name == "Syzygy tables"
    assert prober.folders == (bundled_folder(),)


# --- errors ------------------------------------------------------------------------------------


def test_castling_rights(prober: SyzygyProber) -> None:
    board = chess.Board("4k3/8/8/8/8/8/8/R3K3 w Q - 0 1")
    assert not prober.covers(board)
    assert prober.outcome_or_none(board) is None
    with pytest.raises(CastlingRights) as info:
        prober.outcome(board)
    assert info.value.fen == board.fen()
    assert str(info.value) == f"tables hold no position with castling rights: {board.fen()}"
    board.castling_rights = chess.BB_EMPTY
    assert prober.outcome(board).low is WIN


@pytest.mark.parametrize(
    ("fen", "reason"),
    [
        ("8/8/8/8/8/8/3Q4/K2k4 w - - 0 1", "the side that is not on the move is in check"),
        ("8/8/8/8/8/8/3Q4/K7 w - - 0 1", "Black has no king"),
        ("8/8/8/8/8/8/3q4/k7 w - - 0 1", "White has no king"),
        ("K6P/8/8/8/8/8/8/k7 w - - 0 1", "a pawn stands on the first or last rank"),
        ("4k3/8/8/8/8/8/8/1R2K3 w Q - 0 1", "castling rights without king and rook in place"),
        ("4k3/8/8/8/8/8/8/4K3 w - e6 0 1", "the en passant square fits no double step"),
        ("8/8/8/8/8/8/8/8 w - - 0 1", "the board is empty"),
    ],
)
def test_illegal_positions(prober: SyzygyProber, fen: str, reason: str) -> None:
    board = chess.Board(fen)
    assert not prober.covers(board)
    with pytest.raises(IllegalPosition, match=r"^illegal position") as info:
        prober.wdl_after_zeroing(board)
    assert any(reason in text for text in info.value.reasons)
    assert reason in str(info.value)
    assert "\n" not in str(info.value)


def test_variants_are_refused(prober: SyzygyProber) -> None:
    board = chess.variant.AtomicBoard("8/8/8/4k3/8/8/3KP3/8 w - - 0 1")
    with pytest.raises(IllegalPosition, match="variant atomic"):
        prober.outcome(board)


def test_too_many_men(prober: SyzygyProber) -> None:
    board = chess.Board("4k3/pppp4/8/8/8/8/PP6/4K3 w - - 0 1")
    with pytest.raises(TooManyMen) as info:
        prober.outcome(board)
    assert (info.value.men, info.value.limit) == (8, 7)
    assert str(info.value) == "KPPPPvKPP has 8 men; tables go up to 7"
    assert not prober.covers(board)


def test_class_without_a_table(prober: SyzygyProber) -> None:
    board = chess.Board("8/2n5/8/8/8/k7/P7/R3K3 w - - 0 1")
    assert not prober.covers(board)
    with pytest.raises(MissingTable) as info:
        prober.outcome(board)
    error = info.value
    assert (error.material, error.metric, error.needed_for) == ("KRPvKN", "wdl", None)
    assert error.searched == (bundled_folder(),)
    assert str(error) == (
        f"no WDL table for KRPvKN (searched: {bundled_folder()}; the largest class there has 4 men)"
    )


def test_no_table_at_all(tmp_path: Path) -> None:
    with SyzygyProber([tmp_path], bundled=False) as prober:
        with pytest.raises(MissingTable) as info:
            prober.outcome(at(BISHOP_AND_KNIGHT))
        assert str(info.value) == (
            f"no WDL table for KBNvK (searched: {tmp_path}; no table at all there)"
        )
        # Bare kings need no table.
        assert prober.covers(at("8/8/8/4k3/8/8/8/4K3 w - - 0 1"))
        assert prober.outcome(at("8/8/8/4k3/8/8/8/4K3 w - - 0 1", 30)).low is DRAW


def test_missing_distance(folder_with: MakeFolder) -> None:
    folder = folder_with("KBNvK.rtbw", "KBvK.rtbw", "KNvK.rtbw")
    with SyzygyProber([folder], bundled=False) as prober:
        assert prober.covers(at(BISHOP_AND_KNIGHT, 50))
        assert prober.outcome(at(BISHOP_AND_KNIGHT)).low is WIN
        assert prober.outcome(at("2N5/Bk6/8/8/8/1K6/8/8 w - - 0 1", 30)).word == "draw"
        with pytest.raises(MissingTable) as info:
            prober.outcome(at(BISHOP_AND_KNIGHT, 50))
        assert str(info.value) == f"no DTZ table for KBNvK (searched: {folder})"
        assert (info.value.material, info.value.metric) == ("KBNvK", "dtz")
        assert prober.outcome_or_none(at(BISHOP_AND_KNIGHT, 50)) is None


def test_missing_smaller_class_is_named(folder_with: MakeFolder) -> None:
    folder = folder_with("KQvKR.rtbw", "KQvKR.rtbz", "KQvK.rtbz")
    with SyzygyProber([folder], bundled=False) as prober:
        assert prober.covers(at(QUEEN_FAR_FROM_ROOK))
        assert prober.outcome(at(QUEEN_FAR_FROM_ROOK)).low is WIN
        assert not prober.covers(at(QUEEN_TAKES_ROOK))
        with pytest.raises(MissingTable) as info:
            prober.outcome(at(QUEEN_TAKES_ROOK))
        error = info.value
        assert (error.material, error.metric, error.needed_for) == ("KQvK", "wdl", "KQvKR")
        assert str(error) == f"no WDL table for KQvK, needed for KQvKR (searched: {folder})"


def test_no_such_folder(tmp_path: Path) -> None:
    file = tmp_path / "a file"
    file.write_text("")
    for path in (tmp_path / "nowhere", file):
        with pytest.raises(NoSuchFolder) as info:
            open_tables([path])
        assert info.value.path == path
        assert str(info.value) == f"no such folder: {path}"


def truncated(path: Path) -> Path:
    path.write_bytes(path.read_bytes()[:-40])
    return path


def test_truncated_file(folder_with: MakeFolder) -> None:
    folder = folder_with("KBvK.rtbw", "KNvK.rtbw", "KBNvK.rtbw")
    path = truncated(folder / "KBNvK.rtbw")
    with SyzygyProber([folder], bundled=False) as prober:
        for _ in range(2):  # the second time from memory
            with pytest.raises(DamagedTable) as info:
                prober.outcome(at(BISHOP_AND_KNIGHT))
            assert info.value.path == path
            assert str(info.value).startswith(f"{path}: cut short or changed")
        assert prober.outcome_or_none(at(BISHOP_AND_KNIGHT)) is None
        assert not prober.covers(at(BISHOP_AND_KNIGHT))
        # The other tables of the folder still answer.
        assert prober.outcome(at("8/8/8/4k3/8/8/8/4KB2 w - - 0 1")).low is DRAW
        assert [result.path for result in prober.problems] == [path]


def test_file_cut_to_a_plausible_size(folder_with: MakeFolder) -> None:
    """Only decoding shows it: the error still names the file."""
    folder = folder_with("KBvK.rtbw", "KNvK.rtbw", "KBNvK.rtbw")
    path = folder / "KBNvK.rtbw"
    path.write_bytes(path.read_bytes()[: 64 * 10 + 16])
    rng = random.Random("cut")
    boards = [random_position(rng, "KBNvK", chess.WHITE) for _ in range(200)]
    with SyzygyProber([folder], bundled=False) as prober, pytest.raises(DamagedTable) as info:
        set(map(prober.outcome, boards))
    assert info.value.path == path
    assert "cannot be decoded" in str(info.value)
    assert info.value.__cause__ is not None


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (lambda: b"\0" * 7632, "not a Syzygy table (wrong magic number)"),
        (lambda: (bundled_folder() / "KBNvK.rtbz").read_bytes(), "holds a DTZ table"),
        (lambda: (bundled_folder() / "KRNvK.rtbw").read_bytes(), "holds KRNvK, not KBNvK"),
    ],
)
def test_foreign_file(folder_with: MakeFolder, content: Callable[[], bytes], reason: str) -> None:
    folder = folder_with("KBvK.rtbw", "KNvK.rtbw", "KBNvK.rtbw")
    path = folder / "KBNvK.rtbw"
    path.write_bytes(content())
    with SyzygyProber([folder], bundled=False) as prober:
        with pytest.raises(ForeignFile) as info:
            prober.wdl_after_zeroing(at(BISHOP_AND_KNIGHT))
        assert info.value.path == path
        assert reason in str(info.value)


def test_damaged_distance_table(folder_with: MakeFolder) -> None:
    folder = folder_with("KBvK.rtbw", "KNvK.rtbw", "KBNvK.rtbw", "KBNvK.rtbz")
    path = truncated(folder / "KBNvK.rtbz")
    with SyzygyProber([folder], bundled=False) as prober:
        assert prober.outcome(at(BISHOP_AND_KNIGHT)).low is WIN
        with pytest.raises(DamagedTable) as info:
            prober.outcome(at(BISHOP_AND_KNIGHT, 50))
        assert info.value.path == path


def test_a_table_is_asked_once_about_a_position(monkeypatch: pytest.MonkeyPatch) -> None:
    """As long as the answers fit into memory; with and without memory they are the same."""
    boards = [at(BISHOP_AND_KNIGHT)]
    for move in boards[0].legal_moves:
        boards.append(boards[0].copy(stack=False))
        boards[-1].push(move)
    # Whoever is to move wins, in 3 plies or in 13 (the built-in tables).
    boards += [at(f"7Q/8/q3k1K1/8/8/8/8/8 {turn} - - 0 1") for turn in "wb"]
    asked: list[str] = []
    real = chess.syzygy.Tablebase.probe_dtz_table

    def watched(self: Tables, board: chess.Board, wdl: int) -> tuple[int, int]:
        asked.append(f"{board.board_fen()} {board.turn} {wdl}")
        return real(self, board, wdl)

    monkeypatch.setattr(chess.syzygy.Tablebase, "probe_dtz_table", watched)
    told = []
    for most in (50_000, 3, 0):
        monkeypatch.setattr("tablebases._syzygy._MOST_ANSWERS", most)
        asked.clear()
        with SyzygyProber() as prober:
            told.append([prober.distance(board) for board in boards])
            if most > len(set(asked)):
                assert len(asked) == len(set(asked)) > 1
            else:
                assert len(asked) > len(set(asked))
            assert len(prober._open()._answers) <= max(most, 1)
    assert told[0] == told[1] == told[2]
    assert [distance.plies for distance in told[0][-2:]] == [3, 13]


def test_bad_file_does_not_hide_a_sound_one(folder_with: MakeFolder) -> None:
    names = ("KBNvK.rtbw", "KBNvK.rtbz", "KBvK.rtbw", "KNvK.rtbw")
    folder, sound = folder_with(*names), folder_with(*names, called="sound")
    bad = truncated(folder / "KBNvK.rtbw")
    foreign = folder / "KBNvK.rtbz"
    foreign.write_bytes(b"GIF89a" + bytes(90))
    with SyzygyProber([folder, sound], bundled=False) as prober:
        assert prober.folders == (folder, sound)
        assert prober.problems == ()
        assert prober.covers(at(BISHOP_AND_KNIGHT))
        answer = prober.outcome(at(BISHOP_AND_KNIGHT, 36))
        assert answer == Answer(CURSED, CURSED, Distance(65))
        assert {problem.path for problem in prober.problems} == {bad, foreign}
        assert not any(problem.ok for problem in prober.problems)
        assert prober.covers(at(BISHOP_AND_KNIGHT))
        prober.close()
        assert {problem.path for problem in prober.problems} == {bad, foreign}


def test_built_in_classes_are_never_read_from_files_of_the_user(
    folder_with: MakeFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = folder_with("KRvK.rtbw")
    (folder / "KRvK.rtbz").write_bytes(b"anything")
    opened: list[str] = []
    add_file = Tables.add_file

    def recording(self: Tables, path: str, **options: bool) -> int:
        opened.append(path)
        return add_file(self, path, **options)

    monkeypatch.setattr(Tables, "add_file", recording)
    with open_tables([folder]) as prober:
        assert prober.folders == (bundled_folder(), folder)
        assert prober.files[-2].path == folder / "KRvK.rtbw"
        assert opened == []  # nothing is opened before the first question
        assert prober.outcome(at("8/8/8/8/8/2k5/1R6/K7 w - - 0 1", 69)).low is WIN
        assert prober.problems == ()
    assert opened == [str(bundled_folder() / name) for name in ("KRvK.rtbw", "KRvK.rtbz")]


def test_nonsense_distance_is_damage(
    folder_with: MakeFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A distance that contradicts the outcome sets its file aside; the next one answers."""
    folder = folder_with("KRvK.rtbz")
    sound = folder_with("KRvK.rtbw", "KRvK.rtbz", called="sound")
    real = Tables.probe_dtz

    def nonsense(self: Tables, board: chess.Board) -> int:
        dtz = real(self, board)
        table = self.dtz[chess.syzygy.calc_key(board)]
        return -dtz if table.path.startswith(str(folder)) else dtz

    monkeypatch.setattr(Tables, "probe_dtz", nonsense)
    board = at("8/8/8/8/8/2k5/1R6/K7 w - - 0 1", 69)
    with SyzygyProber([folder, sound], bundled=False) as prober:
        assert prober.outcome(board).distance == Distance(31)
        assert [problem.path for problem in prober.problems] == [folder / "KRvK.rtbz"]
        assert "contradicts the outcome (win)" in str(prober.problems[0].problem)
    with SyzygyProber([folder, folder_with("KRvK.rtbw", called="other")], bundled=False) as prober:
        with pytest.raises(DamagedTable, match="contradicts the outcome") as info:
            prober.outcome(board)
        assert info.value.path == folder / "KRvK.rtbz"


ERRORS = [
    MissingTable("KQvK", "wdl", (Path("a"), Path("b")), "KQvKR", 4),
    MissingTable("KQvK", "dtz", ()),
    TooManyMen("KQQQvKQQQ", 8, 7),
    CastlingRights(chess.STARTING_FEN),
    IllegalPosition(("no king", "no queen")),
    DamagedTable(Path("KQvK.rtbw"), "empty file"),
    ForeignFile(Path("KQvK.rtbw"), "holds KRvK, not KQvK"),
    NoSuchFolder(Path("nowhere")),
]


@pytest.mark.parametrize("error", ERRORS, ids=lambda error: type(error).__name__)
def test_errors_are_one_line_and_travel_between_processes(error: TablebaseError) -> None:
    assert isinstance(error, TablebaseError)
    assert str(error)
    assert "\n" not in str(error)
    copy = pickle.loads(pickle.dumps(error))
    assert type(copy) is type(error)
    assert vars(copy) == vars(error)
    assert str(copy) == str(error)


def test_the_tree_of_errors_is_the_one_drawn() -> None:
    import tablebases.errors as errors

    drawn = set(re.findall(r"── (\w+)", errors.__doc__ or ""))
    assert drawn == set(errors.__all__) - {"TablebaseError"}


# --- several probers ---------------------------------------------------------------------------


def test_chain_asks_the_first_that_covers(folder_with: MakeFolder) -> None:
    rook = folder_with("KRvK.rtbw", "KRvK.rtbz", called="rook")
    with SyzygyProber([rook], bundled=False) as first, SyzygyProber() as second:
        chain = ChainProber([first, second])
        assert isinstance(chain, Prober)
        assert chain.name == "Syzygy tables, Syzygy tables"
        assert chain.outcome(at("8/8/8/8/8/2k5/1R6/K7 w - - 0 1", 69)).distance == Distance(31)
        assert (first.counts, second.counts) == (ProbeCounts(1, 1), ProbeCounts(0, 0))
        assert chain.distance(at(BISHOP_AND_KNIGHT)) == Distance(65)
        assert first.counts == ProbeCounts(1, 1)
        assert chain.covers(at(BISHOP_AND_KNIGHT))
        five_men = chess.Board("8/2n5/8/8/8/k7/P7/R3K3 w - - 0 1")
        assert not chain.covers(five_men)
        assert chain.outcome_or_none(five_men) is None
        with pytest.raises(MissingTable, match=f"KRPvKN \\(searched: {rook}"):
            chain.wdl_after_zeroing(five_men)


def test_chain_goes_on_when_a_prober_fails(folder_with: MakeFolder) -> None:
    folder = folder_with("KBNvK.rtbw", "KBvK.rtbw", "KNvK.rtbw")
    with SyzygyProber([folder], bundled=False) as outcomes_only, SyzygyProber() as whole:
        chain = ChainProber([outcomes_only, whole])
        assert chain.outcome(at(BISHOP_AND_KNIGHT, 36)).low is CURSED
        assert outcomes_only.counts.wdl == whole.counts.wdl == 1
        with pytest.raises(MissingTable, match="no DTZ table for KBNvK"):
            ChainProber([outcomes_only]).outcome(at(BISHOP_AND_KNIGHT, 36))


def test_empty_chain() -> None:
    chain = ChainProber([])
    assert chain.name == "no tables"
    assert not chain.covers(at(BISHOP_AND_KNIGHT))
    with pytest.raises(MissingTable, match=r"no WDL table for KBNvK \(searched: no folder\)"):
        chain.outcome(at(BISHOP_AND_KNIGHT))


# --- python-chess's private flags --------------------------------------------------------------


@pytest.mark.parametrize(
    ("fen", "held"),
    [
        ("8/8/8/8/8/2k5/1R6/K7 w - - 0 1", True),  # KRvK: White to move is held
        ("8/8/8/8/8/2K5/1r6/k7 b - - 0 1", True),
        ("8/8/8/8/8/8/1Rk5/K7 b - - 0 1", False),
        ("8/8/8/3P4/4K3/8/8/k7 w - - 0 1", True),  # KPvK, one set of flags a file
        ("8/8/8/3P4/4K3/8/8/k7 b - - 0 1", False),
        ("1k6/1q6/2K5/Q7/8/8/8/8 w - - 0 1", True),  # KQvKQ: one side stands for both
    ],
)
def test_flags_for_plies(fen: str, held: bool) -> None:
    """No bundled table stores plies; the flags are set by hand to see which one is read."""
    board = chess.Board(fen)
    tables = Tables(find_tables(), [bundled_folder()])
    wdl = Outcome(tables.probe_wdl(board))
    assert not ply_accurate(tables, board, WIN)  # not loaded yet
    tables.probe_dtz_table(board, wdl)
    table = tables.dtz[chess.syzygy.calc_key(board)]
    assert isinstance(table, chess.syzygy.DtzTable)
    original = table.flags
    for bit, name in ((4, WIN), (8, LOSS)):
        if isinstance(original, list):
            # The d-file is the last of the four.
            table.flags = [*original[:3], original[3] | bit]
        else:
            table.flags = original | bit
        for asked in (WIN, LOSS):
            stored = asked if held else asked.opposite
            assert ply_accurate(tables, board, asked) == (stored is name)
    assert not ply_accurate(tables, board, CURSED)
    table.flags = original
    assert not ply_accurate(tables, board, WIN)
    tables.close()


def test_no_bundled_table_stores_plies() -> None:
    tables = Tables(find_tables(), [bundled_folder()])
    rng = random.Random("flags")
    for name in all_names(4):
        board = random_position(rng, name, chess.WHITE)
        tables.probe_dtz_table(board, WIN)
        flags = tables.dtz[name].flags  # type: ignore[attr-defined]
        for each in flags if isinstance(flags, list) else [flags]:
            assert not each & (4 | 8)
    tables.close()
