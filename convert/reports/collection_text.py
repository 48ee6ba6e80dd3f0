"""The summary of a collection in the terminal: 80 columns, no share without its number."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table as Grid
from rich.text import Text

from convert.model.summary import Row, Share, Summary, Table
from convert.reports.terminal import Page
from convert.wording.collections import (
    HABIT_RULE,
    NO_HABIT,
    READING,
    command_words,
    facts_words,
    forfeits_words,
    habit_words,
    percent,
    players_words,
    practised_words,
    share_words,
    shown_tables,
    title,
    where_words,
    won_words,
)

#: Errors named at the end.
MOST_TROUBLES = 5


def print_summary(summary: Summary, console: Console) -> None:
    """Print the whole summary."""
    page = Page(console)
    page.paragraph(title(summary), 0, style="bold")
    for sentence in facts_words(summary):
        page.paragraph(sentence, 0)
    for remark in summary.untold:
        page.paragraph(remark, 0)
    for sentence in won_words(summary):
        page.paragraph(sentence, 0)
    _player(page, summary)
    tables = shown_tables(summary)
    if tables:
        page.line()
        page.paragraph(READING, 0)
    for table in tables:
        _table(page, table)
    _picks(page, summary)
    _forfeits(page, summary)
    _troubles(page, summary)


def _player(page: Page, summary: Summary) -> None:
    """A player's habits, and his endings beside the shipped counts."""
    if not summary.player or not summary.facts.reviewed:
        return
    page.heading("What it costs: the five costliest habits")
    page.paragraph(HABIT_RULE, 2)
    if not summary.habits:
        page.paragraph(NO_HABIT, 2)
    for number, habit in enumerate(summary.habits, 1):
        page.paragraph(f"{number}. {habit_words(habit)}", 2, 3)
    if summary.practised is not None:
        page.heading("Beside games of other people")
        page.paragraph(practised_words(summary.practised), 2)


def _forfeits(page: Page, summary: Summary) -> None:
    if not summary.forfeits:
        return
    page.heading("Won positions lost on time")
    page.paragraph(forfeits_words(summary), 2)
    for pick in summary.forfeits:
        where = where_words(pick)
        head = f"{players_words(pick)} {pick.result}"
        page.item(f"{head} ({where})" if where else head, 2)


def _table(page: Page, table: Table) -> None:
    page.heading(table.title)
    page.paragraph(table.about, 2)
    grid = Grid(box=None, padding=(0, 1, 0, 0), pad_edge=False, show_edge=False, header_style="")
    grid.add_column(Text(table.head, style="italic"), overflow="fold")
    grid.add_column(Text(table.unit, style="italic"), justify="right", no_wrap=True)
    lines = _lines(table)
    wide = [
        max(len(f"{row.shares[i].count:,}") for _, row in lines) for i in range(len(table.parts))
    ]
    for i, part in enumerate(table.parts):
        short = _short(table, i)
        least = max(len(_cell(row.shares[i], wide[i], short)) for _, row in lines)
        grid.add_column(Text(part, style="italic"), min_width=least)
    for label, row in lines:
        cells = [_cell(share, wide[i], _short(table, i)) for i, share in enumerate(row.shares)]
        grid.add_row(Text(label), Text(f"{row.n:,}"), *(Text(cell) for cell in cells))
    page.line()
    for line in _rendered(page, grid):
        page.line(f"  {line}".rstrip())


def _short(table: Table, part: int) -> bool:
    """Is there no room for the interval?  With more than three parts the first alone has it."""
    return part > 0 and len(table.parts) > 3


def _cell(share: Share, width: int, short: bool) -> str:
    """``12 61% (52-69)``, the count flush right in ``width`` columns."""
    if short and share.share is not None:
        return f"{share.count:>{width},} {percent(share.share)}%"
    return f"{share.count:>{width},} {share_words(share)}".rstrip()


def _lines(table: Table) -> list[tuple[str, Row]]:
    """All rows with their labels, the whole last, those of other players below each."""
    rows = [*table.rows, table.total] if len(table.rows) > 1 else list(table.rows)
    lines = []
    for row in rows:
        lines.append((row.label, row))
        if row.rest is not None:
            lines.append(("  others", row.rest))
    return lines


def _rendered(page: Page, grid: Grid) -> list[str]:
    """The grid as plain lines, two columns narrower than the page."""
    console = Console(
        width=page.width - 2,
        file=None,
        color_system=None,
        markup=False,
        highlight=False,
        emoji=False,
    )
    with console.capture() as caught:
        console.print(grid)
    return caught.get().splitlines()


def _picks(page: Page, summary: Summary) -> None:
    page.heading("Games most worth looking at")
    page.paragraph(summary.pick_rule, 2)
    if not summary.picks:
        page.paragraph("None.", 2)
    for number, pick in enumerate(summary.picks, 1):
        where = where_words(pick)
        head = f"{number}. {players_words(pick)} {pick.result}"
        page.paragraph(f"{head} ({where})" if where else head, 2, 3)
        page.paragraph(pick.why, 5)
        for moment in pick.moments:
            page.item(f"{moment.label} {moment.told}", 5)
        if pick.page:
            page.line(f"     {pick.page}")
    commands = [c for pick in summary.picks if not pick.page and (c := command_words(pick))]
    if commands:
        one = len(summary.picks) == 1
        page.paragraph("A page of its own" + (":" if one else ", for one of them:"), 2)
        page.line(f"    {commands[0]}")
        if not one:
            page.paragraph("or for all of them at once with --pages DIR.", 2)


def _troubles(page: Page, summary: Summary) -> None:
    if not summary.troubles:
        return
    page.heading("What could not be read as it stands")
    for trouble in summary.troubles[:MOST_TROUBLES]:
        number = f", game {trouble.number}" if trouble.number is not None else ""
        line = f", line {trouble.line}" if trouble.line is not None else ""
        page.item(f"{trouble.file}{number}{line}: {trouble.reason}")
    more = summary.facts.errors - min(len(summary.troubles), MOST_TROUBLES)
    if more > 0:
        page.paragraph(f"and {more:,} more, all in the table 'errors' of {summary.folder}.", 2)
