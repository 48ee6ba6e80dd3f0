"""A game as text in PGN's export format.

The rules are those of the *Portable Game Notation Specification and Implementation Guide* (1994):

* section 3: what is written is export format, byte for byte determined by the game;
* section 4.2: no tabs; section 4.3: lines of 80 and more printing characters only where a tag value
  forces it;
* section 7: in a tag value a quote and a backslash are written with a backslash before them;
* section 8.1: each tag pair on its own line, the Seven Tag Roster first and in order, then the
  other tags in ASCII order of their names, then one empty line;
* section 8.2.1: movetext tokens filled into lines of less than 80 characters, one space between
  them, one empty line after the last;
* section 8.2.2.2: ``12.`` before each White move, ``12...`` before a Black move only behind an
  annotation, a comment or a variation, or where the line starts with it;
* sections 8.2.3.8 and 10: annotations as NAGs (``$1``), not as ``!``;
* sections 8.1.1.7 and 8.2.6: the movetext ends with the token that the Result tag shows.

Where the text leaves comments open (section 5: "Export format representation of comments needs
definition work"; section 8.2.1: no space at either end of a line, but "this may change in the case
of commentary") the choices are:
comments are wrapped at white space, each run of which counts as one space, and lose control
characters, which are no printing characters (section 4.1); embedded commands
(``[%clk 0:01:02]``) are never broken and kept byte for byte; a word of a comment that starts with
``%`` (column 1: section 6), ``[`` or ``;`` stays behind the word before it, or where that does not
fit gets a space before it, so that no line starts with it; a word or command too long for a line
gets a line of its own, longer than 79 characters.
"""

from __future__ import annotations

import re
from collections.abc import Generator, Iterator
from typing import Any

import chess
import chess.pgn

__all__ = ["comment_behind", "comment_of", "export_game", "safe_comment", "starting_comment_of"]

ROSTER = ("Event", "Site", "Date", "Round", "White", "Black", "Result")
RESULTS = ("1-0", "0-1", "1/2-1/2", "*")
_UNKNOWN = {"Date": "????.??.??", "Result": "*"}

_CONTROL = re.compile(r"[\x00-\x1f\x7f]")
_UNPRINTABLE = re.compile(r"[\x00-\x08\x0e-\x1f\x7f]")  # of these, all but white space
_SPACE = re.compile(r"[ \t\n\r\f\v]+")  # not the no-break space, which is part of the text
# A word holds embedded commands whole; an unclosed "[%" is plain text.
_WORD = re.compile(r"(?:\[%[^\[\]]*\]|[^ \t\n\r\f\v])+")
_LINE_END = re.compile(r"[\n\r]")
_GUARDED = ("%", "[", ";")

REMARK = re.compile(r"\[fullpoint: [^\[\]]*\]")
"""A remark of ours in a comment (the brackets are those of an editor in an author's text)."""


def safe_comment(text: str) -> str:
    """Text made fit for a PGN comment: one line, round brackets for braces, no control characters.

    Brace comments do not nest and end at the first right brace (section 5).
    """
    text = text.replace("{", "(").replace("}", ")")
    return _SPACE.sub(" ", _UNPRINTABLE.sub("", text)).strip(" ")


def comment_of(node: chess.pgn.GameNode) -> str:
    """The comment behind a move, or before the first move for the game itself; "" if none.

    The one place (with `starting_comment_of`) that knows how python-chess holds comments: a string
    up to 1.11, a list of strings in later versions.
    """
    return _joined(node, "comment", "comments")


def add_comment(node: chess.pgn.GameNode, text: str) -> None:
    """Write a text, made safe, behind what stands after a move already; nothing if it is empty."""
    text = safe_comment(text)
    if text:
        before = comment_of(node)
        node.comment = f"{before} {text}" if before else text


def starting_comment_of(node: chess.pgn.GameNode) -> str:
    """The comment before the first move of a variation; "" if none."""
    return _joined(node, "starting_comment", "starting_comments")


def _joined(node: chess.pgn.GameNode, one: str, many: str) -> str:
    comments: Any = getattr(node, many, None) or getattr(node, one, "")
    return " ".join(filter(None, [comments] if isinstance(comments, str) else comments))


