"""Whole material classes of the solver against published and independently computed totals.

Figures, sources and the way positions are counted are in tests/data/endings.json (three and four
men) and tests/data/solver/totals.json (five men, exact numbers). Where the solver's figure is
another one, tests/data/solver/disagreements.json says so.

The sources leave the fifty-move rule out, so a cursed win counts as a win and a blessed loss as a
loss throughout. What is compared:

* *positions* and *shares*: legal placements of the whole board by outcome for the side to move.
* *longest win*: with White, the first side of the name, to move. The solver counts plies to the
  next capture or pawn move or to mate (DTZ). Distances to mate (DTM) are the same only where
  nothing but mate ends the win; elsewhere they are an upper bound, since the next capture or pawn
  move of a shortest mate comes no later than the mate. Distances to conversion (DTC: a capture,
  promotion or mate) are the same in classes without pawns.
* *mutual zugzwangs*: placements, mirror images once, in which Black to move loses and White to
  move does not win: White to move draws (half a point) or loses too (the whole point). Both sides
  may be on the move, so neither king stands in check. The definition is that of J. Beasley,
  Chess: positions of reciprocal zugzwang with not more than six men (2010, rev. 2015). Mirror
  images: left and right in a class with pawns; the eight of the board in one without.
"""

from __future__ import annotations

import functools
from collections import Counter
from collections.abc import Iterator
from typing import Any, TypeAlias

import chess
import pytest
from table_support import load, pieces_of, placed

from tablebases import Outcome
from tablebases.solver import Solution, solve_class

Fact: TypeAlias = dict[str, Any]

QUICK = ("KQvK", "KRvK", "KBvK", "KNvK", "KPvK", "KNNvK", "KBNvK", "KRvKN", "KRvKB")
TOTALS: list[Fact] = load("solver/totals.json")["facts"]
FINDINGS: dict[str, Any] = load("solver/disagreements.json")["totals"]
COLOURS = {"white": chess.WHITE, "black": chess.BLACK}
RESULTS = {
    "win": (Outcome.WIN, Outcome.CURSED_WIN),
    "draw": (Outcome.DRAW,),
    "loss": (Outcome.LOSS, Outcome.BLESSED_LOSS),
}

# The loser has a bare king and every capture draws; nobody has a pawn (test_endings_published.py).
ONLY_MATE_WINS = ("KQvK", "KRvK", "KBBvK", "KBNvK", "KNNvK")


def facts_of(ending: dict[str, Any]) -> Iterator[Fact]:
    """The figures of one class of endings.json in the form of totals.json."""
    name, figures = ending["material"], ending["computed"]
    run = "quick" if name in QUICK else "slow"

    def fact(what: str, value: Any, unit: str, to_move: str | None = None, **more: Any) -> Fact:
        key = "-".join(filter(None, (name, what.replace(" ", "-"), to_move)))
        base = {"id": key, "material": name, "what": what, "to_move": to_move, "value": value}
        return base | {"unit": unit, "comparable": "equal", "run": run} | more

    for side, keys in (
        ("white", ("wtm_win_pct", "wtm_draw_pct", "wtm_loss_pct")),
        ("black", ("btm_black_win_pct", "btm_draw_pct", "btm_black_loss_pct")),
    ):
        value = {word: figures[key] for word, key in zip(RESULTS, keys, strict=True)}
        yield fact("shares", value, "percent", side)
    zugzwangs = figures["mutual_zugzwangs"]
    number = zugzwangs["white_to_move_draws_black_to_move_loses"] + zugzwangs["whoever_moves_loses"]
    yield fact("mutual zugzwangs", number, "placements, mirror images once")
    if "max_dtc_moves" in figures:
        yield fact("longest win, DTC", figures["max_dtc_moves"], "moves", "white")
    if plies := figures["max_dtm_white_win_plies_wtm"]:
        only_mate = name in ONLY_MATE_WINS
        comparable = "equal" if only_mate else "upper bound"
        yield fact("longest win, DTM", plies, "plies", "white", comparable=comparable)
        for example in figures["longest_examples"]:
            what = f"example {example['fen']}"
            yield fact(what, example["plies"], "plies", comparable=comparable)


def in_order() -> list[Fact]:
    """All figures that can be compared, the quick classes first, each class in one go."""
    facts = [fact for ending in load("endings.json")["endings"] for fact in facts_of(ending)]
    facts += [fact for fact in TOTALS if fact["comparable"] != "no"]
    return sorted(facts, key=lambda fact: (fact["run"], len(fact["material"]), fact["material"]))


FACTS = in_order()
FIVE_MEN_BY_CI = ("KRPvKN", "KRPvKR")


