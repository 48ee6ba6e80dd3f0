"""Handbook positions of five men and more, and trades into other endings, put to the solver.

Positions, claims and sources: tests/data/solver/handbook.json and tests/data/transitions.json. A
claim is its author's word. Where the solver settles a position, it agrees with the claim or
tests/data/solver/disagreements.json says what it found; where it only bounds it, the claim lies
between the bounds. Moves that the author gives keep the outcome, moves that he rejects do not.

The halfmove clock is taken as 0 throughout: the authors did not count moves.

Run as a script, the module solves all positions one by one and prints what came of each::

    python tests/tablebases/test_solver_handbook.py [--seconds 60] [ID ...]
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import chess
import pytest
from table_support import WORDS, load

from tablebases import Outcome
from tablebases.solver import Budget, Solution, solve

QUICK, SLOW = Budget(seconds=30.0), Budget(seconds=15.0)
MOST_MEN = 14
"""Trades with more men than this are left out: the solver has nothing to say on them."""

FINDINGS: dict[str, Any] = load("solver/disagreements.json")
FOUND = {outcome.word: outcome for outcome in Outcome}


@dataclass(frozen=True)
class Item:
    """A position with what its source claims.

    Attributes:
        key: id of the position; "+" after it: the position after the moves of a trade.
        claim: outcome for the side to move, or None if there is only the result of a game.
        result: how the game ended, for the side to move; None without a game.
        keeping: moves that keep the outcome, by the source.
        failing: moves that do not.
        exact: the solver is expected to settle it.
        quick: part of the quick run.
    """

    key: str
    board: chess.Board
    claim: Outcome | None
    result: Outcome | None = None
    keeping: tuple[str, ...] = ()
    failing: tuple[str, ...] = ()
    exact: bool = False
    quick: bool = False

    @property
    def men(self) -> int:
        return chess.popcount(self.board.occupied)


def handbook() -> Iterator[Item]:
    for position in load("solver/handbook.json")["positions"]:
        yield Item(
            key=position["id"],
            board=chess.Board(position["fen"]),
            claim=WORDS[position["claim"]],
            keeping=tuple(position["key_moves"]),
            failing=tuple(position["failing_moves"]),
            exact=position["reach"] == "exact",
            quick=position["run"] == "quick",
        )


def trades() -> Iterator[Item]:
    """The position before each trade and, if there are moves, the one after it."""
    for trade in load("transitions.json")["transitions"]:
        fens = {trade["id"]: trade["fen"], f"{trade['id']}+": trade["fen_after"]}
        if not trade["moves"]:
            del fens[f"{trade['id']}+"]
        for key, fen in fens.items():
            board = chess.Board(fen)
            side = "white" if board.turn else "black"
            claim = trade["claim"]
            outcome = WORDS["draw" if claim == "draw" else "win" if claim == side else "loss"]
            book = trade["status"] == "book"
            item = Item(
                key=key,
                board=board,
                claim=outcome if book else None,
                result=None if book else outcome,
                exact=within_reach(board),
            )
            if item.men <= MOST_MEN:
                yield item


def within_reach(board: chess.Board) -> bool:
    """What the solver is expected to settle in well under a minute: at most five men."""
    return chess.popcount(board.occupied) <= 5


ITEMS = [*handbook(), *trades()]
CLAIMED = [item for item in ITEMS if item.claim is not None]


def for_mover(solution: Solution, board: chess.Board, san: str) -> tuple[Outcome, Outcome]:
    """Lowest and highest outcome of a move for the side that plays it."""
    after = board.copy(stack=False)
    after.push_san(san)
    low, high = solution.interval(after)
    return high.opposite, low.opposite


def complaints(item: Item, solution: Solution) -> Iterator[str]:
    """What in the solver's answer speaks against the source or against what we expected."""
    low, high = solution.interval(item.board)
    finding = FINDINGS["handbook"].get(item.key)
    if finding:
        if not low == high == FOUND[finding["found"]] or low == item.claim:
            yield f"{low.word} to {high.word}, the finding says {finding['found']}"
    elif item.claim is not None and not low <= item.claim <= high:
        yield f"{low.word} to {high.word}, claimed {item.claim.word}"
    if item.exact and low != high:
        yield f"not settled: {low.word} to {high.word}"
    if low == high and not finding:
        yield from about_moves(item, solution, low)


