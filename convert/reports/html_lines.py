"""Lines of moves and the diagrams they are stepped on."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import chess
from markupsafe import Markup

from convert.model import PlyRecord, Review, Side, move_label
from convert.reports.board_svg import LEFT, SQUARE, TOP, Mark, board_svg

#: Lines are printed and stepped to this length, in plies.
MOST_PLIES = 24
#: One position to step to: men and side to move as in FEN, last move (UCI), label, remark.
Step = tuple[str, str, str, str]


@dataclass(frozen=True)
class MoveText:
    """A move as printed in a line, and with its number always."""

    text: str
    label: str


@dataclass(frozen=True)
class LineView:
    """A printed line: what leads it in, its moves, what stands behind it.

    ``number`` names it among the page's positions; None where it cannot be stepped.
    """

    lead: str
    moves: tuple[MoveText, ...]
    tail: str
    number: int | None


@dataclass(frozen=True)
class Figure:
    """A diagram with its number on the page and its caption."""

    ident: str
    number: int
    svg: Markup
    caption: str
    stepped: bool = True


def place(board: chess.Board) -> str:
    """Men and side to move as in FEN."""
    return f"{board.board_fen()} {'w' if board.turn else 'b'}"


def play(fen: str, sans: tuple[str, ...]) -> tuple[list[MoveText], list[Step]]:
    """A line as printed and as stepped, up to the first move that does not fit the position."""
    board = chess.Board(fen)
    texts: list[MoveText] = []
    steps: list[Step] = []
    for san in sans:
        try:
            move = board.parse_san(san)
        except ValueError:
            break
        label = move_label(board.fullmove_number, Side.of(board.turn), san)
        texts.append(MoveText(label if board.turn or not texts else san, label))
        board.push(move)
        steps.append((place(board), move.uci() if move else "", label, ""))
    return texts, steps


def positions(review: Review) -> list[chess.Board]:
    """The positions of the game, the start first."""
    board = chess.Board(review.start_fen)
    boards = [board.copy(stack=False)]
    for record in review.plies:
        board.push_uci(record.uci)
        boards.append(board.copy(stack=False))
    return boards


@dataclass
class Desk:
    """Hands out numbers to diagrams and lines while a page is put together."""

    figures: dict[str, Step] = field(default_factory=dict)
    lines: list[tuple[str, list[Step], int]] = field(default_factory=list)
    drawn: int = 0

    def figure(
        self, fen: str, caption: str, marks: tuple[Mark, ...] = (), last: str | None = None
    ) -> Figure:
        """A new diagram."""
        self.drawn += 1
        ident = f"d{self.drawn}"
        self.figures[ident] = (place(chess.Board(fen)), last or "", "", "")
        svg = board_svg(fen, marks=marks, last=last, ident=ident)
        return Figure(ident, self.drawn, svg, caption)

    def line(
        self,
        figure: Figure,
        fen: str,
        sans: tuple[str, ...],
        lead: str = "",
        ends: str = "",
        most: int | None = MOST_PLIES,
    ) -> LineView:
        """A line to be stepped on ``figure``; ``ends`` says what it comes to.

        It is cut after ``most`` plies (None: shown whole).
        """
        texts, steps = play(fen, sans[:most])
        left = len(sans) - most if most is not None else 0
        tail = f"... ({left} plies more)" if left > 0 else f"({ends})" if ends else ""
        self.lines.append((figure.ident, steps, -1))
        return LineView(lead, tuple(texts), tail, len(self.lines) - 1)

    def data(self) -> dict[str, Any]:
        """Everything the page's script needs."""
        return {
            "size": [SQUARE, LEFT, TOP],
            "figures": self.figures,
            "lines": self.lines,
        }


def move_mark(board: chess.Board, uci: str) -> Mark:
    """The arrow of a move, with a cross where it takes."""
    move = chess.Move.from_uci(uci)
    kind = "takes" if board.is_capture(move) else "move"
    return Mark(kind, uci[:2], uci[2:4])


def gone(
    boards: list[chess.Board], records: tuple[PlyRecord, ...], first: int, last: int
) -> tuple[str, ...]:
    """Squares, before ply ``first``, of the men that leave the board by ply ``last``."""
    where = {square: square for square in chess.SquareSet(boards[first - 1].occupied)}
    out = []
    for record in records[first - 1 : last]:
        board = boards[record.ply - 1]
        move = chess.Move.from_uci(record.uci)
        taken = move.to_square
        if board.is_en_passant(move):
            taken = chess.square(
                chess.square_file(move.to_square), chess.square_rank(move.from_square)
            )
        if board.is_capture(move) and taken in where:
            out.append(where.pop(taken))
        if move.from_square in where:
            where[move.to_square] = where.pop(move.from_square)
    return tuple(chess.square_name(square) for square in sorted(out))
