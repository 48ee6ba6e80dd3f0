"""Diagrams as SVG: black on white, hatched dark squares, coordinates, side to move.

A page puts :func:`piece_defs` once into its body; every diagram on it refers to the men and
the hatching defined there.  Nothing in the markup needs a style sheet, a script or another
file, and no attribute is named ``style``, so that a strict content security policy holds.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import chess
import chess.svg
from markupsafe import Markup, escape

from convert.reports.diagram import in_words

#: Side of a square in the user units of a diagram; the men are drawn to this size.
SQUARE = 45
#: Room left of the board for the ranks, and right of it for the side to move.
LEFT, RIGHT = 24, 26
#: Room above the board, and below it for the files.
TOP, BOTTOM = 4, 26
WIDTH, HEIGHT = LEFT + 8 * SQUARE + RIGHT, TOP + 8 * SQUARE + BOTTOM
#: The one colour of a diagram besides black and white, for marks (contrast 7.6 on white).
ACCENT = "#8a2a1f"
#: Prefix of the ids that :func:`piece_defs` defines.
PREFIX = "fp-"

_MEN = frozenset(chess.svg.PIECES)
#: What a mark may be.
KINDS = ("move", "takes", "given", "square")


@dataclass(frozen=True)
class Mark:
    """A mark of ours on a diagram.

    ``kind``: ``move`` an arrow from ``square`` to ``to``; ``takes`` the same with a cross on
    the square where a man is taken; ``given`` a ring around a man that leaves the board;
    ``square`` a frame around a square that matters.  Squares by name (``e4``).
    """

    kind: str
    square: str
    to: str | None = None

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"no such mark: {self.kind}")
        chess.parse_square(self.square)
        if (self.to is not None) != (self.kind in ("move", "takes")):
            raise ValueError(f"mark {self.kind}: needs two squares, or one")
        if self.to is not None:
            chess.parse_square(self.to)

    @property
    def words(self) -> str:
        """The mark in words, for those who do not see it."""
        return {
            "move": f"{self.square} to {self.to}",
            "takes": f"{self.square} takes {self.to}",
            "given": f"{self.square} goes off",
            "square": self.square,
        }[self.kind]


def piece_defs() -> Markup:
    """The men as symbols and the hatching, to be put into a page once, before the diagrams.

    Ids: ``fp-K`` to ``fp-p`` (letters as in FEN) and ``fp-hatch``.
    """
    men = "".join(_symbol(letter) for letter in chess.svg.PIECES)
    return Markup(
        '<svg width="0" height="0" aria-hidden="true" focusable="false" class="defs"><defs>'
        f'<path id="{PREFIX}hatch" d="{_hatching()}" fill="none" stroke="#000" '
        f'stroke-width="0.9"/>{men}</defs></svg>'
    )


def _hatching() -> str:
    """The lines on the dark squares, the same for either side at the bottom.

    Lines and not a pattern: printed patterns come out as a flat grey.
    """
    step = SQUARE / 6
    lines = []
    for square in chess.SquareSet(chess.BB_DARK_SQUARES):
        x, y = corner(square)
        for n in range(12):
            reach = (n + 0.5) * step
            near, far = max(0.0, reach - SQUARE), min(reach, SQUARE)
            lines.append(f"M{_n(x + near)} {_n(y + far)}L{_n(x + far)} {_n(y + near)}")
    return "".join(lines)


@cache
def _symbol(letter: str) -> str:
    """A man with a white edge below it, which keeps it apart from the hatching."""
    drawing = _drawing(letter)
    edge = re.sub(r'(fill|stroke)="#[0-9a-fA-F]+"', r'\1="#fff"', drawing)
    edge = re.sub(r'stroke-width="[^"]*"', 'stroke-width="5"', edge)
    return f'<symbol id="{PREFIX}{letter}" viewBox="0 0 45 45">{edge}{drawing}</symbol>'


def _drawing(letter: str) -> str:
    """python-chess's drawing of a man without ids, classes and style attributes."""
    text = re.sub(r' (id|class)="[^"]*"', "", chess.svg.PIECES[letter])

    def attributes(match: re.Match[str]) -> str:
        pairs = (item.split(":", 1) for item in match.group(1).split(";") if ":" in item)
        return "".join(f' {name.strip()}="{value.strip()}"' for name, value in pairs)

    return re.sub(r' style="([^"]*)"', attributes, text)