def about_moves(item: Item, solution: Solution, outcome: Outcome) -> Iterator[str]:
    """The same of single moves; the outcome of the position is settled."""
    findings = FINDINGS["moves"].get(item.key, {})
    for san in (*item.keeping, *item.failing):
        low, high = for_mover(solution, item.board, san)
        told = f"{san}: {low.word} to {high.word}"
        keeps = san in item.keeping
        fits = low <= outcome <= high if keeps else low < outcome
        if san in findings:
            if fits or not low == high == FOUND[findings[san]["found"]]:
                yield f"{told}, the finding says {findings[san]['found']}"
        elif not fits:
            yield f"{told}, should {'keep' if keeps else 'spoil'} the {outcome.word}"


def test_the_data_is_in_order() -> None:
    positions = load("solver/handbook.json")["positions"]
    assert len({item.key for item in ITEMS}) == len(ITEMS)
    assert all(position["source"] for position in positions)
    for position in positions:
        assert chess.Board(position["fen"]).is_valid()
        assert len(chess.Board(position["fen"]).piece_map()) == position["men"]
    for item in ITEMS:
        assert {*item.keeping, *item.failing} <= {
            item.board.san(move) for move in item.board.legal_moves
        }
    keys = {item.key: item for item in CLAIMED}
    assert {*FINDINGS["handbook"], *FINDINGS["moves"]} <= set(keys)
    for key, moves in FINDINGS["moves"].items():
        assert set(moves) <= {*keys[key].keeping, *keys[key].failing}


def _marks(number: int, item: Item) -> list[pytest.MarkDecorator]:
    """Seconds each by default, a sixth of those that take the time limit by CI, all on demand."""
    if item.quick:
        return []
    return [pytest.mark.slow if number % 6 == 0 else pytest.mark.long]


@pytest.mark.parametrize(
    "item",
    [pytest.param(item, marks=_marks(number, item)) for number, item in enumerate(CLAIMED)],
    ids=lambda item: str(item.key),
)
def test_claims(item: Item) -> None:
    solution = solve(item.board, QUICK if item.quick else SLOW)
    assert not list(complaints(item, solution))


def survey(seconds: float = 60.0, only: Sequence[str] = ()) -> Iterator[str]:
    """One line for each position: what the solver finds, in how long, and what the source says.

    Args:
        seconds: wall time for each position.
        only: ids to look at; all if there are none.
    """
    yield f"{'id':9} men  {'found':24} {'source':14} {'seconds':>7} {'slices':>8}  remarks"
    for item in ITEMS:
        if only and item.key not in only:
            continue
        start = time.perf_counter()
        solution = solve(item.board, Budget(seconds=seconds))
        taken = time.perf_counter() - start
        low, high = solution.interval(item.board)
        found = low.word if low == high else f"{low.word} to {high.word}"
        distance = solution.distance(item.board)
        if distance is not None:
            found += f" (DTZ {distance.plies})"
        said = item.claim or item.result or Outcome.DRAW
        source = f"{said.word} ({'book' if item.claim is not None else 'game'})"
        remarks = list(complaints(item, solution))
        if item.claim is None and not low <= said <= high:
            remarks.append("not the result of the game")
        yield (
            f"{item.key:9} {item.men:3}  {found:24} {source:14} {taken:7.1f} "
            f"{solution.cost.slices:8}  {'; '.join(remarks)}"
        ).rstrip()


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Put the handbook positions to the solver.")
    parser.add_argument("ids", nargs="*", help="ids of positions; all if there are none")
    parser.add_argument("--seconds", type=float, default=60.0, help="for each position")
    options = parser.parse_args()
    for line in survey(options.seconds, options.ids):
        print(line, flush=True)  # noqa: T201
