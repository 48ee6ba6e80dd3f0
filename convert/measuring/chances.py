"""Fits how a score is told as chances, on games that are not held out; writes ``chances.json``.

    python -m convert.measuring.chances GAMES.pgn.gz... -o chances.json [--fit 6000]

Positions are drawn as ``convert.measuring.judgement`` draws its own: any of a game, and half as
many of each other group (the first of an exchange-up phase and of a pawn ending, one of five to
seven men), with the results of their games.  Each is searched three times: with 20,000 positions
looked at, with 1,000, and not at all.  So the numbers for the depth learn how much a look ahead is
worth.  The model is that of :mod:`convert.measuring.chances_fit`, with what people add fitted and
left out; the share of scores beyond all estimates that came true is counted.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import chess
import numpy as np
from numpy.typing import NDArray

from convert.judging.search.chances import SURE
from convert.measuring import chances_fit
from convert.measuring.chances_fit import People, Seen, kinds_as_numbers
from convert.measuring.forecasts import Floats, Ints, game_weights
from convert.measuring.judged_positions import (
    EXCHANGE_UP,
    FEW_MEN,
    NATURAL,
    PAWN_ENDING,
    Draw,
    DrawWanted,
    Position,
    draw_from,
)
from convert.measuring.practice import progress
from convert.measuring.rated_games import Filter
from convert.reading.fen import SourceError
from convert.rim.outputs import Output, OutputError, check, whole_file
from convert.rim.safe_text import safe_line

#: Positions looked at, and what a position searched so counts in the fit.
EFFORTS: Final = ((20_000, 1.0), (1_000, 0.25), (0, 0.25))
#: Least plies of the games' positions, and positions of a game at most, one in so many plies.
FIRST, MOST, EVERY = 16, 2, 20
#: Groups, and how much of each is taken.
SHARES: Final = ((NATURAL, 1.0), (EXCHANGE_UP, 0.5), (PAWN_ENDING, 0.5), (FEW_MEN, 0.5))
#: In the file, and not of people: what the reader knows.
_LEFT_OUT: Final = ("people", "weaker", "higher", "to move")


@dataclass(frozen=True)
class Searched:
    """Positions as one effort sees them.

    Attributes:
        seen: scores in pawns for White, and the rest.
        sure: the score is beyond all estimates.
        outcomes: results, 1, 0, -1 for White.
        people: who played.
        weights: of the positions.
    """

    seen: Seen
    sure: NDArray[np.bool_]
    outcomes: Ints
    people: People
    weights: Floats


#: Scores for the side to move, and plies completed, for boards and a number of positions.
Look = Callable[[Sequence[chess.Board], int], list[tuple[int, int]]]


def look(boards: Sequence[chess.Board], count: int) -> list[tuple[int, int]]:
    """With the compiled search; 0: the evaluation alone."""
    from convert.judging.search.front import Search

    search = Search()
    if not count:
        return [(search.evaluation(board), 0) for board in boards]
    return [(one.score, one.depth) for one in search.many(boards, count, mates=False)]


def searched(positions: Sequence[Position], count: int, weigh: float, looked: Look) -> Searched:
    """Positions with results, searched."""
    boards = [chess.Board(position.fen) for position in positions]
    scores = np.array(looked(boards, count), dtype=np.int64).reshape(-1, 2)
    turn = np.array([1 if board.turn else -1 for board in boards], dtype=np.int64)

    def column(name: str) -> Ints:
        return np.array([getattr(position, name) for position in positions], dtype=np.int64)

    seen = Seen(
        scores[:, 0] * turn / 100, column("men"),
        kinds_as_numbers([position.kind for position in positions]), turn, scores[:, 1],
    )  # fmt: skip
    people = People(column("white"), column("black"), np.zeros(len(boards), dtype=np.int64))
    weights = weigh * len(boards) * game_weights([position.game for position in positions])
    return Searched(seen, np.abs(scores[:, 0]) > SURE, column("outcome"), people, weights)


def joined(parts: Sequence[Searched]) -> Searched:
    """All of them."""

    def all_of(columns: Sequence[Any]) -> Any:
        return np.concatenate(columns)

    seen = Seen(*(all_of([getattr(part.seen, name) for part in parts])
                  for name in ("score", "men", "kind", "turn", "depth")))  # fmt: skip
    people = People(*(all_of([getattr(part.people, name) for part in parts])
                      for name in ("white", "black", "exact")))  # fmt: skip
    return Searched(
        seen, all_of([part.sure for part in parts]), all_of([part.outcomes for part in parts]),
        people, all_of([part.weights for part in parts]),
    )  # fmt: skip


def fitted(data: Searched, made: dict[str, Any]) -> dict[str, Any]:
    """What ``chances.json`` says."""
    sure = data.sure
    model = chances_fit.fit(
        data.seen.only(~sure), data.outcomes[~sure], data.people.only(~sure),
        data.weights[~sure], to_move=False,
    )  # fmt: skip
    ahead = (data.outcomes * np.sign(data.seen.score))[sure]
    # One more of each (Laplace's rule), so that no share is 0 or 1.
    shares = [(float((ahead == outcome).sum()) + 1) / (len(ahead) + 3) for outcome in (1, 0, -1)]
    return {
        "schema": 1,
        "numbers": {name: value for name, value in model.numbers.items()
                    if not name.startswith(_LEFT_OUT)},
        "surely": [round(share, 4) for share in shares],
        "made": {**made, **model.made, "beyond all estimates": len(ahead),
                 "people": {name: value for name, value in model.numbers.items()
                            if name.startswith(_LEFT_OUT)}},
    }  # fmt: skip


def parts_of(draw: Draw, most: int, looked: Look) -> list[Searched]:
    """Each group with each effort."""
    parts = []
    for group, share in SHARES:
        positions = draw.positions(group, False)[: round(share * most)]
        for count, weigh in EFFORTS:
            progress(f"{group}, {len(positions):,} positions: {count:,} looked at")
            if positions:
                parts.append(searched(positions, count, weigh, looked))
    return parts


def main(arguments: list[str] | None = None) -> int:
    """Draw, search, fit, write; returns the exit code."""
    parser = argparse.ArgumentParser(
        "python -m convert.measuring.chances",
        description="Fits how scores of the search are told as chances.",
    )
    parser.add_argument("games", nargs="+", help="PGN files (.gz, .zst)")
    parser.add_argument("-o", "--output", type=Path, required=True, help="chances.json")
    parser.add_argument(
        "--fit", type=int, default=6000, help="positions at most; half as many of each other group"
    )
    parser.add_argument("--rating", type=int, default=2000, help="both players have at least this")
    parser.add_argument("--jobs", type=int, default=1, help="processes that read")
    options = parser.parse_args(arguments)
    try:
        check([Output("--output", str(options.output))], options.games)
        wanted = DrawWanted(0, options.fit, MOST, EVERY, FIRST)
        draw = draw_from(options.games, Filter(options.rating, False), wanted, options.jobs)
    except (SourceError, OutputError) as error:
        sys.stderr.write(f"{safe_line(str(error))}\n")
        return 2
    parts = parts_of(draw, options.fit, look)
    if not parts:
        sys.stderr.write("no position to fit to\n")
        return 2
    made = {"rating": options.rating, "positions looked at": [count for count, _ in EFFORTS]}
    with whole_file(str(options.output)) as file:
        file.write(json.dumps(fitted(joined(parts), made), indent=1, sort_keys=True) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
