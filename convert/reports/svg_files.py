"""The diagrams of a report, each as an SVG file of its own: for those who print or lay out.

What is drawn, and in which order, is what the report shows: the deciding moment, the slips, the
trades that mattered.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from convert.model import Review
from convert.reports import Beside
from convert.reports.board_svg import alone
from convert.reports.html import page_name
from convert.reports.html_lines import positions
from convert.reports.printed import marks_of
from convert.reports.sections import Board, sections

#: What a name does not hold.
_OTHER = re.compile(r"[^a-z0-9]+")


def boards(review: Review) -> list[tuple[str, Board]]:
    """The diagrams of a report with a plain word for where they stand; none stands twice."""
    drawn: dict[tuple[str, tuple[str, ...]], tuple[str, Board]] = {}
    for part in sections(review):
        for piece in part.pieces:
            if isinstance(piece, Board):
                drawn.setdefault((piece.fen, piece.marks), (part.ident, piece))
    return list(drawn.values())


def files(number: int, review: Review) -> Iterator[tuple[str, str]]:
    """Name and text of each file of a game: ``0001-dole-marsh-02-slips-before-33-axb4.svg``.

    Args:
        number: of the game among those written.
        review: the game.
    """
    stem = page_name(number, review).removesuffix(".html")
    for i, (where, board) in enumerate(boards(review), 1):
        label = _OTHER.sub("-", board.caption.partition(":")[0].lower()).strip("-")
        yield f"{stem}-{i:02d}-{where}-{label}.svg", _drawn(board)


def text(review: Review, beside: Beside) -> str:  # noqa: ARG001 - every output is given both
    """The first diagram of the report, that of the deciding moment; else the last position."""
    drawn = boards(review)
    if drawn:
        return _drawn(drawn[0][1])
    return _drawn(Board(positions(review)[-1].fen(), (), "The final position", ()))


def _drawn(board: Board) -> str:
    return alone(board.fen, marks=marks_of(board), title=board.caption)
