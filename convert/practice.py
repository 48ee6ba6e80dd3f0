"""What became of endings like this one in games: counts, looked up by material.

The counts (``practice.json``, made by ``python -m convert.measuring.practice``) say what happened
in games between people.  They are no probabilities of what best play gives, and nothing here is
ever mixed into a verdict.  docs/measuring.md says which games and which material are counted.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

import chess

from convert.balance import Census, balance, census, force, men, pieces, side_counts
from convert.model import Practice, PracticeRow, Side

#: The counts, made by the command above.
FILE = Path(__file__).parent / "practice.json"
#: Nothing is shown of fewer games.
LEAST = 20
#: All games that come down to so many men are among those counted.
MOST_MEN = 7
#: Up to so many pawns in all each side's number is told apart, beyond it only the difference.
FEW_PAWNS = 5
#: Bands of the mean of both players' ratings; the last holds games without both ratings.
BANDS = ("under 1400", "1400 to 1799", "1800 to 2199", "2200 and more", "unknown")
#: Where one band ends and the next begins.
EDGES = (1400, 1800, 2200)
_UNKNOWN = len(BANDS) - 1


@dataclass(frozen=True)
class Kind:
    """Material under which games are counted together.

    ``first`` is the side that ``words`` name first, the one with more (`convert.balance`); None
    where both have the same, man for man.  Positions with colours changed have the same ``key``.
    """

    key: str
    words: str
    first: chess.Color | None


def exchange_up(count: Census) -> chess.Color | None:
    """The side that has a rook where the other has a bishop or knight, in an ending.

    No queens, a rook and at most one more piece against as many, pawns within two of each other,
    at least one of them.
    """
    for color in chess.COLORS:
        p, n, b, r, q = side_counts(count, color)
        their_p, their_n, their_b, their_r, their_q = side_counts(count, not color)
        if (
            not q + their_q
            and n + b + r == their_n + their_b + their_r <= 2
            and r == their_r + 1
            and abs(p - their_p) <= 2
            and p + their_p
        ):
            return color
    return None


def counted(count: Census) -> bool:
    """True for material of which every game is among those counted.

    The games were not drawn at random: an edge that was not won brought a game in.  Counts of
    material are true only where all games with it are in, won or not: at most seven men, pawn
    endings, and the exchange up with at most two pieces a side.  Dead positions are left out.
    """
    pawns = count[0] + count[5]
    if men(count) <= MOST_MEN:
        knights, bishops = count[1] + count[6], count[2] + count[7]
        others = pawns + count[3] + count[4] + count[8] + count[9]
        return others > 0 or knights + bishops > 1
    no_pieces = not pieces(count, chess.WHITE) and not pieces(count, chess.BLACK)
    return no_pieces or exchange_up(count) is not None


def only_bishops(count: Census) -> bool:
    """A bishop each and no other piece: their squares' colours decide much."""
    return count[1:5] == count[6:10] == (0, 1, 0, 0)


@lru_cache(maxsize=1 << 14)
def kind_of(count: Census, opposite: bool | None = None) -> Kind | None:
    """Under what the material is counted; None where it is not.

    Args:
        opposite: for a bishop each and no other piece, whether they are of opposite colours; left
            out, the key does not tell it, and no game is counted under such a key.
    """
    if not counted(count):
        return None
    first = balance(count).ahead
    one = chess.WHITE if first is None else first
    mine, theirs = side_counts(count, one), side_counts(count, not one)
    exact = mine[0] + theirs[0] <= FEW_PAWNS
    if exact:
        key = f"{_letters(mine)}v{_letters(theirs)}"
        words = _exact_words(count, first)
    else:
        few = mine[0] + theirs[0] <= 8
        more = mine[0] - theirs[0]
        pawns = "6-8" if few else "9+"
        key = f"{_letters((0, *mine[1:]))}v{_letters((0, *theirs[1:]))} {more:+d} {pawns}"
        on_board = f"{'6 to 8' if few else '9 or more'} pawns on the board"
        words = f"{_pieces_words(count, one)}, {more_words(more)}, {on_board}"
    if opposite is not None:
        key += " opposite" if opposite else " same"
        words += f", bishops {'of opposite colours' if opposite else 'on squares of one colour'}"
    return Kind(key, words, first)


