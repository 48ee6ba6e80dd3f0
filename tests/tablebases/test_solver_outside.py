"""The solver against the positions of python-chess's own test suite.

tests/data/endgame.epd has 200 positions with up to four men, outcome (WDL) and DTZ, as the Syzygy
tables hold them; tests/data/solver/endgame_dm_5.epd has 27 with five men and distances to mate,
which were not computed from those tables. The positions of one material are solved in one go.
"""

from __future__ import annotations

from collections import defaultdict
from typing import Any, TypeAlias

import chess
import pytest
from table_support import DATA

from tablebases import SyzygyProber
from tablebases.material import material_name
from tablebases.solver import Budget, Solution, solve

Record: TypeAlias = tuple[chess.Board, dict[str, Any]]

# Counted in plan: what is settled does not depend on how busy the machine is.
# Five men are settled whatever it takes, as at the default effort.
BUDGET = LONG_BUDGET = Budget(seconds=100.0, settled=5)


def by_material(name: str) -> dict[str, list[Record]]:
    """The records of an EPD file, by material with White first."""
    groups: defaultdict[str, list[Record]] = defaultdict(list)
    for line in (DATA / name).read_text(encoding="ascii").splitlines():
        if line and not line.startswith("#"):
            board, operations = chess.Board.from_epd(line)
            groups[material_name(board)].append((board, operations))
    return dict(sorted(groups.items(), key=lambda item: (item[0].count("P"), item[0])))


WITH_DTZ = by_material("endgame.epd")
WITH_MATE = by_material("solver/endgame_dm_5.epd")


def solved(records: list[Record], budget: Budget) -> Solution:
    first, *others = (board for board, _ in records)
    solution = solve(first, budget, also=others)
    assert all(solution.covers(board) for board, _ in records)
    return solution


def fits(plies: int, table: int) -> bool:
    """Does an exact DTZ fit a value of the tables, which may be one ply too small?

    Tables that store moves round down: "a return value -n can mean a losing zeroing move in
    n + 1 plies and a return value +n can mean a winning zeroing move in n + 1 plies"
    (python-chess, ``chess.syzygy.Tablebase.probe_dtz``). The sign is never in doubt.
    """
    if table == 0 or plies == 0:
        return plies == table
    return plies * table > 0 and abs(plies) - abs(table) in (0, 1)


def test_the_suites_are_whole() -> None:
    assert sum(map(len, WITH_DTZ.values())) == 200
    assert sum(map(len, WITH_MATE.values())) == 27
    boards = [board for group in (*WITH_DTZ.values(), *WITH_MATE.values()) for board, _ in group]
    assert all(board.is_valid() for board in boards)
    assert any(board.has_legal_en_passant() for board in boards)


@pytest.mark.parametrize(
    ("plies", "table", "expected"),
    [
        *((5, 5, True), (6, 5, True), (7, 5, False), (4, 5, False), (-5, 5, False)),
        *((-6, -5, True), (-4, -5, False), (0, 0, True), (1, 0, False), (0, -1, False)),
    ],
)
def test_rounding_takes_one_ply_off_at_most(plies: int, table: int, expected: bool) -> None:
    assert fits(plies, table) is expected


@pytest.mark.parametrize("name", WITH_DTZ)
def test_outcome_and_distance(name: str, prober: SyzygyProber) -> None:
    """The same WDL, and a DTZ that the table's value, rounded or not, allows."""
    solution = solved(WITH_DTZ[name], BUDGET)
    for board, operations in WITH_DTZ[name]:
        answer, distance = solution.answer(board), solution.distance(board)
        assert answer is not None
        assert answer.exact, board.fen()
        assert answer.low == operations["wdl"], board.fen()
        assert distance is not None
        assert not distance.rounded
        assert fits(distance.plies, operations["dtz"]), (board.fen(), distance)
        # The project's own reading of the tables often settles the rounding.
        table = prober.distance(board)
        assert table.least <= distance.least <= table.most, (board.fen(), distance, table)


@pytest.mark.parametrize(
    "name",
    [
        # With pawns the endings after promotion are solved as well: minutes each.
        pytest.param(name, marks=pytest.mark.long if "P" in name else pytest.mark.slow)
        for name in WITH_MATE
    ],
)
def test_mates_with_five_men(name: str) -> None:
    """Who mates wins, and the first capture or pawn move comes no later than the mate."""
    solution = solved(WITH_MATE[name], LONG_BUDGET)
    for board, operations in WITH_MATE[name]:
        moves = operations["dm"]
        answer, distance = solution.answer(board), solution.distance(board)
        assert answer is not None
        assert answer.exact, board.fen()
        outcome = answer.low
        assert (outcome > 0, outcome < 0) == (moves > 0, moves < 0), board.fen()
        if distance is None:  # settled by bounds
            continue
        assert outcome * distance.plies >= 0
        mate = 2 * moves - 1 if moves > 0 else -2 * moves
        assert distance.least <= mate, (board.fen(), distance)
        # A win or loss in more than a hundred plies is one that the fifty-move rule undoes.
        assert (distance.least > 100) == (abs(outcome) == 1), board.fen()
