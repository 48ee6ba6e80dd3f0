"""A slip told whole: what it changed, what held, what was played and how that was punished."""

from __future__ import annotations

from dataclasses import replace

from convert.model import Line, Review, Side, Slip
from convert.wording.small import stopped
from convert.wording.verdicts import line_words, slip_words

#: So many plies of the game are shown after a slip.
PLAYED = 6
#: So many plies of a line are set out.
LINE = 14
#: The same in a brief report.
BRIEF_PLAYED, BRIEF_LINE = 4, 6


def mark_words(slip: Slip) -> str:
    """Whose slip, and how surely one: ``White, certain``."""
    return f"{slip.side.name_}, {'certain' if slip.certain else 'suspected'}"


def shown_line(number: int, side: Side, line: Line, most: int = LINE) -> str:
    """A line as in print with what it ends in; a long one is cut."""
    text = line_words(number, side, line.moves[:most])
    if len(line.moves) > most:
        return f"{text} ..."
    return f"{text} ({line.ends})" if line.ends else text


def played_after(review: Review, slip: Slip) -> tuple[str, ...]:
    """The game's own moves after the slip: to the one that handed it back, if that is near."""
    end = slip.ply + PLAYED
    if slip.handed_back is not None and slip.handed_back <= slip.ply + 2 * PLAYED:
        end = slip.handed_back
    return tuple(record.san for record in review.plies[slip.ply : end])


def best_against(review: Review, slip: Slip) -> Line | None:
    """The refutation, where the game did not show it.

    None where it was played, and where a draw that the slip allowed was held to the end.
    """
    line = slip.refuted
    if line is None or played_after(review, slip)[: len(line.moves)] == line.moves:
        return None
    return None if slip.after.points == 0 and _stood(review, slip) else line


def _stood(review: Review, slip: Slip) -> bool:
    """Was the result that the slip allowed kept to the end, and was anything played after it?"""
    rest = [record.verdict.for_side(slip.side) for record in review.plies[slip.ply - 1 :]]
    return len(rest) > 1 and all(verdict.points == slip.after.points for verdict in rest)


def what_followed(review: Review, slip: Slip) -> list[str]:
    """What was really played, the best against the slip where that was not played, and the price.

    Sentences; the line that held comes first.
    """
    record = review.plies[slip.ply - 1]
    words = []
    if slip.shown is not None and len(slip.shown.moves) > 1:
        words.append(stopped(f"Line: {shown_line(record.number, record.side, slip.shown)}"))
    number = record.number + (1 if record.side is Side.BLACK else 0)
    played = played_after(review, slip)
    if played:
        words.append(f"As played: {line_words(number, record.side.other, played)}.")
    if (line := best_against(review, slip)) is not None:
        best = shown_line(number, record.side.other, line)
        words.append(stopped(f"Best against it: {best}"))
    if (price := price_words(review, slip)) is not None:
        words.append(price)
    return words


def slip_change_words(review: Review, slip: Slip) -> list[str]:
    """What a slip changed and what was better, in sentences, without rules of thumb."""
    bare = replace(slip, rules_after=(), missed_trade=None)
    return slip_words(review, bare)


def followed_briefly(review: Review, slip: Slip, *, line: bool = True) -> list[str]:
    """The beginning of the line that held, of what was played, and the price, in sentences.

    Args:
        review: the game.
        slip: one of its slips.
        line: whether the line is to be shown.
    """
    record = review.plies[slip.ply - 1]
    words = []
    if line and slip.shown is not None and len(slip.shown.moves) > 1:
        shown = shown_line(record.number, record.side, slip.shown, BRIEF_LINE)
        words.append(stopped(f"Line: {shown}"))
    number = record.number + (1 if record.side is Side.BLACK else 0)
    played = played_after(review, slip)
    if played:
        text = line_words(number, record.side.other, played[:BRIEF_PLAYED])
        words.append(f"Played: {text}.")
    if (price := price_words(review, slip)) is not None:
        words.append(price)
    return words


def price_words(review: Review, slip: Slip) -> str | None:
    """How the slip was handed back or punished, as far as that is certain."""
    if slip.handed_back is not None:
        return f"Handed back by {review.label_at(slip.handed_back, '?')}."
    if not slip.certain or not slip.after.exact:
        return None
    if _stood(review, slip):
        if slip.after.points == 0:
            return "Not made good: it stayed drawn to the end of the game."
        return f"Punished: {slip.side.other.name_} kept the win to the end of the game."
    return None
