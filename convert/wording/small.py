"""Small words that every text needs: dates, numbers, lists, sides."""

from __future__ import annotations

import re

import chess

_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)


def date_words(date: str) -> str:
    """A PGN date as far as it is known: ``29 January 2026``, ``January 2026``, ``2026``."""
    match = re.fullmatch(r"(\d{4})\.(\d{2}|\?\?)\.(\d{2}|\?\?)", date)
    if not match:
        return "" if date.startswith("?") else date
    year, month, day = match.groups()
    if month == "??" or not 1 <= int(month) <= 12:
        return year
    named = f"{_MONTHS[int(month) - 1]} {year}"
    return named if day == "??" else f"{int(day)} {named}"


def capital(text: str) -> str:
    """The text with a capital letter first."""
    return text[:1].upper() + text[1:]


def times(number: int) -> str:
    """``once``, ``twice``, ``3 times``."""
    return {1: "once", 2: "twice"}.get(number, f"{number} times")


def stopped(text: str) -> str:
    """The text with a full stop, unless it ends in dots."""
    return text if text.endswith("...") else f"{text}."


def counted(number: int, word: str) -> str:
    """``1 ply``, ``2 plies``; ``1 move``, ``3 moves``."""
    if number == 1:
        return f"1 {word}"
    return f"{number} {word[:-1]}ies" if word.endswith("ly") else f"{number} {word}s"


def count_words(number: int, noun: str, plural: str = "") -> str:
    """``1 game``, ``1,234 games``."""
    return f"{number:,} {noun if number == 1 else plural or noun + 's'}"


def join(items: list[str], last: str = "and") -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    if len(items) < 2:
        return "".join(items)
    return ", ".join(items[:-1]) + f" {last} " + items[-1]


def color_word(color: chess.Color) -> str:
    """``White`` or ``Black``."""
    return "White" if color else "Black"
