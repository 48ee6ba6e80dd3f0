"""The review in the terminal: quiet, 80 columns, nothing told by colour alone."""

from __future__ import annotations

import textwrap

from rich.console import Console
from rich.text import Text

from convert.model import Review
from convert.reports.diagram import diagram
from convert.reports.sections import (
    Board,
    Item,
    Labelled,
    Paragraph,
    Piece,
    Section,
    Strip,
    StripMove,
    sections,
)
from convert.rim.safe_text import safe

#: Text is never set wider than this, whatever the terminal.
MOST_COLUMNS = 100
#: Moves in one row of the strip.
STRIP_MOVES = 20
#: What ends a brief report.
MORE = (
    "More with --full: each slip and trade with its diagram, the outcome move by move, material, "
    "how we know."
)
#: Columns of the left half of a row.
ROW_HEAD = 15


class Page:
    """Writes headings, paragraphs and rows to a console, plain text throughout."""

    def __init__(self, console: Console):
        self.console = console
        self.width = min(console.width, MOST_COLUMNS)

    def line(self, text: str = "", style: str = "") -> None:
        """One line as it is."""
        self.console.print(Text(safe(text), style=style), soft_wrap=True)

    def heading(self, text: str) -> None:
        """A heading with an empty line before it."""
        self.line()
        self.line(text, "bold")

    def paragraph(self, text: str, indent: int = 2, hang: int = 0, style: str = "") -> None:
        """A wrapped paragraph; ``hang`` columns more for all lines but the first."""
        wrapped = textwrap.wrap(
            safe(text),
            self.width - 1,
            initial_indent=" " * indent,
            subsequent_indent=" " * (indent + hang),
            break_long_words=False,
            break_on_hyphens=False,
        )
        for row in wrapped:
            self.line(row, style)

    def item(self, text: str, indent: int = 2) -> None:
        """A list item."""
        self.paragraph(f"- {text}", indent, 2)

    def beside(self, left: list[str], right: str, indent: int = 4) -> None:
        """A block of fixed lines with wrapped text at its right."""
        gap = max(len(row) for row in left) + indent + 2
        rows: list[str] = []
        for paragraph in right.split("\n"):
            rows += textwrap.wrap(
                paragraph, max(self.width - gap - 1, 24), break_on_hyphens=False
            ) or [""]
        if self.width - gap < 28:
            for row in left:
                self.line(" " * indent + row)
            for paragraph in right.split("\n"):
                self.paragraph(paragraph, indent)
            return
        for i in range(max(len(left), len(rows))):
            a = left[i] if i < len(left) else ""
            b = rows[i] if i < len(rows) else ""
            self.line((" " * indent + a).ljust(gap) + b if b else " " * indent + a)


def print_review(
    review: Review, console: Console, *, figures: bool = False, full: bool = False
) -> None:
    """Print the review.

    Args:
        review: the game.
        console: where to.
        figures: diagrams with chess figures instead of letters.
        full: slips and trades with diagrams and all that is said of them, the outcome move by
            move, material, and how it is known; without it they are told in a few lines each.
    """
    page = Page(console)
    for section in sections(review, brief=not full):
        _section(page, section, figures)
    if not full:
        page.line()
        page.paragraph(MORE, 0)


def _section(page: Page, section: Section, figures: bool) -> None:
    indent = 2 if section.title else 0
    if section.title:
        page.heading(section.title)
    for piece in section.pieces:
        _piece(page, piece, indent, figures)


def _piece(page: Page, piece: Piece, indent: int, figures: bool) -> None:
    if isinstance(piece, Paragraph):
        page.paragraph(piece.text, indent, 3 if piece.strong else 0, "bold" * piece.strong)
    elif isinstance(piece, Item):
        page.item(piece.text, indent)
    elif isinstance(piece, Labelled):
        page.paragraph(f"{piece.head:{ROW_HEAD - 1}} {piece.text}", indent, ROW_HEAD)
    elif isinstance(piece, Board):
        page.beside(diagram(piece.fen, figures=figures, marks=piece.marks), "\n".join(piece.words))
    else:
        _strip(page, piece)


def _strip(page: Page, strip: Strip) -> None:
    size = 10 if page.width < 72 else STRIP_MOVES
    for i in range(0, len(strip.moves), size):
        _strip_row(page, strip.moves[i : i + size])


def _strip_row(page: Page, row: tuple[StripMove, ...]) -> None:
    first, last = row[0].number, row[-1].number
    label = f"{first}" if first == last else f"{first}-{last}"
    page.line(f"  {label:>9} {' '.join(move.letters for move in row)}".rstrip())
    marks = " ".join(move.marks for move in row)
    if marks.strip():
        page.line(f"            {marks}".rstrip())
