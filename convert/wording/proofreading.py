"""How findings are told: places, lines and statuses in words.  Pure functions over findings."""

from __future__ import annotations

from convert.model import Line, Side
from convert.model.findings import Finding, Place, Slot, Status, Written
from convert.wording.verdicts import line_words

#: Longest line shown, in plies.
MOST_PLIES = 16
#: A variation with more plies than this is told by its first and last moves.
MOST_BRANCH = 8

STATUS_HEADINGS = {
    Status.REFUTED: "Refuted",
    Status.STRONGER: "Stronger than known",
    Status.CONFIRMED: "Confirmed",
    Status.OPEN: "Not checkable",
}


def place_words(place: Place) -> str:
    """``34...Kf7``, with the variation it stands in if it stands in one."""
    if place.slot is Slot.START:
        return "before the first move"
    at = f"before {place.label}" if place.slot is Slot.BEFORE else place.label
    if not place.branch:
        return at
    words = place.branch.split()
    if len(words) == 1:
        return f"{at} (variation)"
    branch = " ".join(words)
    if len(words) > MOST_BRANCH:
        branch = " ".join([*words[:3], "...", *words[-2:]])
    return f"{at} (variation {branch})"


def quote_words(finding: Finding) -> str:
    """The author's words in quotation marks, or the NAG as it is."""
    statement = finding.statement
    return statement.quote if statement.written is Written.NAG else f'"{statement.quote}"'


def moves_words(line: Line | None) -> str:
    """A line with its move numbers and what ends it: ``45.Kd5 Ke7 (stalemate)``; "" without one."""
    if line is None or not line.moves:
        return ""
    fields = line.fen.split()
    side = Side.WHITE if fields[1] == "w" else Side.BLACK
    cut = len(line.moves) > MOST_PLIES
    text = line_words(int(fields[-1]), side, line.moves[:MOST_PLIES])
    if cut:
        return f"{text} ..."
    return f"{text} ({line.ends})" if line.ends else text


def counts_words(counts: dict[Status, int]) -> str:
    """``2 refuted, 1 confirmed, 3 not checkable``; those that occur."""
    return ", ".join(f"{number} {status}" for status, number in counts.items() if number)


def unread_words(number: int, *, listed: bool = True) -> str:
    """How many sentences hold no statement; "" where there are none.

    ``listed``: they follow; otherwise it is said how to see them.
    """
    if not number:
        return ""
    one = number == 1
    sentences = f"{number} sentence{'' if one else 's'}"
    how = "" if listed else f" (--unread lists {'it' if one else 'them'})"
    return f"Not read: {sentences} in which no statement was found{how}."


def statements_words(number: int) -> str:
    """``1 statement``, ``12 statements``."""
    return f"{number} statement{'' if number == 1 else 's'}"
