"""Names of material: who has what, in the words of the Syzygy tables.

A name lists White's men, a ``v``, and Black's men, each side from the king down: ``KRPvKN``. The
tables exist under one of a name and its colour-swapped twin only, the *normal name*: the side
with more men first; with equal numbers the side with the stronger men (compared from the
strongest down). The rules of normal form are python-chess's (``chess.syzygy``).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache

import chess

__all__ = [
    "BARE_KINGS",
    "after_captures",
    "after_promotion",
    "all_names",
    "is_material_name",
    "material_name",
    "men",
    "normal_name",
    "placement",
    "successors",
]

BARE_KINGS = "KvK"
"""Two kings alone: always drawn; no table exists or is needed."""

_NAME = re.compile(r"K[QRBNP]*vK[QRBNP]*")
_ORDER = "KQRBNP"


def is_material_name(text: str) -> bool:
    """True for a well-formed name: each side begins with its only king.

    The order of the other men is free; ``normal_name`` sorts them.

    >>> is_material_name("KRPvKN"), is_material_name("KRvN"), is_material_name("krvk")
    (True, False, False)
    """
    return _NAME.fullmatch(text) is not None


def material_name(board: chess.Board) -> str:
    """Name of the material on a board, White first as on the board.

    >>> material_name(chess.Board("8/8/8/8/4k3/8/3KP3/8 w - - 0 1"))
    'KPvK'
    """
    return f"{_side(board, chess.WHITE)}v{_side(board, chess.BLACK)}"


def _side(board: chess.Board, colour: chess.Color) -> str:
    return "".join(
        letter * chess.popcount(board.pieces_mask(piece_type, colour))
        for letter, piece_type in zip(_ORDER, reversed(chess.PIECE_TYPES), strict=True)
    )


@cache
def normal_name(name: str) -> str:
    """The name under which the tables of this material are stored.

    Raises:
        ValueError: if ``name`` is not a material name.

    >>> normal_name("KNvKPR")
    'KRPvKN'
    """
    from chess.syzygy import normalize_tablename

    _require(name)
    return normalize_tablename(name)


def men(name: str) -> int:
    """Number of men on both sides, kings included.

    Raises:
        ValueError: if ``name`` is not a material name.

    >>> men("KRPvKN")
    5
    """
    _require(name)
    return len(name) - 1


@cache
def successors(name: str) -> tuple[str, ...]:
    """Normal names of all other material that one capture or promotion can lead to.

    A capture that promotes at once counts as one move. ``KvK`` is included where it can arise,
    although no table for it exists. Fewest men first.

    Raises:
        ValueError: if ``name`` is not a material name.

    >>> successors("KPvK")
    ('KvK', 'KQvK', 'KRvK', 'KBvK', 'KNvK')
    """
    _require(name)
    white, black = name.split("v")
    found = {normal_name(f"{own}v{other}") for own, other in _after_move(white, black)}
    found |= {normal_name(f"{own}v{other}") for own, other in _after_move(black, white)}
    return tuple(sorted(found, key=_sort_key))


def _after_move(mover: str, other: str) -> Iterator[tuple[str, str]]:
    """Both sides' men after each kind of capture or promotion by ``mover``."""
    promoted = [mover.replace("P", piece, 1) for piece in "QRBN"] if "P" in mover else []
    for taken in dict.fromkeys(other[1:]):
        left = other.replace(taken, "", 1)
        yield mover, left
        if taken != "P":  # no pawn stands on the promotion rank
            yield from ((own, left) for own in promoted)
    yield from ((own, other) for own in promoted)


@cache
def after_captures(name: str) -> tuple[str, ...]:
    """Normal names of all material that one or more captures in a row can lead to.

    Promotions and ``KvK`` are left out. Most men first.

    Raises:
        ValueError: if ``name`` is not a material name.

    >>> after_captures("KPvKR")
    ('KRvK', 'KPvK')
    """
    _require(name)
    white, black = name.split("v")
    fewer = {f"{white.replace(taken, '', 1)}v{black}" for taken in white[1:]}
    fewer |= {f"{white}v{black.replace(taken, '', 1)}" for taken in black[1:]}
    found = {normal_name(after) for after in fewer} - {BARE_KINGS}
    found |= {deeper for after in tuple(found) for deeper in after_captures(after)}
    return tuple(sorted(found, key=lambda after: (-men(after), _sort_key(after))))


@cache
def after_promotion(name: str) -> tuple[str, ...]:
    """Normal names of all material that one promotion without a capture can lead to.

    Raises:
        ValueError: if ``name`` is not a material name.

    >>> after_promotion("KPvKR")
    ('KQvKR', 'KRvKR', 'KRvKB', 'KRvKN')
    """
    return tuple(after for after in successors(name) if men(after) == men(name))


def all_names(most_men: int) -> tuple[str, ...]:
    """Normal names of all material with 3 to ``most_men`` men, fewest men first.

    These are the classes for which tables exist: 5 with three men, 30 with four.

    Raises:
        ValueError: if ``most_men`` is below 2.

    >>> all_names(3)
    ('KQvK', 'KRvK', 'KBvK', 'KNvK', 'KPvK')
    """
    from chess.syzygy import tablenames

    if most_men < 2:
        raise ValueError(f"two kings are on every board: {most_men} men asked for")
    names = set(tablenames(piece_count=most_men)) - {BARE_KINGS}
    return tuple(sorted(names, key=_sort_key))


def _sort_key(name: str) -> tuple[int, int, list[int]]:
    """Fewest men first, then the larger first side, then the stronger men."""
    return len(name), -name.index("v"), [_ORDER.find(letter) for letter in name]


def _require(name: str) -> None:
    if not is_material_name(name):
        raise ValueError(f"not a material name: {name!r}")


def placement(board: chess.Board) -> tuple[int, int, int, int, int, int, int]:
    """Where which men stand, as words: those of each kind, and White's."""
    return (
        board.pawns,
        board.knights,
        board.bishops,
        board.rooks,
        board.queens,
        board.kings,
        board.occupied_co[chess.WHITE],
    )