def _letters(side: tuple[int, ...]) -> str:
    p, n, b, r, q = side
    return "K" + "Q" * q + "R" * r + "B" * b + "N" * n + "P" * p


def _exact_words(count: Census, first: chess.Color | None) -> str:
    one = chess.WHITE if first is None else first
    mine, theirs = count[0 if one else 5], count[5 if one else 0]
    if not pieces(count, one) and not pieces(count, not one):
        if first is None:
            return f"pawn ending, {force(count, one).replace('1 pawn', 'a pawn')} each"
        told = "a pawn" if mine == 1 else f"{mine} pawns"
        return f"pawn ending, {told} against {theirs or 'none'}"
    if first is None:
        return f"{force(count, one)} each"
    their = force(count, not one, bare_pawns=mine > 0)
    return f"{force(count, one)} against {'the ' if their == 'bare king' else ''}{their}"


def _pieces_words(count: Census, one: chess.Color) -> str:
    if not pieces(count, one):
        return "pawn ending"
    bare: Census = (0, *count[1:5], 0, *count[6:])
    return f"{force(bare, one)} against {force(bare, not one)}"


def more_words(more: int) -> str:
    """A difference of pawns: ``a pawn fewer``."""
    if not more:
        return "equal pawns"
    number = "a pawn" if abs(more) == 1 else f"{abs(more)} pawns"
    return f"{number} {'more' if more > 0 else 'fewer'}"


def kind_on(board: chess.Board) -> Kind | None:
    """Under what the material of a position is counted; None where it is not."""
    count = census(board)
    return kind_of(count, opposite_bishops(board) if only_bishops(count) else None)


def opposite_bishops(board: chess.Board) -> bool:
    """True if not all bishops stand on squares of one colour."""
    light = (board.bishops & chess.BB_LIGHT_SQUARES).bit_count()
    return 0 < light < board.bishops.bit_count()


# --- ratings ------------------------------------------------------------------------------


def band_of(tags: Mapping[str, str]) -> int:
    """The number of the band (in `BANDS`) of the mean of both players' ratings."""
    ratings = []
    for tag in ("WhiteElo", "BlackElo"):
        told = re.fullmatch(r"\s*([1-9]\d{2,3})\s*", tags.get(tag, ""), re.ASCII)
        if told is None:
            return _UNKNOWN
        ratings.append(int(told[1]))
    return sum(2 * edge <= sum(ratings) for edge in EDGES)


# --- looking up ---------------------------------------------------------------------------


@cache
def document() -> Mapping[str, Any]:
    """The file as it ships; without counts where it has not been made."""
    try:
        data: dict[str, Any] = json.loads(FILE.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {"balances": {}}
    return data


def in_practice(
    board: chess.Board, tags: Mapping[str, str] | None = None, ply: int | None = None
) -> Practice | None:
    """What became of games with the material on the board; None where too few are known.

    Args:
        tags: of the game that the position is from: its players' ratings name the band.
        ply: after which the position stood in the game, to be passed on.
    """
    kind = kind_on(board)
    if kind is None:
        return None
    return looked_up(document()["balances"], kind, None if tags is None else band_of(tags), ply)


def looked_up(
    balances: Mapping[str, Any], kind: Kind, band: int | None = None, ply: int | None = None
) -> Practice | None:
    """The rows of one kind of material, those with enough games."""
    counts = balances.get(kind.key)
    if counts is None:
        return None
    total = [sum(column) for column in zip(*counts, strict=True)]
    if sum(total) < LEAST:
        return None
    rows = [
        PracticeRow(name, sum(row), *row)
        for name, row in zip(BANDS[:_UNKNOWN], counts, strict=False)
        if sum(row) >= LEAST
    ]
    return Practice(
        material=kind.words,
        side=None if kind.first is None else Side.of(kind.first),
        all=PracticeRow("all", sum(total), *total),
        bands=tuple(rows),
        band=None if band is None or band == _UNKNOWN else BANDS[band],
        ply=ply,
    )