def marks(fact: Fact) -> list[pytest.MarkDecorator]:
    """Slow classes, and those that take tens of minutes all together."""
    if fact["run"] != "slow":
        return []
    by_ci = len(fact["material"]) <= 5 or fact["material"] in FIVE_MEN_BY_CI
    return [pytest.mark.slow if by_ci else pytest.mark.long]


@functools.lru_cache(maxsize=1)
def solved(name: str) -> Solution:
    """The class; only the last one is kept, for the sake of memory."""
    return solve_class(name)


def measure(fact: Fact) -> Any:
    """The solver's figure for a fact, in the form of its value."""
    ending, what = solved(fact["material"]), fact["what"]
    if what in ("shares", "positions"):
        counts = ending.counts(COLOURS[fact["to_move"]])
        numbers = {
            word: sum(counts.get(outcome, 0) for outcome in outcomes)
            for word, outcomes in RESULTS.items()
        }
        if what == "positions":
            return numbers
        total = sum(numbers.values())
        return {word: round(100 * number / total, 2) for word, number in numbers.items()}
    if what == "mutual zugzwangs":
        return ending.mutual_zugzwangs()
    if what.startswith("longest win"):
        plies, fen = ending.longest()
        board = chess.Board(fen)
        assert board.is_valid()
        assert board.turn == chess.WHITE
        assert plies_of(ending, board) == plies > 0
        return (plies + 1) // 2 if fact["unit"] == "moves" else plies
    if what.startswith("example "):
        return abs(plies_of(ending, chess.Board(what.removeprefix("example "))))
    assert what == "distances to mate"
    return moves_to_mate(ending, fact["material"])


def plies_of(ending: Solution, board: chess.Board) -> int:
    distance = ending.distance(board)
    assert distance is not None
    assert not distance.rounded
    return distance.plies


def moves_to_mate(ending: Solution, name: str) -> dict[str, int]:
    """Positions by White's moves to mate, Black to move, in a class in which only mate wins."""
    counts: Counter[str] = Counter()
    for board in unmirrored(name):
        plies = plies_of(ending, board)
        assert plies <= 0
        mated = board.is_checkmate()
        assert plies == -1 if mated else plies % 2 == 0
        counts["draw" if plies == 0 else "0" if mated else str(-plies // 2)] += 1
    return dict(counts)


def unmirrored(name: str) -> Iterator[chess.Board]:
    """Placements of two kings and a piece with Black to move, one of each eight mirror images.

    The white king stands in the triangle a1-d1-d4; the first man that is not on the long
    diagonal is below it.
    """
    pieces = pieces_of(name)
    for king in range(64):
        if not chess.square_rank(king) <= chess.square_file(king) <= 3:
            continue
        for other_king in range(64):
            if chess.square_distance(king, other_king) < 2:
                continue
            for piece in range(64):
                below = [
                    chess.square_file(square) - chess.square_rank(square)
                    for square in (king, other_king, piece)
                ]
                if piece in (king, other_king) or next(filter(None, below), 0) < 0:
                    continue
                yield placed(pieces, [king, piece, other_king], chess.BLACK)


def agrees(fact: Fact, found: Any) -> bool:
    """Does the solver's figure agree with the fact, as far as the two can be compared?"""
    if fact["comparable"] == "upper bound":
        return bool(found <= fact["value"])
    if fact["what"] == "shares":
        # A hundredth of a percent more where the source left some promotions out.
        room = 0.001 + fact.get("within", 0.0)
        return all(abs(found[word] - value) <= room for word, value in fact["value"].items())
    return bool(found == fact["value"])


def test_each_total_has_a_source_and_a_reason() -> None:
    ids = [fact["id"] for fact in FACTS]
    assert len(set(ids)) == len(ids)
    assert set(FINDINGS) <= set(ids)
    for fact in TOTALS:
        assert fact["source"]
        assert fact["verified"]
        assert fact["comparable"] in ("equal", "upper bound", "no")
        assert fact["comparable"] == "equal" or fact["why"]


def test_positions_of_king_and_rook_are_as_many_as_published() -> None:
    assert sum(1 for _ in unmirrored("KRvK")) == 28_056


@pytest.mark.parametrize(
    "fact",
    [pytest.param(fact, marks=marks(fact)) for fact in FACTS],
    ids=lambda fact: str(fact["id"]),
)
def test_totals(fact: Fact) -> None:
    found = measure(fact)
    if fact["id"] in FINDINGS:
        assert found == FINDINGS[fact["id"]]["found"]
        assert not agrees(fact, found), "no longer a disagreement"
    else:
        assert agrees(fact, found), found