def corner(square: chess.Square, *, flipped: bool = False) -> tuple[int, int]:
    """Left upper corner of a square in the diagram's user units."""
    file, rank = chess.square_file(square), chess.square_rank(square)
    column, row = (7 - file, rank) if flipped else (file, 7 - rank)
    return LEFT + column * SQUARE, TOP + row * SQUARE


def board_svg(
    fen: str,
    *,
    marks: Sequence[Mark] = (),
    last: str | None = None,
    size: int | None = None,
    flipped: bool = False,
    ident: str,
    css: str = "board",
) -> Markup:
    """One diagram as an ``<svg>`` element, safe to put into a page that has the men's defs.

    ``marks`` are drawn in the accent colour, each by a shape of its own; ``last`` (UCI) frames
    the squares of the move that led here; ``size`` is the width in CSS pixels (None leaves it
    to the page); ``flipped`` puts Black at the bottom; ``ident`` must be unique on the page
    and is a plain word (letters, digits, ``-``).  The text alternative tells the position,
    the marks and the last move in words.

    Raises:
        ValueError: not a FEN, not a move, or not a plain word.
    """
    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9-]*", ident):
        raise ValueError(f"not fit for an id: {ident!r}")
    board = chess.Board(fen)
    moved = chess.Move.from_uci(last) if last else None
    words = in_words(fen)
    if moved:
        words += f"; last move from {last[:2]} to {last[2:4]}" if last else ""
    if marks:
        words += "; marked: " + ", ".join(mark.words for mark in marks)
    wide = f' width="{size}" height="{round(size * HEIGHT / WIDTH)}"' if size else ""
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}"{wide} '
        f'class="{escape(css)}" role="img" aria-labelledby="{ident}-t">'
        f'<title id="{ident}-t">{escape(words)}</title>',
        _ground(flipped),
    ]
    frames = [moved.from_square, moved.to_square] if moved else []
    parts.append(
        '<g class="last" fill="none" stroke="#000" stroke-width="2">'
        + "".join(_frame(square, flipped) for square in frames)
        + "</g>"
    )
    parts.append('<g class="men">')
    for square, piece in sorted(board.piece_map().items()):
        x, y = corner(square, flipped=flipped)
        parts.append(
            f'<use href="#{PREFIX}{piece.symbol()}" x="{x}" y="{y}" '
            f'width="{SQUARE}" height="{SQUARE}"/>'
        )
    parts.append("</g>")
    if marks:
        drawn = "".join(_mark(mark, flipped) for mark in marks)
        parts.append(f'<g class="marks" fill="none" stroke-linecap="round">{drawn}</g>')
    parts.append(_mover(board.turn, flipped))
    parts.append("</svg>")
    return Markup("".join(parts))


def alone(fen: str, *, marks: Sequence[Mark] = (), title: str = "") -> str:
    """One diagram as a whole SVG file, with the men that stand on it and nothing else.

    Args:
        fen: the position.
        marks: as in :func:`board_svg`.
        title: what the diagram shows, told before the position in words.

    Raises:
        ValueError: not a FEN.
    """
    drawing = board_svg(fen, marks=marks, ident="board", size=WIDTH)
    men = "".join(_symbol(letter) for letter in sorted({*chess.Board(fen).board_fen()} & _MEN))
    defs = (
        f'<defs><path id="{PREFIX}hatch" d="{_hatching()}" fill="none" stroke="#000" '
        f'stroke-width="0.9"/>{men}</defs>'
    )
    start, title_tag, rest = drawing.partition('<title id="board-t">')
    words, end, rest = rest.partition("</title>")
    lead = f"{escape(title)}; " if title else ""
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f"{start}{title_tag}{lead}{words}{end}{defs}{rest}\n"
    )


