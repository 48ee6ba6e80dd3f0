"""Whole classes from the solver against the Syzygy tables and an independent retrograde analysis.

No figure is written down here: every expected value comes from the built-in Syzygy tables, from
``solver_reference`` or from the solver itself asked in another way. Published totals are in
test_solver_published.py.
"""

from __future__ import annotations

import functools
import itertools
import random
from collections import Counter
from collections.abc import Iterable, Iterator
from typing import Any

import chess
import numpy as np
import pytest
from chess import KING
from numpy.typing import NDArray
from solver_reference import ILLEGAL, Retrograde, fits_rounding, retrograde
from solver_strategies import mirror_files
from table_support import pieces_of, placed, random_position

from tablebases import Outcome, SyzygyProber
from tablebases.solver import Budget, Progress, Store, classes
from tablebases.solver.classes import (
    ClassSolution,
    TooLarge,
    Unfinished,
    canonical,
    class_keys,
    solve_class,
    stored,
)
from tablebases.solver.geometry import IMAGE, SLOT, TO_TRIANGLE
from tablebases.solver.results import Distances
from tablebases.solver.run import Kept
from tablebases.solver.sets import mirrored

Squares = NDArray[np.int64]

THREE = ("KQvK", "KRvK", "KBvK", "KNvK", "KPvK")
FOUR = (
    *("KQvKQ", "KQvKR", "KQvKN", "KQvKP", "KRvKR", "KRvKB", "KRvKN", "KRvKP", "KBvKN", "KBvKP"),
    *("KNvKN", "KNvKP", "KPvKP", "KQPvK", "KRPvK", "KBPvK", "KNPvK", "KPPvK", "KBNvK", "KNNvK"),
)
QUICK_PAWNLESS = (("KR", "KN"),)
PAWNLESS = (
    *(("KQ", "KQ"), ("KQ", "KR"), ("KQ", "KN"), ("KR", "KR"), ("KR", "KB")),
    *(("KB", "KN"), ("KNN", "K"), ("KBB", "K"), ("KBN", "K")),
)


@functools.lru_cache(maxsize=4)
def solved(name: str) -> ClassSolution:
    return solve_class(name)


def differences(
    solution: ClassSolution,
    prober: SyzygyProber,
    boards: Iterable[chess.Board],
    *,
    distances: int = 1,
) -> list[str]:
    """Positions whose outcome or distance is not that of the tables; empty if all agree.

    Args:
        distances: the tables are asked for the distance of one in so many, which takes them much
            longer than the outcome.
    """
    wrong = []
    for number, board in enumerate(boards):
        low, high = solution.interval(board)
        distance = solution.distance(board)
        assert distance is not None, board.fen()
        assert not distance.rounded
        table = prober.wdl_after_zeroing(board)
        plies = prober.table_dtz(board) if number % distances == 0 else None
        agree = low == high == table and (distance.plies > 0) == (low > 0)
        if not agree or (plies is not None and not fits_rounding(distance.plies, plies)):
            wrong.append(f"{board.fen()}: {low!r} {distance.plies}, tables {table!r} {plies}")
    return wrong


def all_positions(name: str) -> Iterator[tuple[chess.Board, tuple[Any, ...]]]:
    """Every legal position of a class on the whole board, both sides to move.

    Yields:
        The board, and a name that it shares with its mirror images.
    """
    pieces = pieces_of(name)
    images = [IMAGE[g].tolist() for g in range(2 if "P" in name else 8)]
    for squares in itertools.permutations(range(64), len(pieces)):
        least = min(tuple([image[s] for s in squares]) for image in images)
        for turn in chess.COLORS:
            board = placed(pieces, list(squares), turn)
            if board.is_valid():
                yield board, (turn, *least)


def some_positions(name: str, number: int) -> Iterator[chess.Board]:
    rng = random.Random(f"{name} {number}")
    for _ in range(number):
        board = random_position(rng, name, rng.random() < 0.5)
        yield board.mirror() if rng.random() < 0.5 else board


