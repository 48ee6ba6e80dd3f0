"""A text cut into games, without a look at the moves.

A game ends at its termination token outside comments and variations, or where a tag pair starts a
line after moves.  Blank lines do not end a game.  Comments behind the token on its line belong to
the game.  A brace comment before the tags becomes the game's opening comment.  Lines that start
with ``%`` (section 6) and ``;`` comments between games are skipped; a ``%`` inside a brace comment
is text.  If a comment is still open when a tag pair of the Seven Tag Roster follows a blank line
(or two such tag pairs follow each other), it is taken as unclosed, and the next game starts.
Comments behind the last game are skipped.  A game of more than `MAX_GAME_BYTES` is refused and
reading goes on at the next tags.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from convert.reading.containers import BOM, MAX_GAME_BYTES

__all__ = ["BLANK", "ONLY_COMMENTS", "TAG_START", "Block", "split_games"]


@dataclass
class Block:
    """The text of one game: tag lines, comment before them, movetext with its first line."""

    head: list[tuple[int, bytes]] = field(default_factory=list)
    names: set[bytes] = field(default_factory=set)
    preface: bytes = b""
    body_line: int = 0
    body: list[bytes] = field(default_factory=list)
    size: int = 0
    too_long: int = 0
    ended: bool = True  # False: the source ended first
    # The next game starts on the line after this one; 0: within a line, or a line is left open.
    stop: int = 0

    @property
    def line(self) -> int:
        return self.head[0][0] if self.head else self.too_long or self.body_line

    def __bool__(self) -> bool:
        return bool(self.head or self.body or self.too_long)


BLANK = b" \t\r\f\v\x1a"  # 0x1A: end-of-file mark of old systems
_NAME = rb"[A-Za-z0-9][A-Za-z0-9_+#=:-]*"
TAG_START = re.compile(rb"\s*\[\s*(" + _NAME + rb')\s*"')
_ROSTER_TAG = re.compile(
    rb'\[\s*(Event|Site|Date|Round|White|Black|Result)\s*"[^\n]*"\s*\]\s*$', re.DOTALL
)
ONLY_COMMENTS = re.compile(rb"\s*(?:\{[^}]*\}\s*)+")
# A termination token stands alone, or right behind a comment, a variation or a move number.
_RESULT_AT = re.compile(rb"(?<![^ \t\r\f\v)}.])(?:1-0|0-1|1/2-1/2|\*)(?=[ \t\r\f\v(){};]|\Z)")
# Everything up to the next byte that matters, closed comments included, in one call.
_PLAIN = re.compile(rb"(?:[^{;()*01]++|\{[^}]*+\}|(?!1-0|0-1|1/2-1/2)[01])*+")
_TRAILER = re.compile(rb"(?:[ \t\r\f\v\x1a]++|\{[^}]*+\})*+")


_NEXT_LINE = -1


class _Cutter:
    """Where a text stands: what is open, and the blocks that ended on the present line.

    ``step`` is what to do with the present line from a place in it; it returns the place from where
    to go on, or `_NEXT_LINE`.
    """

    __slots__ = (
        "blank",
        "block",
        "candidate",
        "depth",
        "done",
        "line",
        "number",
        "over",
        "start",
        "step",
    )

    def __init__(self) -> None:
        self.block = Block()
        self.done: list[Block] = []
        self.step: Callable[[int], int] = self.head
        self.number = 0
        self.line = b""
        self.start = 0  # where in the line the present block's text begins
        self.depth = 0  # open variations
        self.blank = True  # the line before was blank (or there was none)
        self.over = False  # the open comment stands behind the termination token
        self.candidate: tuple[int, bytes] | None = None  # tag line inside an open comment

    def end_before(self, number: int) -> None:
        """The block ends before the present line; the next game may be looked for from there.

        Args:
            number: of the last line that belongs to the block, 0 if a line is left open.
        """
        self.block.stop = number
        self.done.append(self.block)
        self.block = Block(size=len(self.line) + 1)
        self.step, self.depth, self.blank = self.head, 0, False

    def too_long(self) -> None:
        """The block has become too long: it is given up, and tags are looked for."""
        self.block = Block(too_long=self.block.line or self.number)
        self.step = self.resync
        self.blank = not self.line.strip(BLANK)

    def resync(self, pos: int) -> int:
        """Behind the start of a game that is too long."""
        tag = _ROSTER_TAG.match(self.line)
        if tag and (self.blank or tag[1] == b"Event"):
            self.end_before(self.number - 1)
            return pos
        self.blank = not self.line.strip(BLANK)
        return _NEXT_LINE

    def head(self, _: int) -> int:
        """Among the tags, or before them."""
        block, start = self.block, self.start
        text = self.line[start:].strip(BLANK)
        if start == 0 and text[:3] == BOM:
            self.line = self.line.replace(BOM, b"", 1)
            text = text[3:].strip(BLANK)
        first = text[:1]
        if not first:
            self.blank = True
        elif first == b"[":
            tag = TAG_START.match(text)
            name = tag[1] if tag else b""
            if self.blank and name in block.names:
                self.end_before(self.number - 1)
                block = self.block
            if tag:
                block.names.add(name)
            block.head.append((self.number, text))
            self.blank = False
        elif (start == 0 and self.line[:1] == b"%") or (first == b";" and not block.head):
            pass
        elif first == b'"' and block.head and not block.head[-1][1].endswith(b"]"):
            number, before = block.head[-1]  # a tag pair over several lines
            block.head[-1] = (number, before + b" " + text)
        else:
            block.body_line = block.body_line or self.number
            self.step = self.body
            return start
        return _NEXT_LINE

    def body(self, pos: int) -> int:
        """In the movetext."""
        line, block = self.line, self.block
        if pos == 0:
            if line[:1] == b"%":
                block.body.append(line)
                return _NEXT_LINE
            if b"[" in line and TAG_START.match(line):
                self.tag_after_text()
                return pos
        while True:
            pos = _PLAIN.match(line, pos).end()  # type: ignore[union-attr]
            mark = line[pos : pos + 1]
            if not mark or mark == b";":
                block.body.append(line[self.start :])
                return _NEXT_LINE
            if mark == b"{":
                return self.open_comment(over=False)
            if mark == b"(":
                self.depth += 1
            elif mark == b")":
                self.depth = max(0, self.depth - 1)
            elif not self.depth and (match := _RESULT_AT.match(line, pos)):
                self.step = self.tail
                return match.end()
            pos += 1

    def tag_after_text(self) -> None:
        """A tag pair starts a line behind movetext, or behind a comment before the tags."""
        block = self.block
        text = b"\n".join(block.body)
        if not block.head and ONLY_COMMENTS.fullmatch(text):
            block.preface += text
            block.body, block.body_line = [], 0
            self.step, self.depth, self.blank = self.head, 0, False
        else:
            self.end_before(self.number - 1)

    def open_comment(self, over: bool) -> int:
        """A comment is open at the end of the line."""
        self.block.body.append(self.line[self.start :])
        self.step, self.over, self.blank, self.candidate = self.comment, over, False, None
        return _NEXT_LINE

    def comment(self, pos: int) -> int:
        """In a comment that was open when the line began."""
        line, block = self.line, self.block
        if not line.strip(BLANK):
            self.blank, self.candidate = True, None
            block.body.append(line)
            return _NEXT_LINE
        tag = _ROSTER_TAG.match(line) if line[:1] == b"[" else None
        if tag and (self.blank or self.candidate):
            earlier, self.candidate = self.candidate, None
            if earlier:
                block.body.pop()
            self.end_before(0 if earlier else self.number - 1)
            if earlier:
                self.block.head.append(earlier)
            return pos
        self.candidate = (self.number, line) if tag else None
        self.blank = False
        close = line.find(b"}", pos)
        if close < 0:
            block.body.append(line[self.start :])
            return _NEXT_LINE
        self.step, self.candidate = (self.tail if self.over else self.body), None
        return close + 1

    def tail(self, pos: int) -> int:
        """Behind the termination token."""
        line, block = self.line, self.block
        pos = _TRAILER.match(line, pos).end()  # type: ignore[union-attr]
        mark = line[pos : pos + 1]
        if mark == b"{":
            return self.open_comment(over=True)
        end = len(line)
        if mark == b";":
            pos = end
        if self.start < pos:
            block.body.append(line[self.start : pos])
        block.stop = self.number if pos == end else 0
        self.done.append(block)
        self.block = Block(size=end - pos)
        self.step, self.depth, self.blank = self.head, 0, False
        self.start = pos
        return _NEXT_LINE if pos == end else pos


def split_games(lines: Iterator[bytes], lines_before: int = 0) -> Iterator[Block]:
    """Blocks of text, one a game, from the lines of a PGN file or of a part of one."""
    cutter = _Cutter()
    done = cutter.done
    for number, line in enumerate(lines, lines_before + 1):
        cutter.number, cutter.line, cutter.start = number, line, 0
        block = cutter.block
        block.size += len(line) + 1
        if block.size > MAX_GAME_BYTES and cutter.step != cutter.resync:
            cutter.too_long()
            continue
        pos = cutter.step(0)
        while pos != _NEXT_LINE:
            pos = cutter.step(pos)
        if done:
            yield from done
            done.clear()
    if cutter.block:
        cutter.block.ended = False
        yield cutter.block
