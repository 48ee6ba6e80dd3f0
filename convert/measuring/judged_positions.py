"""Draws the positions on which judgement is measured, from games and from EPD files.

Every draw hangs on hashes of the game's moves and the ply alone: neither the order of the games nor
the number of processes changes it.  A *group* has its own draw:

* ``natural``: of a game at most so many positions of 8 to 32 men, one in so many plies;
* ``exchange up``, ``pawn ending``: the first position, of 8 and more men, of the first such ending
  of the game that lasted (:func:`convert.measuring.practice.stretches`, kinds as in
  :mod:`convert.board.kinds`);
* ``few men``: of a game one position of five to seven men that the solver may be asked about
  (:func:`convert.measuring.draw.in_scope`); its outcome is not the game's result.
"""

from __future__ import annotations

import gzip
import heapq
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import chess

from convert.board.kinds import closer_kind, kind_of
from convert.measuring.draw import bare, in_scope, rank_of
from convert.measuring.rated_games import (
    POINTS,
    SEED,
    Filter,
    RatedGame,
    each_part,
    held_out,
    in_text,
)
from convert.reading.fen import SourceError
from convert.review.practice import stretches
from convert.review.walker import walk

NATURAL, EXCHANGE_UP, PAWN_ENDING, FEW_MEN = (
    "natural",
    "exchange up",
    "pawn ending",
    "few men",
)
GROUPS = (NATURAL, EXCHANGE_UP, PAWN_ENDING, FEW_MEN)
#: Least men of a position whose outcome is the game's result.
LEAST_MEN = 8
#: Least men of a position whose outcome is exact; fewer lie in the tables that every judge has.
FEWEST = 5


@dataclass(frozen=True)
class Position:
    """A position that is judged, with its outcome for White: 1, 0, -1.

    ``outcome`` is the game's result, or exact in the group of few men.  ``white`` and ``black`` are
    ratings, 0 if unknown.
    """

    fen: str
    game: str
    outcome: int
    men: int
    kind: str
    ply: int
    white: int
    black: int

    @property
    def held_out(self) -> bool:
        """Is it of a game that nothing is fitted to?"""
        return held_out(self.game)


@dataclass(frozen=True)
class DrawWanted:
    """How much is drawn: positions a group of the held-out part, and of the part that is fitted.

    ``most`` positions of a game in the natural group, one in ``every`` plies, none before ply
    ``first``: openings are played by heart; ``walks``: complete held-out games.
    """

    held_out: int = 4000
    fitted: int = 4000
    most: int = 4
    every: int = 20
    first: int = 16
    walks: int = 0


@dataclass(frozen=True)
class Drawn:
    """What one game gives to a group of one part; the least ranks are taken."""

    rank: int
    game: str
    positions: tuple[Position, ...]


@dataclass(frozen=True)
class GameLine:
    """A complete game, to see how judgement changes from move to move (UCI)."""

    rank: int
    game: str
    fen: str
    moves: tuple[str, ...]


@dataclass
class Draw:
    """All that was drawn, by group and part (True: held out); counts of accepted games."""

    groups: dict[tuple[str, bool], list[Drawn]]
    lines: list[GameLine]
    games: int
    labels: dict[str, str]

    def positions(self, group: str, part: bool) -> list[Position]:
        """The positions of a group in one part, least rank of the game first."""
        return [p for drawn in self.groups.get((group, part), []) for p in drawn.positions]


# --- of one game ----------------------------------------------------------------------------


def of_game(game: RatedGame, wanted: DrawWanted) -> Iterator[tuple[str, Drawn]]:
    """What a game gives to each group."""
    counts = walk(game.start, game.moves).counts
    men = [sum(count) + 2 for count in counts]
    last = len(game.moves)
    plies: dict[str, list[int]] = {NATURAL: _natural(game, men, wanted)}
    kinds = [
        kind if men[ply] >= LEAST_MEN and kind in (EXCHANGE_UP, PAWN_ENDING) else None
        for ply, kind in enumerate(map(closer_kind, counts))
    ]
    for begin, _ in stretches(kinds):
        kind = kinds[begin]
        if kind is not None and begin < last:
            plies.setdefault(kind, [begin])
    few = [ply for ply in range(last) if FEWEST <= men[ply] < LEAST_MEN]
    few.sort(key=lambda ply: rank_of(SEED, FEW_MEN, game.name, ply))
    plies[FEW_MEN] = few[:1]
    every = {ply for numbers in plies.values() for ply in numbers}
    boards = {ply: board.copy(stack=False) for ply, board in game.positions() if ply in every}
    for group, numbers in plies.items():
        there = [(ply, boards[ply]) for ply in sorted(numbers)]
        if group == FEW_MEN:
            there = [(ply, bare(board)) for ply, board in there if in_scope(board)]
        positions = tuple(
            Position(
                board.fen(),
                game.name,
                game.result,
                board.occupied.bit_count(),
                kind_of(board),
                ply,
                game.white,
                game.black,
            )
            for ply, board in there
            if any(board.generate_legal_moves())
        )
        if positions:
            yield group, Drawn(rank_of(SEED, group, game.name), game.name, positions)