def en_passant_positions(rng: random.Random, most: int) -> Iterator[chess.Board]:
    """King and pawn each with an en passant capture possible: all 28 structures.

    Args:
        most: positions of each structure; all of them if there are no more.
    """
    for file, beside, mover in itertools.product(range(8), range(8), chess.COLORS):
        if abs(file - beside) != 1:
            continue
        rank, passed = (3, 2) if mover else (4, 5)
        pawns = {
            chess.square(file, rank): chess.Piece(chess.PAWN, mover),
            chess.square(beside, rank): chess.Piece(chess.PAWN, not mover),
        }
        home = chess.square(file, 1 if mover else 6)
        kings = list(itertools.permutations(set(range(64)) - set(pawns) - {home}, 2))
        rng.shuffle(kings)
        found = 0
        for white, black in kings:
            board = chess.Board(None)
            board.set_piece_map(
                {
                    **pawns,
                    white: chess.Piece(KING, chess.WHITE),
                    black: chess.Piece(KING, chess.BLACK),
                }
            )
            board.turn = not mover
            board.ep_square = chess.square(file, passed)
            if board.is_valid() and board.has_legal_en_passant():
                yield board
                found += 1
                if found == most:
                    break


# --- against the tables ------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("name", ["KPvK", "KRvK"])
def test_a_sample_of_three_men_is_as_in_the_tables(name: str, prober: SyzygyProber) -> None:
    assert differences(solved(name), prober, some_positions(name, 10_000), distances=8) == []


@pytest.mark.long
@pytest.mark.parametrize("name", THREE)
def test_every_position_of_three_men_is_as_in_the_tables(name: str, prober: SyzygyProber) -> None:
    solution = solved(name)
    found: Counter[tuple[chess.Color, Outcome]] = Counter()
    # The tables are asked once for all mirror images; the solver for every eleventh image too.
    known: dict[tuple[Any, ...], tuple[Outcome, int]] = {}
    wrong = []
    for number, (board, least) in enumerate(all_positions(name)):
        new = least not in known
        if new:
            known[least] = prober.wdl_after_zeroing(board), prober.table_dtz(board)
        outcome, plies = known[least]
        found[board.turn, outcome] += 1
        if not new and number % 11:
            continue
        distance = solution.distance(board)
        if solution.interval(board) != (outcome, outcome) or not (
            distance and fits_rounding(distance.plies, plies)
        ):
            wrong.append(board.fen())
    assert wrong == []
    for turn in chess.COLORS:
        expected = {outcome: found[turn, outcome] for outcome in Outcome}
        assert solution.counts(turn) == expected
    assert solution.positions == found.total()


#: The others take as long again each.
FIRST = ("KBNvK", "KPvKP", "KQvKR", "KRvKB", "KRvKP")


@pytest.mark.parametrize(
    "name",
    [pytest.param(name, marks=[] if name in FIRST else [pytest.mark.slow]) for name in FOUR],
)
def test_a_sample_of_four_men_is_as_in_the_tables(name: str, prober: SyzygyProber) -> None:
    assert differences(solved(name), prober, some_positions(name, 3_000), distances=8) == []


@pytest.mark.long
@pytest.mark.parametrize("name", FOUR)
def test_many_positions_of_four_men_are_as_in_the_tables(name: str, prober: SyzygyProber) -> None:
    assert differences(solved(name), prober, some_positions(name, 12_000), distances=8) == []


def test_en_passant_is_as_in_the_tables(prober: SyzygyProber) -> None:
    boards = list(en_passant_positions(random.Random(1), 60))
    assert len({(board.pieces_mask(chess.PAWN, True), board.pawns) for board in boards}) == 28
    assert differences(solved("KPvKP"), prober, boards, distances=4) == []


@pytest.mark.parametrize(
    "most",
    [pytest.param(1_000, marks=pytest.mark.slow), pytest.param(10_000, marks=pytest.mark.long)],
)
def test_every_en_passant_is_as_in_the_tables(most: int, prober: SyzygyProber) -> None:
    boards = en_passant_positions(random.Random(1), most)
    assert differences(solved("KPvKP"), prober, boards) == []


# --- against an independent retrograde analysis --------------------------------------------------


@pytest.mark.parametrize(
    ("white", "black"),
    [*QUICK_PAWNLESS, *(pytest.param(*men, marks=pytest.mark.slow) for men in PAWNLESS)],
)
def test_every_position_is_as_in_the_retrograde_analysis(white: str, black: str) -> None:
    reference = retrograde(white, black, fold=True)
    solution = solve_class(f"{white}v{black}")
    for turn in chess.COLORS:
        expected = reference.dtz[0 if turn else 1].reshape(-1)
        legal = expected != ILLEGAL
        found = signed_plies(solution, reference, turn)
        assert np.array_equal(found[legal], expected[legal])
        counts = solution.counts(turn)
        assert counts[Outcome.WIN] == reference.count_wins(turn)
        assert counts[Outcome.DRAW] == reference.count_draws(turn)
        assert counts[Outcome.LOSS] == reference.count_losses(turn)
        assert counts[Outcome.CURSED_WIN] == counts[Outcome.BLESSED_LOSS] == 0
    assert solution.longest()[0] == reference.longest_win(chess.WHITE)


