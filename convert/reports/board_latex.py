"""Diagrams for LaTeX: the same men, hatching and marks as on pages, drawn with TikZ.

The men and the empty board are boxes, made once at the head of a document (:func:`preamble`); a
diagram is a ``picture`` that puts them on their squares.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator, Sequence
from functools import cache

import chess
import chess.svg

from convert.reports.board_svg import Mark

#: Side of a square in the units of a drawing (python-chess draws men to it).
SQUARE = 45
#: One such unit in points: a board is 4.7 cm wide.
UNIT = 0.372
#: Names of the boxes: TeX's commands have letters only.
BOXES = {
    sign: f"fp{colour}{chess.piece_name(kind).capitalize()}"
    for kind in chess.PIECE_TYPES
    for sign, colour in (
        (chess.piece_symbol(kind), "Black"),
        (chess.piece_symbol(kind).upper(), "White"),
    )
}
_NUMBER = re.compile(r"[A-Za-z]|-?(?:\d+\.?\d*|\.\d+)(?:[eE]-?\d+)?")
_COLOURS = {"#000": "black", "#000000": "black", "#fff": "white", "#ffffff": "white"}


def preamble() -> str:
    """The packages and boxes that diagrams need, for the head of a document."""
    boxes = "\n".join(
        f"\\newsavebox{{\\{name}}}\\sbox{{\\{name}}}{{{_man(letter)}}}%"
        for letter, name in BOXES.items()
    )
    return (
        "\\usepackage{tikz}\n\\usetikzlibrary{svg.path}\n"
        "\\definecolor{fpAccent}{HTML}{8A2A1F}\n"
        f"\\newlength{{\\fpUnit}}\\setlength{{\\fpUnit}}{{{UNIT}pt}}%\n"
        f"{boxes}\n"
        f"\\newsavebox{{\\fpGround}}\\sbox{{\\fpGround}}{{{_ground()}}}%\n"
    )


def board_latex(fen: str, marks: Sequence[Mark] = ()) -> str:
    """A diagram as a ``picture``, White at the bottom, with the side to move at its right edge.

    Raises:
        ValueError: not a FEN.
    """
    board = chess.Board(fen)
    side = 8 * SQUARE
    rows = [
        f"\\begin{{picture}}({side + 46},{side + 22})(-22,-22)",
        "\\put(0,0){\\usebox{\\fpGround}}",
    ]
    for square, piece in sorted(board.piece_map().items()):
        x, y = _corner(square)
        rows.append(f"\\put({x},{y}){{\\usebox{{\\{BOXES[piece.symbol()]}}}}}")
    for i in range(8):
        middle = i * SQUARE + SQUARE // 2
        rows.append(f"\\put(-12,{middle}){{\\makebox(0,0){{\\footnotesize {i + 1}}}}}")
        rows.append(f"\\put({middle},-13){{\\makebox(0,0){{\\footnotesize {'abcdefgh'[i]}}}}}")
    rows.append(_mover(board.turn))
    if marks:
        drawn = "".join(_mark(mark) for mark in marks)
        rows.append(f"\\put(0,0){{{_picture(drawn, side)}}}")
    rows.append("\\end{picture}")
    return "\\setlength{\\unitlength}{\\fpUnit}%\n" + "%\n".join(rows)


def _corner(square: chess.Square) -> tuple[int, int]:
    return chess.square_file(square) * SQUARE, chess.square_rank(square) * SQUARE


def _picture(inner: str, side: int) -> str:
    """A TikZ picture of ``side`` units each way, its origin at the left lower corner."""
    return (
        "\\begin{tikzpicture}[x=\\fpUnit,y=\\fpUnit,baseline=0pt]"
        f"\\useasboundingbox (0,0) rectangle ({side},{side});{inner}\\end{{tikzpicture}}"
    )


def _mover(turn: chess.Color) -> str:
    """An open or filled triangle on the edge of the side to move."""
    y, rise = (8, -1) if not turn else (0, 1)
    fill = "white" if turn else "black"
    foot = y * SQUARE + 3 * rise
    path = f"(3,{foot}) -- (17,{foot}) -- (10,{foot + 13 * rise}) -- cycle"
    inner = f"\\path[draw=black,fill={fill},line width=0.4pt] {path};"
    return (
        f"\\put({8 * SQUARE},0){{\\begin{{tikzpicture}}[x=\\fpUnit,y=\\fpUnit,baseline=0pt]"
        f"\\useasboundingbox (0,0) rectangle (20,{8 * SQUARE});{inner}\\end{{tikzpicture}}}}"
    )


def _mark(mark: Mark) -> str:
    """A mark in the accent colour with a white edge below it."""
    half = SQUARE / 2
    x, y = _corner(chess.parse_square(mark.square))
    if mark.kind == "given":
        shape, tip = f"({x + half},{y + half}) circle[radius={half - 3}]", ""
    elif mark.kind == "square":
        shape, tip = f"({x + 2},{y + 2}) rectangle ({x + SQUARE - 2},{y + SQUARE - 2})", ""
    else:
        assert mark.to is not None
        to_x, to_y = _corner(chess.parse_square(mark.to))
        dx, dy = to_x - x, to_y - y
        length = max((dx * dx + dy * dy) ** 0.5, 1.0)
        short = 6 / length
        shape = (
            f"({x + half + dx * 15 / length:.1f},{y + half + dy * 15 / length:.1f}) -- "
            f"({to_x + half - dx * short:.1f},{to_y + half - dy * short:.1f})"
        )
        tip = ",->"
    return (
        f"\\path[draw=white,line width=2.2pt] {shape};"
        f"\\path[draw=fpAccent,line width=1.1pt{tip}] {shape};"
    )


@cache
def _ground() -> str:
    """Paper, hatched dark squares and the frame."""
    step, lines = SQUARE / 5, []
    for square in chess.SquareSet(chess.BB_DARK_SQUARES):
        x, y = _corner(square)
        for n in range(10):
            reach = (n + 0.5) * step
            near, far = max(0.0, reach - SQUARE), min(reach, SQUARE)
            lines.append(
                f"({x + near:g},{y + SQUARE - far:g})--({x + far:g},{y + SQUARE - near:g})"
            )
    side = 8 * SQUARE
    return _picture(
        f"\\draw[line width=0.25pt] {' '.join(lines)};"
        f"\\draw[line width=0.8pt] (0,0) rectangle ({side},{side});",
        side,
    )


@cache
def _man(letter: str) -> str:
    """A man as a picture of one square, with a white edge that keeps it off the hatching."""
    drawing = ET.fromstring(chess.svg.PIECES[letter])
    shapes = list(_shapes(drawing, {}))
    edge = "".join(f"\\path[draw=white,line width={5 * UNIT:g}pt] {shape};" for _, shape in shapes)
    ink = "".join(f"\\path[{look}] {shape};" for look, shape in shapes)
    style = f"yscale=-1,shift={{(0,-{SQUARE})}}"
    scope = f"\\begin{{scope}}[{style},line cap=round,line join=round,even odd rule]{edge}{ink}"
    return _picture(scope + "\\end{scope}", SQUARE)


def _shapes(node: ET.Element, outer: dict[str, str]) -> Iterator[tuple[str, str]]:
    """Each shape of a drawing: how it is drawn, and its path."""
    own = {**outer, **node.attrib}
    for item in node.get("style", "").split(";"):
        name, _, value = item.partition(":")
        if value:
            own[name.strip()] = value.strip()
    shape = ""
    if node.tag.endswith("path"):
        shape = f"[scale={UNIT}] svg {{{_spaced(node.attrib['d'])}}}"
    elif node.tag.endswith("circle"):
        at, radius = (node.attrib["cx"], node.attrib["cy"]), node.attrib["r"]
        shape = f"({at[0]},{at[1]}) circle[radius={radius}]"
    if shape:
        yield _look(own), shape
    for child in node:
        passed = {k: v for k, v in own.items() if k in ("fill", "stroke", "stroke-width")}
        yield from _shapes(child, passed)


def _look(attributes: dict[str, str]) -> str:
    width = float(attributes.get("stroke-width", 1)) * UNIT
    look = [f"line width={width:g}pt"]
    for name, key in (("fill", "fill"), ("draw", "stroke")):
        value = attributes.get(key, "none").lower()
        if value != "none":
            look.append(f"{name}={_COLOURS.get(value, 'white')}")
    return ",".join(look)


def _spaced(path: str) -> str:
    """SVG path data with every number by itself, as TikZ reads it."""
    return " ".join(
        item if item.isalpha() else f"{float(item):g}" for item in _NUMBER.findall(path)
    )
