"""What is printed of a game besides the sections of its report: for booklets and LaTeX."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import chess

from convert.model import Review, Side
from convert.reports.board_svg import Mark
from convert.reports.html_lines import move_mark
from convert.reports.sections import Board, Section, sections
from convert.wording.small import counted, date_words
from convert.wording.verdicts import line_words

#: The sections of a game in a booklet, in order; trades in a few lines each.
SHOWN = ("head", "deciding", "story", "slips", "trades", "only", "technique", "teach")


@dataclass(frozen=True)
class Chapter:
    """A game of a booklet.

    Attributes:
        number: from 1.
        white: as in the tags, empty where unknown; likewise ``black``, ``event`` and ``date``.
        result: as in the tags.
        moves: of the game, a move of each side counted as one.
        text: the chapter as the form of the booklet has it.
    """

    number: int
    white: str
    black: str
    event: str
    date: str
    result: str
    moves: int
    text: str

    @property
    def players(self) -> str:
        """``White - Black``."""
        return f"{self.white or 'White'} - {self.black or 'Black'}"


def chapter_of(number: int, review: Review, text: str) -> Chapter:
    """The chapter of a review."""
    tags = {name: value for name, value in review.tags.items() if value.strip("?-. ")}
    return Chapter(
        number=number,
        white=tags.get("White", ""),
        black=tags.get("Black", ""),
        event=tags.get("Event", ""),
        date=tags.get("Date", ""),
        result=review.result,
        moves=(len(review.plies) + 1) // 2,
        text=text,
    )


def started(chapters: Sequence[Chapter]) -> list[str]:
    """The lines below the title: how many games, from when to when."""
    lines = [counted(len(chapters), "game")]
    dates = sorted({made.date for made in chapters if made.date})
    if dates:
        first, last = date_words(dates[0]), date_words(dates[-1])
        lines.append(first if first == last else f"{first} to {last}")
    return lines


def printed(review: Review) -> tuple[Section, ...]:
    """The sections of a game in a booklet; the head without title and name of the file."""
    whole = {part.ident: part for part in sections(review)}
    short = {part.ident: part for part in sections(review, brief=True)}
    made = []
    for ident in SHOWN:
        part = (short if ident == "trades" else whole).get(ident)
        if part is not None and ident == "head":
            part = Section(part.ident, part.title, part.depth, part.pieces[2:])
        if part is not None and part.pieces:
            made.append(part)
    return tuple(made)


def marks_of(piece: Board) -> tuple[Mark, ...]:
    """The marks of a diagram: the arrow of the move, where two squares are named."""
    if len(piece.marks) == 2:
        board = chess.Board(piece.fen)
        return (move_mark(board, "".join(piece.marks)),)
    return tuple(Mark("square", name) for name in piece.marks)


def first_position(review: Review) -> Board | None:
    """The diagram of a game that does not begin with all men on their squares; else None."""
    if review.start_fen.split()[0] == chess.STARTING_BOARD_FEN:
        return None
    return Board(review.start_fen, (), "The first position", ())


def score_words(review: Review) -> str:
    """All moves of the game with the result."""
    if not review.plies:
        return review.result
    first = review.plies[0]
    moves = tuple(record.san for record in review.plies)
    return f"{line_words(first.number, Side(first.side), moves)} {review.result}"