def signed_plies(
    solution: ClassSolution, reference: Retrograde, turn: chess.Color
) -> NDArray[np.int64]:
    """DTZ for the side to move at every place of a folded table, from the distance arrays."""
    letters = reference.white[1:] + reference.black[1:].lower()
    shape = (16, *[64] * (len(letters) + 1))
    places: list[Squares] = [axis.reshape(-1) for axis in np.indices(shape)]
    places[0] = places[0] // 4 * 8 + places[0] % 4
    ((_, own, own_plies),) = solution.slices(turn)
    ((_, other, other_plies),) = solution.slices(not turn)
    wins = gather(own, own_plies.white, framed(letters, places, turn))
    losses = gather(other, other_plies.black, framed(letters, places, not turn))
    lost = losses != other_plies.none
    assert not (lost & (wins > 0)).any()
    # A mate, 0 plies to come, stands in the tables as -1.
    return np.where(lost, -np.maximum(losses, 1), wins)


def framed(
    letters: str, places: list[Squares], colour: chess.Color
) -> tuple[list[Squares], Squares, Squares]:
    """Squares of the pieces in the solver's order, white king, black king, ``colour`` as White."""
    men = []
    for letter, squares in zip(letters, places[2:], strict=True):
        side = letter.isupper() != colour
        code = 2 * "nbrq".index(letter.lower()) + side
        men.append((code, squares))
    men.sort(key=lambda man: man[0])
    flip = 0 if colour else 56
    kings = places[:2] if colour else places[1::-1]
    return [squares ^ flip for _, squares in men], kings[0] ^ flip, kings[1] ^ flip


def gather(
    kept: Kept, plies: NDArray[Any], men: tuple[list[Squares], Squares, Squares]
) -> NDArray[np.int64]:
    squares, wk, bk = men
    if kept.symmetric:
        g = TO_TRIANGLE[squares[0]]
        squares, wk, bk = [IMAGE[g, s] for s in squares], IMAGE[g, wk], IMAGE[g, bk]
    block = SLOT[squares[0]] if kept.symmetric else squares[0]
    for more in squares[1:]:
        block = block * 64 + more
    found: NDArray[np.int64] = plies[block, bk, wk].astype(np.int64)
    return found


# --- totals ------------------------------------------------------------------------------------


def test_mutual_zugzwangs_are_counted_like_one_by_one() -> None:
    for name in ("KPvK", "KRvKN"):
        solution = solved(name)
        assert solution.mutual_zugzwangs() == len(zugzwangs(solution)) > 0


def zugzwangs(solution: ClassSolution) -> set[tuple[Any, ...]]:
    """Mutual zugzwangs, the least of each set of mirror images, by the arrays and plain Python."""
    images = range(2) if "P" in solution.name else range(8)
    found = set()
    for _, kept, plies in solution.slices(chess.WHITE):
        where = (plies.white == 0) & (plies.black != plies.none)
        for block, bk, wk in np.argwhere(where):
            board = classes._board(kept, int(block), int(bk), int(wk))
            replies = [board.is_valid()]
            board.turn = chess.BLACK
            replies.append(board.is_valid())
            if all(replies):
                men = board.piece_map().items()
                found.add(
                    min(
                        tuple(sorted((int(IMAGE[g, s]), piece.symbol()) for s, piece in men))
                        for g in images
                    )
                )
    return found


def test_the_longest_win_is_a_longest_win(prober: SyzygyProber) -> None:
    for name in ("KPvK", "KRvKN", "KBNvK"):
        plies, fen = solved(name).longest()
        board = chess.Board(fen)
        assert board.is_valid()
        assert board.turn == chess.WHITE
        assert fits_rounding(plies, prober.table_dtz(board))
        assert all(
            distance.plies <= plies
            for b in some_positions(name, 300)
            if (distance := solved(name).distance(b)) is not None
        )


def test_no_win_has_no_longest() -> None:
    assert solved("KNvK").longest() == (0, "")


# --- what it covers -----------------------------------------------------------------------------


def test_one_of_two_mirror_images_is_kept() -> None:
    own, after = class_keys("KRPvKP", chess.WHITE)
    assert all(canonical(key) == key for key in (*own, *after))
    # 48 squares for a pawn, 47 for the other; no structure of one pawn each is its own image.
    assert len(own) == 48 * 47 // 2
    # What takes en passant then stands on the file of the double step: four files, two colours.
    assert len(after) == 8
    assert all(mirrored(key) != key for key in own)