def _ground(flipped: bool) -> str:
    """Paper, hatched dark squares, frame and coordinates."""
    side = 8 * SQUARE
    text = []
    for i in range(8):
        rank, file = (i + 1, "hgfedcba"[i]) if flipped else (8 - i, "abcdefgh"[i])
        middle = i * SQUARE + SQUARE // 2
        text.append(f'<text x="{LEFT - 11}" y="{TOP + middle + 5}">{rank}</text>')
        text.append(f'<text x="{LEFT + middle}" y="{TOP + side + 18}">{file}</text>')
    return (
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#fff"/>'
        f'<use href="#{PREFIX}hatch"/>'
        f'<rect x="{LEFT}" y="{TOP}" width="{side}" height="{side}" fill="none" stroke="#000" '
        'stroke-width="2"/>'
        '<g font-family="Georgia, \'Times New Roman\', serif" font-size="15" fill="#000" '
        f'text-anchor="middle">{"".join(text)}</g>'
    )


def _mover(turn: chess.Color, flipped: bool) -> str:
    """The side to move: an open or a filled triangle on that side's edge of the board."""
    at_bottom = turn is not flipped
    x = LEFT + 8 * SQUARE + 6
    y = TOP + 8 * SQUARE - 7 if at_bottom else TOP + 7
    rise = -14 if at_bottom else 14
    fill = "#fff" if turn else "#000"
    return (
        f'<path class="mover" d="M{x} {y}h15l-7.5 {rise}z" fill="{fill}" stroke="#000" '
        'stroke-width="1.6" stroke-linejoin="round"/>'
    )


def _frame(square: chess.Square, flipped: bool) -> str:
    x, y = corner(square, flipped=flipped)
    return f'<rect x="{x + 2}" y="{y + 2}" width="{SQUARE - 4}" height="{SQUARE - 4}"/>'


def _centre(square: chess.Square, flipped: bool) -> tuple[float, float]:
    x, y = corner(square, flipped=flipped)
    return x + SQUARE / 2, y + SQUARE / 2


def _mark(mark: Mark, flipped: bool) -> str:
    """A mark with a white edge below it, so that it stands out on men and hatching."""
    square = chess.parse_square(mark.square)
    x, y = _centre(square, flipped)
    half = SQUARE / 2
    if mark.kind == "given":
        shape = f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{_n(half - 3)}"/>'
    elif mark.kind == "square":
        shape = _frame(square, flipped)
    else:
        assert mark.to is not None
        end = _centre(chess.parse_square(mark.to), flipped)
        shape = _arrow((x, y), end, cross=mark.kind == "takes")
    return (
        f'<g stroke="#fff" stroke-width="6">{shape}</g>'
        f'<g stroke="{ACCENT}" stroke-width="3">{shape}</g>'
    )


def _arrow(start: tuple[float, float], end: tuple[float, float], *, cross: bool) -> str:
    """A shaft with an open head; ``cross`` puts a small cross beyond the head."""
    dx, dy = end[0] - start[0], end[1] - start[1]
    length = max((dx * dx + dy * dy) ** 0.5, 1.0)
    ux, uy = dx / length, dy / length
    x1, y1 = start[0] + ux * 15, start[1] + uy * 15
    x2, y2 = end[0] - ux * (16 if cross else 5), end[1] - uy * (16 if cross else 5)
    barbs = [(x2 - 10 * ux + 6 * side * uy, y2 - 10 * uy - 6 * side * ux) for side in (1, -1)]
    path = (
        f"M{_n(x1)} {_n(y1)}L{_n(x2)} {_n(y2)}"
        f"M{_n(barbs[0][0])} {_n(barbs[0][1])}L{_n(x2)} {_n(y2)}"
        f"L{_n(barbs[1][0])} {_n(barbs[1][1])}"
    )
    if cross:
        x, y = end
        path += f"M{_n(x - 7)} {_n(y - 7)}l14 14m0 -14l-14 14"
    return f'<path d="{path}" stroke-linejoin="round"/>'


def _n(value: float) -> str:
    """A coordinate with at most one decimal."""
    return f"{value:.1f}".removesuffix(".0")
