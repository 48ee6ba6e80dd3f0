"""The named numbers of the evaluation: their order, and how they are read.

Each name stands for two numbers, one with all pieces on the board and one with none, in
thousandths of a pawn; what is between counts in proportion (``PHASE_OF`` and ``FULL_PHASE``).
Scales are single numbers, in 64ths: how much of an advantage counts in drawish material.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.resources import files
from typing import Final

import numpy as np
import numpy.typing as npt

__all__ = ["NAMES", "SCALES", "Numbers", "shipped", "with_numbers"]

KINDS: Final = ("pawn", "knight", "bishop", "rook", "queen", "king")
FULL_PHASE: Final = 24
PHASE_OF: Final = (0, 1, 1, 2, 4, 0)
"""How much of the middlegame a man of each kind stands for: 24 in the starting position."""
UNIT: Final = 10
"""Of the numbers in a hundredth of a pawn."""
FULL_SCALE: Final = 64


def _each(*parts: str) -> tuple[str, ...]:
    return parts


def _ranks() -> tuple[str, ...]:
    return tuple(f"rank{rank}" for rank in range(2, 8))


_FAMILIES: Final[Mapping[str, tuple[str, ...]]] = {
    "material": KINDS[:5],
    "file": tuple(f"{kind}/{pair}" for kind in KINDS for pair in ("ah", "bg", "cf", "de")),
    "rank": tuple(f"{kind}/{rank}" for kind in KINDS for rank in range(1, 9)),
    "mobility": tuple(
        f"{kind}/{n}"
        for kind, most in (("knight", 9), ("bishop", 14), ("rook", 15), ("queen", 14))
        for n in range(most)
    ),
    "pieces": _each("pair_of_bishops", "second_rook", "knight_by_pawns", "rook_by_pawns"),
    "exchange_up": _each(
        "three_pawns_less",
        "two_pawns_less",
        "one_pawn_less",
        "pawns_even",
        "pawns_more",
        "each_pawn",
        "one_wing",
        "no_rook_against",
        "queens",
    ),
    "structure": _each(
        "isolated", "isolated_open", "doubled", "backward", "backward_open", "island"
    ),
    "phalanx": _ranks(),
    "guarded": _ranks(),
    "candidate": _ranks(),
    "passed": _ranks(),
    "passed_blocked": _ranks(),
    "passed_free": _ranks(),
    "passed_own_king": tuple(f"rank{rank}" for rank in range(4, 8)),
    "passed_other_king": tuple(f"rank{rank}" for rank in range(4, 8)),
    "passed_more": _each(
        "guarded", "beside", "own_rook_behind", "other_rook_behind", "outside", "unstoppable"
    ),
    "rook": _each("open_file", "half_open_file", "seventh_rank"),
    "minor": _each(
        "knight_outpost", "bishop_outpost", "bad_bishop", "bad_bishop_blocked", "behind_pawn"
    ),
    "threat": _each(
        "pawn_on_piece",
        "minor_on_rook",
        "minor_on_queen",
        "rook_on_queen",
        "hanging_piece",
        "hanging_pawn",
        "pinned",
    ),
    "pressure_with_queen": tuple(str(n) for n in range(16)),
    "pressure": tuple(str(n) for n in range(8)),
    "safe_check": KINDS[1:5],
    "shelter": _each("none", "one", "two", "three", "more"),
    "storm": _each("none", "one", "two", "three", "more"),
    "king": _each("weak_ring", "open_file", "castling", "beside_own_pawn", "beside_other_pawn"),
    "to_move": _each("move"),
}

NAMES: Final = tuple(f"{family}/{name}" for family, names in _FAMILIES.items() for name in names)
"""Names of the pairs of numbers, in the order of the arrays."""

SCALES: Final = (
    "usual",
    "no_pawns_minor",
    "no_pawns",
    "last_pawn_minor",
    "last_pawn",
    "opposite_bishops_even",
    "opposite_bishops",
    "opposite_bishops_and_pieces",
    "heavy_pieces_one_wing",
    "heavy_pieces",
    "wrong_bishop",
    "two_knights",
)
"""Names of the scales, in the order of the arrays."""


def start(family: str) -> int:
    """Place of the first number of a family."""
    return next(i for i, name in enumerate(NAMES) if name.startswith(family + "/"))


@dataclass(frozen=True)
class Numbers:
    """Values of the named numbers.

    Attributes:
        pairs: thousandths of a pawn, middlegame and endgame; int32 of shape (len(NAMES), 2).
        scales: 64ths; int32 of shape (len(SCALES),).
    """

    pairs: npt.NDArray[np.int32]
    scales: npt.NDArray[np.int32]

    def json(self, about: str, made: Mapping[str, object] | None = None) -> str:
        """The numbers as the file that ``with_numbers`` reads, with how they were made."""

        def lines() -> Iterator[str]:
            for name, (middle, end) in zip(NAMES, self.pairs.tolist(), strict=True):
                yield f"    {json.dumps(name)}: [{middle}, {end}]"

        scales = (
            f"    {json.dumps(name)}: {value}"
            for name, value in zip(SCALES, self.scales.tolist(), strict=True)
        )
        how = "" if made is None else f'\n  "made": {json.dumps(made)},'
        return (
            f'{{\n  "about": {json.dumps(about)},{how}\n  "numbers": {{\n'
            + ",\n".join(lines())
            + '\n  },\n  "scales": {\n'
            + ",\n".join(scales)
            + "\n  }\n}\n"
        )


def with_numbers(text: str) -> Numbers:
    """Read numbers from JSON.

    Raises:
        ValueError: if a name is missing, unknown, or its value is not a whole number.
    """
    data = json.loads(text)
    for part, names in (("numbers", NAMES), ("scales", SCALES)):
        if set(data[part]) != set(names):
            raise ValueError(f"{part} that do not fit: {sorted(set(data[part]) ^ set(names))}")
    values = [data["numbers"][name] for name in NAMES]
    scales = [data["scales"][name] for name in SCALES]
    flat = [value for pair in values for value in pair] + scales
    if any(len(pair) != 2 for pair in values) or any(type(value) is not int for value in flat):
        raise ValueError("each name takes two whole numbers, each scale one")
    return Numbers(np.array(values, np.int32), np.array(scales, np.int32))


def shipped() -> Numbers:
    """The numbers that come with the program."""
    return with_numbers((files("convert.judging.search") / "terms.json").read_text("utf-8"))