def _natural(game: RatedGame, men: Sequence[int], wanted: DrawWanted) -> list[int]:
    """Plies of the natural group: every ply after the opening is as likely as any other."""
    plies = [ply for ply in range(wanted.first, len(game.moves)) if men[ply] >= LEAST_MEN]
    number = min(wanted.most, -(-len(plies) // wanted.every))
    return heapq.nsmallest(number, plies, lambda ply: rank_of(SEED, NATURAL, game.name, ply))


# --- of many --------------------------------------------------------------------------------


def of_text(text: bytes, which: Filter, wanted: DrawWanted) -> Draw:
    """What the games of a piece of PGN text give, as much as may be wanted of it."""
    draw = Draw({}, [], 0, {})
    for game in in_text(text, which):
        draw.games += 1
        part = game.held_out
        if game.label:
            draw.labels[game.label] = game.name
        for group, drawn in of_game(game, wanted):
            draw.groups.setdefault((group, part), []).append(drawn)
        if part and wanted.walks:
            moves = tuple(move.uci() for move in game.moves)
            rank = rank_of(SEED, "walk", game.name)
            draw.lines.append(GameLine(rank, game.name, game.start.fen(), moves))
    _thin(draw, wanted)
    return draw


def _thin(draw: Draw, wanted: DrawWanted) -> None:
    """Leave what can still be wanted: the least ranks, each game once."""
    for (group, part), drawns in draw.groups.items():
        once = sorted({one.game: one for one in drawns}.values(), key=_order)
        most = wanted.held_out if part else wanted.fitted
        results, number = [], 0
        for one in once:
            if number >= most:
                break
            results.append(one)
            number += len(one.positions)
        draw.groups[group, part] = results
    lines = sorted({line.game: line for line in draw.lines}.values(), key=_order)
    draw.lines = lines[: wanted.walks]


def _order(one: Drawn | GameLine) -> tuple[int, str]:
    return one.rank, one.game


def draw_from(
    paths: Iterable[str],
    which: Filter,
    wanted: DrawWanted,
    jobs: int = 1,
    tell: Callable[[int], None] | None = None,
) -> Draw:
    """Draw from the games of PGN files; ``tell`` is told the number of games accepted.

    Raises:
        SourceError: a file cannot be read.
    """
    whole = Draw({}, [], 0, {})
    for more in each_part(paths, partial(of_text, which=which, wanted=wanted), jobs):
        for key, drawns in more.groups.items():
            whole.groups.setdefault(key, []).extend(drawns)
        whole.lines += more.lines
        whole.games += more.games
        whole.labels.update(more.labels)
        _thin(whole, wanted)
        if tell is not None:
            tell(whole.games)
    return whole


# --- EPD ------------------------------------------------------------------------------------


def read_epd(path: str, labels: Mapping[str, str], *, known: bool = False) -> Iterator[Position]:
    """Positions of an EPD file with an operation ``result``, and ``id`` "GAME.PLY".

    A game that was accepted in the PGN files under the same GameId keeps its name there, and with
    it its part; any other is called by a hash of its id, or of the position where there is none.

    Args:
        labels: names of accepted games by GameId.
        known: leave out games that are not among them.

    Raises:
        SourceError: the file cannot be read, or a line is no position.
    """
    name = Path(path).name
    try:
        with (gzip.open if path.endswith(".gz") else open)(path, "rt", encoding="utf-8") as file:
            lines = file.read().splitlines()
    except (OSError, EOFError, UnicodeDecodeError) as error:
        raise SourceError(name, f"cannot be read: {error}") from error
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        board = chess.Board()
        try:
            table = board.set_epd(line)
        except ValueError as error:
            raise SourceError(name, f"line {number}: {error}") from error
        label, _, ply = str(table.get("id", "")).partition(".")
        result = POINTS.get(str(table.get("result", "")))
        if result is None or not board.is_valid() or not any(board.generate_legal_moves()):
            continue
        if known and label not in labels:
            continue
        game = labels.get(label) or f"{rank_of(SEED, 'EPD', label or board.epd()):016x}"
        yield Position(
            board.fen(),
            game,
            result,
            board.occupied.bit_count(),
            kind_of(board),
            int(ply) if ply.isdecimal() else 0,
            0,
            0,
        )


def with_outcomes(positions: Iterable[Position], known: Mapping[str, int | None]) -> list[Position]:
    """Positions with their exact outcomes, those left out of which none is known.

    Args:
        known: values for the side to move by FEN, clock nought (:mod:`convert.measuring.settle`).
    """
    out = []
    for position in positions:
        value = known.get(position.fen)
        if value is not None:
            white = value if position.fen.split()[1] == "w" else -value
            out.append(replace(position, outcome=white))
    return out