def test_colours_and_sides_do_not_matter() -> None:
    solution, other = solved("KNPvK"), solve_class("KvKPN")
    for board in some_positions("KNPvK", 50):
        assert solution.covers(board)
        for twin in (board.mirror(), mirror_files(board)):
            assert solution.interval(twin) == solution.interval(board)
            assert solution.distance(twin) == solution.distance(board)
            assert other.distance(twin) == solution.distance(board)
    assert other.counts(chess.BLACK) == solution.counts(chess.WHITE)


def test_other_material_is_not_covered() -> None:
    solution = solved("KPvK")
    for fen in ("8/8/8/8/4k3/8/8/QK6 w - - 0 1", "8/8/8/4kp2/8/8/4P3/4K3 w - - 0 1"):
        assert not solution.covers(chess.Board(fen))
        assert solution.answer(chess.Board(fen)) is None


def test_moves_out_of_the_class_are_judged_if_asked_for() -> None:
    queening = chess.Board("8/4P1k1/8/8/8/8/8/4K3 w - - 0 1")
    assert solved("KPvK").best_moves(queening) == []
    wide = solve_class("KPvK", around=True)
    assert wide.best_moves(queening)[0].uci() in ("e7e8q", "e7e8r")
    line = wide.line(queening)
    assert line[0].promotion is not None


# --- budget, store, interruption -----------------------------------------------------------------


def test_groups_give_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(classes, "_MOST_ROOTS", 20)
    grouped = solve_class("KPvKP")
    for turn in chess.COLORS:
        assert grouped.counts(turn) == solved("KPvKP").counts(turn)


def test_less_memory_makes_more_groups() -> None:
    whole = solved("KPPvK").cost.peak_bytes
    small = Budget(memory=whole - 1, seconds=600.0)
    parted = solve_class("KPPvK", small)
    assert parted.cost.peak_bytes < whole
    assert parted.counts(chess.WHITE) == solved("KPPvK").counts(chess.WHITE)


def test_too_large_is_told_before_any_work() -> None:
    told: list[Progress] = []
    words = r"KRPvKN would take at least \d+\.\d\d GB of memory"
    with pytest.raises(TooLarge, match=words) as caught:
        solve_class("KRPvKN", Budget(memory=50 * 2**20), progress=told.append)
    assert caught.value.needed is not None
    assert caught.value.needed > caught.value.allowed == 50 * 2**20
    assert told == []
    for name in ("KQQQQvKQ", "KQRRvKQ", "KRBPvKN"):
        with pytest.raises(TooLarge, match=name):
            solve_class(name)


@pytest.mark.parametrize("name", ["", "K", "KRv", "KRvk", "KXvK"])
def test_bad_names(name: str) -> None:
    with pytest.raises(ValueError, match="not a material name"):
        solve_class(name)


def test_out_of_time() -> None:
    with pytest.raises(Unfinished, match="KRPvK was not finished"):
        solve_class("KRPvK", Budget(seconds=0.0))


def test_what_was_kept_is_not_solved_again(tmp_path: Any) -> None:
    store = Store(tmp_path)
    first = solve_class("KPvK", store=store)
    assert first.cost.slices > 0
    second = solve_class("KPvK", store=store)
    assert second.cost.slices == 0
    assert second.cost.from_store == 48
    assert second.counts(chess.WHITE) == first.counts(chess.WHITE)
    size, complete = stored("KPvK", store)
    assert complete
    assert size == store.size()
    assert solve_class("KPvK", store=store, fresh=True).cost.slices > 0


def test_an_interruption_leaves_what_is_complete(
    tmp_path: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(classes, "_MOST_ROOTS", 20)
    store = Store(tmp_path)

    def stop(progress: Progress) -> None:
        if store.keys():
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        solve_class("KPvKP", store=store, progress=stop)
    left = store.keys()
    assert left
    size, complete = stored("KPvKP", store)
    assert size > 0
    assert not complete


def test_progress_is_told() -> None:
    told: list[Progress] = []
    solve_class("KPvKP", progress=told.append)
    assert {progress.question for progress in told} == {"White wins", "Black wins"}
    assert all(0 <= p.share <= 1 and 0 <= p.done <= p.slices for p in told)
    assert isinstance(next(iter(solved("KPvKP").slices(chess.WHITE)))[2], Distances)


def test_bulk_intervals_are_those_one_by_one() -> None:
    boards = [*some_positions("KPvKP", 300), *en_passant_positions(random.Random(2), 2)]
    solution = solved("KPvKP")
    assert solution.intervals(boards) == [solution.interval(board) for board in boards]