def export_game(game: chess.pgn.Game, *, columns: int = 80) -> str:
    """The game in PGN export format, with the empty line that ends it.

    Args:
        game: the game; its tag values are unescaped text.  A ``FEN`` tag gets its ``SetUp`` tag
            (section 9.7), a Result tag that is not one of the four results becomes "*".
        columns: movetext lines are shorter than this; in characters, at least 20.

    Returns:
        Text that ends with an empty line: texts one after the other make a PGN file.

    Raises:
        ValueError: columns below 20, or the game's start position cannot be set up.
    """
    if columns < 20:
        raise ValueError(f"columns must be at least 20, not {columns}")
    tags = {name: game.headers.get(name, _UNKNOWN.get(name, "?")) for name in ROSTER}
    if tags["Result"] not in RESULTS:
        tags["Result"] = "*"
    others = {name: value for name, value in game.headers.items() if name not in tags}
    if "FEN" in others:
        others.setdefault("SetUp", "1")
    lines = [_tag(name, value) for name, value in (*tags.items(), *sorted(others.items()))]
    units = _units([*_movetext(game), tags["Result"]], columns - 1)
    lines += ["", *_fill(units, columns - 1), ""]
    return "\n".join(lines) + "\n"


def _tag(name: str, value: str) -> str:
    value = _CONTROL.sub(" ", value).replace("\\", "\\\\").replace('"', '\\"')
    return f'[{name} "{value}"]'


def _movetext(game: chess.pgn.Game) -> Iterator[str]:
    """Tokens in PGN order; a comment is one token that starts with "{"."""
    # A stack of lines instead of recursion: variations may nest deeper than Python calls.
    board = game.board()
    stack = [_start(game, board)]
    while stack:
        for token in stack[-1]:
            if isinstance(token, str):
                yield token
            else:
                stack.append(token)
                break
        else:
            stack.pop()


_Line = Generator["str | _Line", None, None]


def _start(game: chess.pgn.Game, board: chess.Board) -> _Line:
    yield from _comment(comment_behind(game))
    if game.variations:
        yield _line(game.variations[0], board)


def _line(first: chess.pgn.ChildNode, board: chess.Board) -> _Line:
    """Tokens of the line that starts with a node; board: the position before it."""
    board = board.copy(stack=False)
    variation = first.starts_variation()
    if variation:
        yield "("
        yield from _comment(starting_comment_of(first))
    numbered = True
    node: chess.pgn.ChildNode | None = first
    while node is not None:
        if board.turn == chess.WHITE:
            yield f"{board.fullmove_number}."
        elif numbered:
            yield f"{board.fullmove_number}..."
        numbered = False
        yield board.san(node.move)
        for nag in sorted(node.nags):
            yield f"${nag}"
            numbered = True
        for token in _comment(comment_behind(node)):
            yield token
            numbered = True
        if node is not first or not variation:
            for other in node.parent.variations[1:]:
                yield _line(other, board)
                numbered = True
        board.push(node.move)
        node = node.next()
    if variation:
        yield ")"


def comment_behind(node: chess.pgn.GameNode) -> str:
    """The comment behind a node, with one that stands before the next move of its line."""
    following = node.next()
    before = starting_comment_of(following) if following is not None else ""
    return f"{comment_of(node)} {before}" if before else comment_of(node)


def _comment(text: str) -> Iterator[str]:
    text = _UNPRINTABLE.sub("", text)
    if _SPACE.sub("", text):
        yield "{" + text.replace("}", ")") + "}"


def _units(tokens: list[str], width: int) -> list[tuple[str, bool]]:
    """What a line may not break, each with whether a line may not start with it."""
    units: list[tuple[str, bool]] = []
    opened = ""
    for token in tokens:
        if token == "(":
            opened += token
        elif token == ")":
            text, guarded = units[-1]
            units[-1] = (text + token, guarded)
        elif token.startswith("{"):
            # an embedded command may have been broken at the end of a line
            parts = [part.strip(" \t\f\v") for part in _LINE_END.split(token[1:-1])]
            words = _WORD.findall(" ".join(filter(None, parts)))
            words[0] = opened + "{" + words[0]
            words[-1] += "}"
            opened = ""
            units.append((words[0], False))
            units += [(word, word.startswith(_GUARDED)) for word in words[1:]]
        else:
            units.append((opened + token, False))
            opened = ""
    joined: list[tuple[str, bool]] = []
    for text, guarded in units:
        if guarded and len(joined[-1][0]) + 1 + len(text) + joined[-1][1] <= width:
            joined[-1] = (f"{joined[-1][0]} {text}", joined[-1][1])
        else:
            joined.append((text, guarded))
    return joined


def _fill(units: list[tuple[str, bool]], width: int) -> Iterator[str]:
    """Lines of at most `width` characters, each as full as can be (section 8.2.1)."""
    line = ""
    for text, guarded in units:
        if line and len(line) + 1 + len(text) <= width:
            line += " " + text
            continue
        if line:
            yield line
        line = " " + text if guarded else text
    yield line
