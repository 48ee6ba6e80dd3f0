"""What became of endings like this one in games: counts, looked up by material.

The counts (``practice.json``, made by ``python -m convert.measuring.practice``) say what happened
in games between people.  They are no probabilities of what best play gives, and nothing here is
ever mixed into a verdict.  docs/measuring.md says which games and which material are counted.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

import chess

from convert.board.balance import (
    Census,
    balance,
    census,
    exchange_up,
    force,
    men,
    pieces,
    side_counts,
)
from convert.model import Practice, PracticeRow, Side
from convert.review.walker import Walk
from tablebases.material import is_material_name, normal_name
from tablebases.material import men as men_of

#: The counts, made by the command above.
FILE = Path(__file__).parent / "practice.json"
#: Nothing is shown of fewer games.
LEAST = 20
#: All games that come down to so many men are among those counted.
MOST_MEN = 7
#: Up to so many pawns in all each side's number is told apart, beyond it only the difference.
FEW_PAWNS = 5
#: Material has lasted when it stood in so many positions on end, or to the end of the game.
LASTING = 4
#: ... and then in so many.
LASTING_TO_THE_END = 2
#: Bands of the mean of both players' ratings; the last holds games without both ratings.
BANDS = ("under 1400", "1400 to 1799", "1800 to 2199", "2200 and more", "unknown")
#: Where one band ends and the next begins.
EDGES = (1400, 1800, 2200)
_UNKNOWN = len(BANDS) - 1


@dataclass(frozen=True)
class MaterialKind:
    """Material under which games are counted together.

    ``first`` is the side that ``words`` name first, the one with more (`convert.board.balance`);
    None where both have the same, man for man.  Positions with colours changed have the same
    ``key``.
    """

    key: str
    words: str
    first: chess.Color | None


def counted_exchange_up(count: Census) -> bool:
    """Is a side the exchange up in an ending of which every game is among those counted?

    No queens, at most two pieces a side, pawns within two of each other, at least one of them.
    ``practice.json`` rests on this choice: it says which games were gathered, not what the
    exchange is.
    """
    pawns, theirs = count[0], count[5]
    return (
        exchange_up(count) is not None
        and not count[4] + count[9]
        and pieces(count, chess.WHITE) <= 2
        and abs(pawns - theirs) <= 2
        and pawns + theirs > 0
    )


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
    return no_pieces or counted_exchange_up(count)


def only_bishops(count: Census) -> bool:
    """A bishop each and no other piece: their squares' colours decide much."""
    return count[1:5] == count[6:10] == (0, 1, 0, 0)


@lru_cache(maxsize=1 << 14)
def kind_of(count: Census, opposite: bool | None = None) -> MaterialKind | None:
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
    return MaterialKind(key, words, first)


def _letters(side: tuple[int, ...]) -> str:
    p, n, b, r, q = side
    return "K" + "Q" * q + "R" * r + "B" * b + "N" * n + "P" * p


def _exact_words(count: Census, first: chess.Color | None) -> str:
    one = chess.WHITE if first is None else first
    mine, theirs = count[0 if one else 5], count[5 if one else 0]
    if not pieces(count, one) and not pieces(count, not one):
        if first is None:
            return f"pawn ending, {force(count, one).replace('1 pawn', 'a pawn')} each"
        pawns_named = "a pawn" if mine == 1 else f"{mine} pawns"
        return f"pawn ending, {pawns_named} against {theirs or 'none'}"
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


def kind_on(board: chess.Board) -> MaterialKind | None:
    """Under what the material of a position is counted; None where it is not."""
    count = census(board)
    return kind_of(count, opposite_bishops(board) if only_bishops(count) else None)


def opposite_bishops(board: chess.Board) -> bool:
    """True if not all bishops stand on squares of one colour."""
    light = (board.bishops & chess.BB_LIGHT_SQUARES).bit_count()
    return 0 < light < board.bishops.bit_count()


# --- what of a game counts ----------------------------------------------------------------


def stretches(labels: Sequence[object]) -> Iterator[tuple[int, int]]:
    """First and last index of each stretch of one label that lasted; labels None are passed over.

    One that is too short stands in the middle of an exchange, or may have been given up there.
    """
    begin, end = 0, len(labels)
    while begin < end:
        stop = begin
        while stop + 1 < end and labels[stop + 1] == labels[begin]:
            stop += 1
        needed = LASTING if stop + 1 < end else LASTING_TO_THE_END
        if labels[begin] is not None and stop - begin + 1 >= needed:
            yield begin, stop
        begin = stop + 1


def kinds_of(walked: Walk) -> list[MaterialKind]:
    """The kinds of material that lasted in a game, each once, as they first stood."""
    labels: list[MaterialKind | None] = []
    last: Census | None = None
    label: MaterialKind | None = None
    for count in walked.counts:
        if count is not last:  # after a quiet move the census is the same object
            last = count
            # What cannot be counted, without asking: three pieces and more than seven men.
            many = sum(count[1:5]) > 2 and sum(count) > MOST_MEN - 2
            label = None if many else kind_of(count)
        labels.append(label)
    table: dict[str, MaterialKind] = {}
    for begin, _ in stretches(labels):
        kind, count = labels[begin], walked.counts[begin]
        if only_bishops(count):
            kind = kind_of(count, opposite_bishops(walked.boards[begin]))
        if kind is not None:
            table.setdefault(kind.key, kind)
    return list(table.values())


# --- ratings ------------------------------------------------------------------------------


def band_of(tags: Mapping[str, str]) -> int:
    """The number of the band (in `BANDS`) of the mean of both players' ratings."""
    ratings = []
    for tag in ("WhiteElo", "BlackElo"):
        match = re.fullmatch(r"\s*([1-9]\d{2,3})\s*", tags.get(tag, ""), re.ASCII)
        if match is None:
            return _UNKNOWN
        ratings.append(int(match[1]))
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


def most_met(men: int, number: int) -> tuple[tuple[str, int], ...]:
    """The classes of material with so many men that games came to most often, with their games."""
    games: Counter[str] = Counter()
    for key, rows in document()["balances"].items():
        name = key.partition(" ")[0]  # which bishops there are is no part of it
        if is_material_name(name) and men_of(name) == men:
            games[normal_name(name)] += sum(map(sum, rows))
    return tuple(games.most_common(number))


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
    balances: Mapping[str, Any], kind: MaterialKind, band: int | None = None, ply: int | None = None
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
