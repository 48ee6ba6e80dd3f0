"""What the reports on a collection share: counts and shares in print, where a game is."""

from __future__ import annotations

import re
from pathlib import PurePath

from convert.model.summary import ENOUGH, Facts, Habit, Pick, Practised, Share, Summary, Table
from convert.rim.safe_text import file_path
from convert.wording.small import capital, count_words, date_words, join, times

#: Said once, above the tables.
READING = (
    "Beside each count stands its share, and in brackets, where there is room, the 95% interval: "
    "how far the share may be off by chance alone, at this number. Rows with fewer than "
    f"{ENOUGH} show counts only."
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


def title(summary: Summary) -> str:
    """What the report is about."""
    if summary.player:
        return f"{summary.player} in {PurePath(summary.folder).name or summary.folder}"
    if "," in summary.folder:
        return f"Collections {summary.folder}"
    return f"Collection {PurePath(summary.folder).name or summary.folder}"


def facts_words(summary: Summary) -> list[str]:
    """Sentences on what the collection is."""
    facts = summary.facts
    files = f" from {count_words(facts.files, 'file')}" if facts.files else ""
    texts = [f"{count_words(facts.games, 'game')}{files}{_dates(facts)}."]
    if facts.duplicates:
        texts.append(
            f"{count_words(facts.duplicates, 'row')} left out: the same game, by its moves, "
            "result, year and players, came before and counts once."
        )
    if summary.player:
        texts.append(
            f"Counted here: {count_words(facts.counted, 'game')} of {summary.player}, from the "
            "player's side, whoever stood better first; 'others' below a row counts the same for "
            "all other players."
        )
        if len(summary.spellings) > 1:
            texts.append(f"Spellings taken as one: {'; '.join(summary.spellings)}.")
    results = ", ".join(f"{number:,} {words}" for words, number in facts.results if number)
    if results:
        timed = f"; {facts.on_time:,} lost on time" if facts.on_time else ""
        texts.append(f"Results: {results}{timed}.")
    if facts.complete < facts.games:
        cut = facts.games - facts.complete
        texts.append(
            f"{count_words(cut, 'game')} could not be read to the end and "
            f"{'counts' if cut == 1 else 'count'} as far as {'it goes' if cut == 1 else 'they go'}."
        )
    if facts.effort == "walk":
        texts.append("Walked only (effort walk): moves, material and results, no verdicts.")
    else:
        texts.append(
            f"Judged with effort {facts.effort}: {count_words(facts.reviewed, 'game')} "
            f"{'has' if facts.reviewed == 1 else 'have'} verdicts."
        )
    if facts.errors:
        texts.append(
            f"{count_words(facts.errors, 'remark')} on what could not be read as it stands, "
            + (
                f"{facts.fatal:,} of them on games that are missing here"
                if facts.fatal
                else "none of them on a game that is missing here"
            )
            + "."
        )
    return texts


def won_words(summary: Summary) -> list[str]:
    """What became of positions won for certain, in sentences: counts positions, not mates."""
    won = summary.won
    if won is None or not won.all:
        return []
    whose = "" if summary.player else "; either side's"
    texts = [f"Positions won for certain: {won.all:,} (one a side and game{whose})."]
    if won.at_once:
        texts.append(
            f"{won.at_once:,} of them {'was' if won.at_once == 1 else 'were'} won within two moves "
            "and left out of what follows."
        )
    if won.counted:
        ended = [
            f"{number:,} {words}"
            for number, words in (
                (won.won, "won"),
                (won.drawn, "drawn"),
                (won.lost, "lost over the board"),
                (won.on_time, "lost on time"),
            )
            if number
        ]
        left = won.counted - won.won - won.drawn - won.lost - won.on_time
        ended += [f"{left:,} without a result"] if left else []
        slipped = f"{won.slipped:,} {'was' if won.slipped == 1 else 'were'}"
        if not won.slipped:
            slipped = "none was"
        others = "the others" if won.at_once else "these"
        if ended:
            texts.append(
                f"Of {others} ({won.counted:,}) {join(ended)}; {slipped} let slip by a move."
            )
    return texts


#: How habits are told: what was done, with the number of times; {kind} is the kind of ending.
HABITS = {
    "gift": "Gave back what the opponent had just handed over: {times}{in_games}",
    "clock": "Gave a result away with less than half a minute left: {times}{in_games}",
    "trade": "Began a trade that gave the result away: {times}{in_games}",
    "missed-trade": "Passed by a trade that would have kept the result: {times}{in_games}",
    "won": "Let a won position slip, {kind}: {times}{in_games}",
    "drawn": "Lost a drawn position, {kind}: {times}{in_games}",
    "better": "Let a clearly better position slip, {kind}: {times}{in_games}",
    "chances": "Went wrong with chances for both sides or for the other, {kind}: {times}{in_games}",
    "time-level": "Lost on time with a position that was not worse, or not much: {times}",
    "agreed-better": "Drew with a position that was clearly better at the end: {times}",
    "time-won": "Lost on time with a position that was won for certain at the end: {times}",
    "time-drawn": "Lost on time with a position that was a certain draw at the end: {times}",
    "agreed": "Drew with a position that was won for certain at the end: {times}",
    "resigned": "Lost, not on time, with a position that was not lost at the end: {times}",
}
HABIT_RULE = (
    "Each slip belongs to one habit. Cost in points: for what is certain, half a point from win to "
    "draw or from draw to loss, a point from win to loss, whatever the game brought later; for "
    "what is suspected, the fall of the expected points by the estimate. What is certain comes "
    "first."
)
NO_HABIT = "No kind of mistake was made twice."


def habit_words(habit: Habit) -> str:
    """One habit as a sentence with its counts, and how often others do it."""
    in_games = f" in {count_words(habit.games, 'game')}" if habit.games != habit.n else ""
    lead = HABITS[habit.ident].format(times=times(habit.n), in_games=in_games, kind=habit.kind)
    points = f"{habit.cost:.1f}".removesuffix(".0")
    cost = f"{points} {'point' if habit.cost == 1 else 'points'}"
    cost = f"cost {cost}" if habit.certain else f"cost {cost} by the estimate (suspected)"
    return f"{lead}; {cost}. {_rates(habit)}"


def _rates(habit: Habit) -> str:
    """How often in 100 games, and how often others; counts alone where they are few."""
    if habit.of < ENOUGH:
        return f"In {count_words(habit.of, 'game')}."
    own = f"{100 * habit.n / habit.of:.0f} in 100 games"
    if habit.others_of < ENOUGH:
        return f"{capital(own)}."
    return f"{capital(own)}; others {100 * habit.others / habit.others_of:.0f} in 100."


def practised_words(practised: Practised) -> str:
    """A player's endings with more material beside the shipped counts."""
    one = practised
    return (
        f"With more material in endings of kinds that are counted (docs/measuring.md): "
        f"{count_words(one.games, 'game')}, {one.won} won, {one.drawn} drawn, {one.lost} lost, "
        f"losses on time of either side left out. That is {one.points:g} "
        f"{'point' if one.points == 1 else 'points'}; the same material "
        f"gave {one.expected:g} in {one.counted:,} games of players of such ratings (all ratings "
        "where these are too few)."
    )


def forfeits_words(summary: Summary) -> str:
    """How many won positions were lost on time, and that they follow."""
    number = len(summary.forfeits) + summary.forfeits_more
    more = f"; {summary.forfeits_more:,} are not named" if summary.forfeits_more else ""
    return (
        f"{count_words(number, 'game')} in which a position won for certain was lost on time{more}."
    )


def _dates(facts: Facts) -> str:
    if not facts.first_date:
        return ", without dates"
    if facts.first_date == facts.last_date:
        text = f", of {facts.first_date}"
    else:
        text = f", {facts.first_date} to {facts.last_date}"
    return text + (f" ({facts.undated:,} without a date)" if facts.undated else "")


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
    words = ", ".join(text for text in (PurePath(pick.file).name, number) if text)
    return words or "game"


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
