"""The review as Markdown, for those who edit or print: the same sections as in the terminal.

Plain CommonMark: diagrams and the strip are set as code, and no name or comment of a game is read
as markup.
"""

from __future__ import annotations

import re

from convert.model import Review
from convert.reports import Around, Beside
from convert.reports.diagram import diagram
from convert.reports.sections import (
    Board,
    Item,
    Labelled,
    Paragraph,
    Piece,
    Section,
    Strip,
    sections,
    strip_rows,
)
from convert.rim.safe_text import safe

AROUND = Around(between="\n---\n\n")
#: Signs that CommonMark reads as markup within a line (section 2.4, backslash escapes).
_MARKUP = re.compile(r"([\\`*_\[\]<>#|~&])")
_LIST = re.compile(r"^(\d+)([.)]) ")


def text(review: Review, beside: Beside) -> str:  # noqa: ARG001 - every output is given both
    """The report on one game."""
    blocks: list[str] = []
    for section in sections(review):
        blocks += _section(section)
    return "\n\n".join(blocks) + "\n"


def escaped(text: str) -> str:
    """A text in which nothing is markup, on one line."""
    plain = _MARKUP.sub(r"\\\1", safe(" ".join(text.split())))
    return _LIST.sub(r"\1\\\2 ", plain)


def _section(section: Section) -> list[str]:
    blocks = [f"## {escaped(section.title)}"] if section.title else []
    run: list[str] = []  # items and rows in a row are one list
    for i, piece in enumerate(section.pieces):
        if isinstance(piece, (Item, Labelled)):
            run.append(_listed(piece))
            continue
        if run:
            blocks.append("\n".join(run))
            run = []
        blocks += _blocks(piece, top=not section.title and i == 0)
    return [*blocks, "\n".join(run)] if run else blocks


def _listed(piece: Item | Labelled) -> str:
    if isinstance(piece, Item):
        return f"- {escaped(piece.text)}"
    return f"- {escaped(piece.head)}: {escaped(piece.text)}"


def _blocks(piece: Piece, *, top: bool) -> list[str]:
    if isinstance(piece, Paragraph):
        words = escaped(piece.text)
        return [f"# {words}" if top else f"**{words}**" if piece.strong else words]
    if isinstance(piece, Board):
        rows = diagram(piece.fen, marks=piece.marks)
        caption = f"*{escaped(piece.caption)}*"
        return [_code(rows), caption, *(escaped(word) for word in piece.words)]
    assert isinstance(piece, Strip)
    return [_code(strip_rows(piece))]


def _code(rows: list[str]) -> str:
    return "\n".join(["```text", *(row.rstrip() for row in rows), "```"])
