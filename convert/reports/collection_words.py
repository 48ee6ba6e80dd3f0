"""What the reports on a collection share: counts and shares in print, where a game is."""

from __future__ import annotations

import re
from pathlib import PurePath

from convert.collection.summary import ENOUGH, Facts, Pick, Share, Summary, Table
from convert.reports.html_text import date_words
from convert.safe_text import file_path

#: Said once, above the tables.
READING = (
    "Beside each count stands its share, and in brackets the 95% interval: how far the share may "
    f"be off by chance alone, at this number. Rows with fewer than {ENOUGH} show counts only."
)


def percent(share: float) -> str:
    """``61``: whole hundredths; never 0 or 100 where there are exceptions."""
    if 0 < share < 0.005:
        return "<1"
    if 0.995 < share < 1:
        return ">99"
    return f"{100 * share:.0f}"


def share_words(share: Share) -> str:
    """``61% (52-69)``; nothing where the number is too small for a share."""
    if share.share is None or share.low is None or share.high is None:
        return ""
    return f"{percent(share.share)}% ({100 * share.low:.0f}-{100 * share.high:.0f})"


def count_words(number: int, noun: str, plural: str = "") -> str:
    """``1 game``, ``1,234 games``."""
    return f"{number:,} {noun if number == 1 else plural or noun + 's'}"


def title(summary: Summary) -> str:
    """What the report is about."""
    if summary.player:
        return f"{summary.player} in {PurePath(summary.folder).name or summary.folder}"
    return f"Collection {PurePath(summary.folder).name or summary.folder}"


def facts_words(summary: Summary) -> list[str]:
    """Sentences on what the collection is."""
    facts = summary.facts
    files = f" from {count_words(facts.files, 'file')}" if facts.files else ""
    told = [f"{count_words(facts.games, 'game')}{files}{_dates(facts)}."]
    if summary.player:
        told.append(
            f"Counted here: {count_words(facts.counted, 'game')} of {summary.player}, from the "
            "player's side; 'others' below a row counts the same for all other players."
        )
    results = ", ".join(f"{number:,} {words}" for words, number in facts.results if number)
    if results:
        told.append(f"Results: {results}.")
    if facts.complete < facts.games:
        cut = facts.games - facts.complete
        told.append(
            f"{count_words(cut, 'game')} could not be read to the end and "
            f"{'counts' if cut == 1 else 'count'} as far as {'it goes' if cut == 1 else 'they go'}."
        )
    if facts.effort == "walk":
        told.append("Walked only (effort walk): moves, material and results, no verdicts.")
    else:
        told.append(
            f"Judged with effort {facts.effort}: {count_words(facts.reviewed, 'game')} "
            f"{'has' if facts.reviewed == 1 else 'have'} verdicts."
        )
    if facts.errors:
        told.append(
            f"{count_words(facts.errors, 'remark')} on what could not be read as it stands, "
            + (
                f"{facts.fatal:,} of them on games that are missing here"
                if facts.fatal
                else "none of them on a game that is missing here"
            )
            + "."
        )
    return told


def _dates(facts: Facts) -> str:
    if not facts.first_date:
        return ", without dates"
    if facts.first_date == facts.last_date:
        told = f", of {facts.first_date}"
    else:
        told = f", {facts.first_date} to {facts.last_date}"
    return told + (f" ({facts.undated:,} without a date)" if facts.undated else "")


def shown_tables(summary: Summary) -> list[Table]:
    """The tables that have something to show."""
    return [table for table in summary.tables if table.total.n]


def players_words(pick: Pick) -> str:
    """``Marrin - Wrenfield``; the place of the game where no player is named."""
    if not pick.white and not pick.black:
        return place_words(pick)
    return f"{pick.white or 'unknown'} - {pick.black or 'unknown'}"


def place_words(pick: Pick) -> str:
    """Where the game stands: ``club.pgn, game 12``."""
    number = f"game {pick.number}" if pick.number is not None else ""
    told = ", ".join(text for text in (PurePath(pick.file).name, number) if text)
    return told or "game"


def where_words(pick: Pick) -> str:
    """Event, date and place, as far as they are known and not told by :func:`players_words`."""
    place = place_words(pick) if pick.white or pick.black else ""
    return ", ".join(text for text in (pick.event, date_words(pick.date), place) if text)


def command_words(pick: Pick) -> str:
    """The command line that makes the game's page; empty where the game has no number."""
    if pick.number is None or pick.file in ("", "-"):
        return ""
    return f"fullpoint game {quoted(pick.file)} --game {pick.number} --html game-{pick.number}.html"


def quoted(name: str) -> str:
    r"""A file name, as `file_text` shows it, as a shell wants it; ``$'\xe9'`` for odd bytes."""
    import shlex

    if file_path(name) == name:
        return shlex.quote(name)
    plain = re.sub(r"\\(?!x[0-9a-f]{2}|u[0-9a-f]{4})", r"\\\\", name).replace("'", r"\'")
    return f"$'{plain}'"
