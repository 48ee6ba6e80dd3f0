"""The summary of a collection as one HTML file: tables with a bar a row, and games to look at.

No script, no network, no font.  Every bar has its numbers in words beside it and in its text
alternative; all names are escaped, and a content security policy in the page forbids everything
but its own style sheet.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from urllib.parse import quote

from markupsafe import Markup

from convert.model.summary import Moment, Pick, Row, Share, Summary, Table
from convert.reports.board_svg import Mark, board_svg, piece_defs
from convert.reports.html_text import environment, escaped, frame, result_words
from convert.rim.safe_text import isolated
from convert.wording.collections import (
    HABIT_RULE,
    NO_HABIT,
    READING,
    command_words,
    facts_words,
    forfeits_words,
    habit_words,
    players_words,
    practised_words,
    share_words,
    shown_tables,
    title,
    where_words,
    won_words,
)

#: Headings over the tables, with the ids of those that stand below each.
GROUPS = (
    ("positions", "Won positions", ("won", "held", "won-by-rating", "better")),
    (
        "when",
        "With whom, as which colour, when, how fast",
        tuple(
            f"{what}-by-{how}"
            for how in ("opponent", "colour", "quarter", "time")
            for what in ("won", "held")
        ),
    ),
    ("material", "Material", ("ahead", "ahead-by-rating")),
    ("exchange", "Exchange up", ("exchange-pawns", "exchange-lead")),
    ("pawns", "Pawn endings", ("pawn-endings",)),
    ("trading", "Trades", ("decisions", "decisions-by-rating", "decisions-estimated", "trades")),
    ("slipping", "Slips", ("slips", "slip-ways")),
)
#: Size of a bar in its own units.
WIDTH, HEIGHT = 200, 18
#: Remarks on what could not be read that the page shows.
MOST_TROUBLES = 20


@dataclass(frozen=True)
class BarLine:
    """A row of a table as the template needs it."""

    row: Row
    label: str
    rest: bool
    bar: Markup | None
    cells: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class ShownTable:
    """A table with its lines and the meaning of the textures of its bars."""

    table: Table
    lines: tuple[BarLine, ...]
    legend: tuple[tuple[Markup, str], ...]


@dataclass(frozen=True)
class Game:
    """A game worth looking at, with the position before the first move that is named."""

    pick: Pick
    players: str
    result: str
    where: str
    board: Markup | None
    caption: str
    href: str
    command: str


def html_text(summary: Summary) -> str:
    """The page; the same summary always gives the same text."""
    summary = replace(summary, player=isolated(summary.player))
    shown = {table.id: _shown(table) for table in shown_tables(summary)}
    groups = [
        (ident, name, [shown[id] for id in ids if id in shown]) for ident, name, ids in GROUPS
    ]
    return (
        environment()
        .get_template("collection.html.j2")
        .render(
            **frame("collection.css"),
            defs=piece_defs(),
            summary=summary,
            title=title(summary),
            facts=facts_words(summary),
            won=won_words(summary),
            habits=[habit_words(habit) for habit in summary.habits],
            habit_rule=HABIT_RULE,
            no_habit=NO_HABIT,
            practised=practised_words(summary.practised) if summary.practised else "",
            forfeits=[_game(0, pick) for pick in summary.forfeits],
            forfeits_words=forfeits_words(summary),
            reading=READING,
            groups=[group for group in groups if group[2]],
            games=[_game(number, pick) for number, pick in enumerate(summary.picks, 1)],
            troubles=summary.troubles[:MOST_TROUBLES],
            troubles_left=summary.facts.errors - len(summary.troubles[:MOST_TROUBLES]),
            dashes=dashes,
        )
    )


def dashes(text: str) -> str:
    """Ranges of numbers with the dash of print: ``52–69``."""
    return re.sub(r"(?<=\d)-(?=\d)", "–", text)


def _shown(table: Table) -> ShownTable:
    lines = tuple(_lines(table))
    return ShownTable(table, lines, _legend(table) if any(line.bar for line in lines) else ())


def _lines(table: Table) -> Iterator[BarLine]:
    rows = [*table.rows, table.total] if len(table.rows) > 1 else list(table.rows)
    for row in rows:
        yield _line(table, row, row.label, False)
        if row.rest is not None:
            yield _line(table, row.rest, f"others, {row.label}", True)


def _line(table: Table, row: Row, label: str, rest: bool) -> BarLine:
    cells = tuple((f"{share.count:,}", dashes(share_words(share))) for share in row.shares)
    bar = _bar(table, row, label) if table.whole and row.shares[0].low is not None else None
    return BarLine(row, dashes(label), rest, bar, cells)


# --- bars -----------------------------------------------------------------------------------


def _bar(table: Table, row: Row, label: str) -> Markup:
    """One row as a bar: first part full, second hatched, third empty, fourth hatched across.

    The line across it is the 95% interval of the first part.
    """
    text = ", ".join(
        f"{part} {share_words(share)}" for part, share in zip(table.parts, row.shares, strict=True)
    )
    words = escaped(dashes(f"{label}: {text}; {row.n:,} {table.unit}"))
    parts = [
        f'<svg viewBox="-1 -1 {WIDTH + 2} {HEIGHT + 2}" class="bar" role="img" '
        f'aria-label="{words}"><title>{words}</title>'
    ]
    at = 0.0
    for number, share in enumerate(row.shares):
        wide = WIDTH * share.count / max(row.n, 1)
        parts.append(_texture(number, at, wide, HEIGHT))
        at += wide
    parts.append(
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="none" stroke="currentColor"/>'
        f"{_whisker(row.shares[0])}</svg>"
    )
    return Markup("".join(parts))


def _texture(number: int, x: float, wide: float, high: float) -> str:
    """A stretch of a bar from ``x`` on."""
    if wide > 0 and number == 3:
        lines = "".join(f"M{x:.1f} {y}h{wide:.1f}" for y in range(3, int(high), 4))
        return (
            f'<path d="M{x:.1f} 0v{high}{lines}" stroke="currentColor" stroke-width="1.2" '
            'fill="none"/>'
        )
    if wide <= 0 or number > 1:
        edge = f"M{x:.1f} 0v{high}" if wide > 0 else ""
        return f'<path d="{edge}" stroke="currentColor" fill="none"/>' if edge else ""
    if number == 0:
        return f'<rect x="{x:.1f}" width="{wide:.1f}" height="{high}" fill="currentColor"/>'
    lines = "".join(
        f"M{x + step:.1f} 0v{high}"
        for step in (4.0 * n + 2 for n in range(int(wide / 4) + 1))
        if step < wide
    )
    return (
        f'<path d="M{x:.1f} 0v{high}{lines}" stroke="currentColor" stroke-width="1.2" fill="none"/>'
    )


def _whisker(share: Share) -> str:
    assert share.low is not None
    assert share.high is not None
    low, high, middle = WIDTH * share.low, WIDTH * share.high, HEIGHT / 2
    path = f"M{low:.1f} 4v{HEIGHT - 8}M{high:.1f} 4v{HEIGHT - 8}M{low:.1f} {middle}H{high:.1f}"
    return f'<path d="{path}" class="halo" fill="none"/><path d="{path}" class="span" fill="none"/>'


def _legend(table: Table) -> tuple[tuple[Markup, str], ...]:
    samples = [
        (_sample(_texture(number, 0, 20, 12)), part) for number, part in enumerate(table.parts)
    ]
    path = "M3 2v8M17 2v8M3 6H17"
    whisker = f'<path d="{path}" class="span" fill="none"/>'
    return (*samples, (_sample(whisker, frame=False), f"95% interval of “{table.parts[0]}”"))


def _sample(inner: str, frame: bool = True) -> Markup:
    edge = '<rect width="20" height="12" fill="none" stroke="currentColor"/>' if frame else ""
    return Markup(
        '<svg viewBox="-1 -1 22 14" width="22" height="14" aria-hidden="true" focusable="false" '
        f'class="sample">{inner}{edge}</svg>'
    )


# --- games ----------------------------------------------------------------------------------


def _game(number: int, pick: Pick) -> Game:
    first = next((moment for moment in pick.moments if moment.fen), None)
    pick = replace(
        pick,
        white=isolated(pick.white),
        black=isolated(pick.black),
        event=isolated(pick.event),
    )
    return Game(
        pick=pick,
        players=players_words(pick).replace(" - ", " – "),
        result=result_words(pick.result),
        where=where_words(pick),
        board=_board(number, first) if first is not None else None,
        caption=f"Before {first.label.rstrip('?')}" if first is not None else "",
        href=quote(os.fsencode(pick.page)),
        command=command_words(pick),
    )


def _board(number: int, moment: Moment) -> Markup:
    marks: tuple[Mark, ...] = ()
    if moment.uci:
        kind = "takes" if "x" in moment.label else "move"
        marks = (Mark(kind, moment.uci[:2], moment.uci[2:4]),)
    return board_svg(
        moment.fen, marks=marks, flipped=moment.side == "Black", ident=f"game-{number}"
    )
