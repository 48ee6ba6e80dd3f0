"""A booklet of several games as one page made to print: title page, contents, a chapter a game.

Set from the model of sections that terminal, Markdown and LaTeX use; no script, no network.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby

from markupsafe import Markup

from convert.model import Review
from convert.reports.board_svg import board_svg, piece_defs
from convert.reports.html_text import clean, environment, escaped, frame, result_words, typeset
from convert.reports.printed import (
    Chapter,
    first_position,
    marks_of,
    printed,
    score_words,
    started,
)
from convert.reports.sections import Board, Item, Labelled, Paragraph, Piece, Section
from convert.wording.small import date_words


def chapter(number: int, review: Review) -> str:
    """A game of a booklet; ``number`` from 1 names its place in the page."""
    figures = iter(range(1, 10_000))
    parts = [_section(part, number, figures) for part in printed(review)]
    first = first_position(review)
    start = "" if first is None else _board(first, number, figures)
    score = Markup("<h3>The game</h3>{}<p>{}</p>").format(
        Markup(start), escaped(score_words(review))
    )
    return "\n".join([*parts, score])


def booklet(title: str, chapters: Sequence[Chapter]) -> Iterator[str]:
    """The booklet in pieces."""
    rows = [
        (made, date_words(made.date), result_words(made.result), Markup(made.text))
        for made in chapters
    ]
    return (
        environment()
        .get_template("booklet.html.j2")
        .generate(
            **frame("booklet.css"),
            title=title,
            started=started(chapters),
            rows=rows,
            defs=piece_defs(),
        )
    )


def _section(part: Section, number: int, figures: Iterator[int]) -> str:
    made = [Markup("<h3>{}</h3>").format(_words(part.title))] if part.title else []
    for listed, group in groupby(part.pieces, key=lambda piece: isinstance(piece, Item | Labelled)):
        run = tuple(group)
        made.append(_list(run) if listed else _blocks(run, number, figures))
    return Markup("<section>{}</section>").format(Markup("\n").join(made))


def _list(run: Iterable[Piece]) -> Markup:
    items = []
    for piece in run:
        head = f"{piece.head}: " if isinstance(piece, Labelled) else ""
        assert isinstance(piece, Item | Labelled)
        items.append(Markup("<li>{}</li>").format(_words(head + piece.text)))
    return Markup("<ul>{}</ul>").format(Markup("").join(items))


def _blocks(run: Iterable[Piece], number: int, figures: Iterator[int]) -> Markup:
    made = []
    for piece in run:
        if isinstance(piece, Board):
            made.append(_board(piece, number, figures))
        elif isinstance(piece, Paragraph):
            tag = "h4" if piece.strong else "p"
            made.append(Markup("<{0}>{1}</{0}>").format(Markup(tag), _words(piece.text)))
    return Markup("\n").join(made)


def _board(piece: Board, number: int, figures: Iterator[int]) -> Markup:
    drawn = board_svg(piece.fen, marks=marks_of(piece), ident=f"g{number}d{next(figures)}")
    words = Markup("").join(Markup("<p>{}</p>").format(_words(text)) for text in piece.words)
    return Markup(
        '<div class="beside"><figure>{}<figcaption>{}</figcaption></figure><div>{}</div></div>'
    ).format(drawn, _words(piece.caption), words)


def _words(text: str) -> Markup:
    """A sentence of ours as markup."""
    return Markup("").join([clean(typeset(text))])
