"""What became of such endings in games, in words.  Counts of games, and said to be that."""

from __future__ import annotations

from convert.model import Practice, PracticeRow
from convert.wording.small import capital

#: From so many games on results are told of 100 games, below as they were counted.
OF_HUNDRED_FROM = 100
#: What the counts are, said once wherever they are shown.
CAVEAT = "This is what happened in games between people, not what best play gives."


def practice_words(practice: Practice) -> str:
    """A sentence or two: all games, and those between players rated like the game's own."""
    level = practice.side is None
    whose = "" if practice.side is None else f"{practice.side.name_}'s side "
    text = (
        f"In practice ({practice.material}): {whose}"
        f"{row_words(practice.all, level=level, games=True)}"
    )
    own = next((row for row in practice.bands if row.band == practice.band), None)
    if own is not None and own.n < practice.all.n:
        words = row_words(own, level=level)
        text += f"; between players rated {own.band} on average, as here, {words}"
    else:
        most = next((row for row in practice.bands if 2 * row.n > practice.all.n), None)
        if most is not None:
            text += f", most of them between players rated {most.band} on average"
    return f"{text}. {CAVEAT}"


def row_words(row: PracticeRow, *, level: bool, games: bool = False) -> str:
    """``won 61, drew 25 and lost 14 of 100 (n = 523)``; few games as they were counted.

    Args:
        level: no side has more: ``decided in 31 and drawn in 69 of 100``.
        games: says that they are games.
    """
    noun = " games" if games else ""
    if row.n < OF_HUNDRED_FROM:
        won, drew, lost = (str(number) for number in (row.won, row.drawn, row.lost))
        of = f"of {row.n}{noun}"
    else:
        won, drew, lost = of_hundred((row.won, row.drawn, row.lost))
        of = f"of 100{noun} (n = {row.n:,})"
    if level:
        return f"decided in {won} and drawn in {drew} {of}"
    return f"won {won}, drew {drew} and lost {lost} {of}"


def of_hundred(counts: tuple[int, ...]) -> tuple[str, ...]:
    """Shares of 100 as whole numbers that add up to it; 0 and 100 only where it is exactly so."""
    total = sum(counts)
    numbers = [100 * count // total for count in counts]
    by_rest = sorted(range(len(counts)), key=lambda i: (-(100 * counts[i] % total), i))
    for i in by_rest[: 100 - sum(numbers)]:
        numbers[i] += 1
    return tuple(
        "fewer than 1"
        if count and not number
        else "more than 99"
        if number == 100 and count < total
        else str(number)
        for count, number in zip(counts, numbers, strict=True)
    )


def practice_rows(practice: Practice) -> list[tuple[str, str]]:
    """A label and its figures for all games and for each band of ratings."""
    level = practice.side is None
    rows = [("all games", row_words(practice.all, level=level))]
    rows += [(f"rated {row.band}", row_words(row, level=level)) for row in practice.bands]
    return rows


def practice_lead(practice: Practice) -> str:
    """What is counted: ``Rook against bishop, a pawn fewer; White's side:``."""
    material = capital(practice.material)
    return material if practice.side is None else f"{material}; for {practice.side.name_}'s side"
