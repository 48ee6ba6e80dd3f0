"""The strict look at movetext: what python-chess would read otherwise than we do is taken out."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import ClassVar

__all__ = ["MAX_DEPTH", "RESULTS", "Scan", "add_comment", "scan_movetext", "scan_simple"]

MAX_DEPTH = 100
"""Deepest nesting of variations that is read; a deeper variation is dropped."""

RESULTS = ("1-0", "0-1", "1/2-1/2", "*")

_SAN = r"(?:[NBKRQ]?[a-h]?[1-8]?x?[a-h][1-8](?:=[NBRQ])?|O-O(?:-O)?)[+#]?"
# Movetext of numbers, moves and a result alone, as most games have it.
_SIMPLE = re.compile(rf"\s*+(?:(?:[0-9]{{1,4}}\.\s++)?{_SAN}\s++)*+(1-0|0-1|1/2-1/2|\*)\s*+")
_COUNT = [f"{number}." for number in range(1, 501)]
_TOKEN = re.compile(
    r"""
    (?P<move>(?:[NBKRQP]?[a-h]?[1-8]?[-x]?[a-h][1-8](?:=?[nbrqkNBRQK])?
        |O-O(?:-O)?|0-0(?:-0)?)(?![A-Za-z0-9]|-[O0])[+\#]{0,2})
    |(?P<result>(?<![^\s)}.])(?:1-0|0-1|1/2-1/2|\*)(?=[\s(){};]|\Z))
    |(?P<null>(?:--|Z0|0000)(?![\w-]))
    |(?P<number>[0-9]{1,4})(?:\.+|…|(?=[\s{;]|\Z))
    |(?P<plain>\{\ ?[^\s}](?:[^}\n]*[^\s}])?\ ?\})
    |(?P<comment>\{[^}]*\}?)
    |(?P<nag>\$[0-9]{1,3}(?![0-9]))
    |(?P<glyph>[!?]+)
    |(?P<open>\()
    |(?P<close>\))
    |(?P<line>;[^\n]*)
    |(?P<skip>^%[^\n]*|\.+|…|e\.p\.|ep\b)
    |(?P<unknown>\}|[^\s(){};$!?]+|\$)
    """,
    re.VERBOSE | re.MULTILINE,
)

_SPACE = " \t\n\r\f\v"  # not the no-break space, which is part of a comment
_MOVE_LIKE = re.compile(r"[a-h][1-8]|[a-h]x[a-h]|^[oO0](?:[-\u2013\u2014]?[oO0]){1,2}[+#]*$|^@@@@$")
_GLYPHS = frozenset({"!", "?", "!!", "??", "!?", "?!"})


@dataclass
class Scan:
    """Movetext after the strict look: `text` holds only what python-chess reads as we do."""

    text: str = ""
    # offsets of the moves, in the order of `text`
    moves_at: list[int] = field(default_factory=list)
    # variations: index of the first move, of the one after the last, offset of the "("
    spans: list[tuple[int, int, int]] = field(default_factory=list)
    main: int = 0  # moves of the main line
    result: str | None = None
    cut: bool = False  # the main line had to be ended
    open_end: bool = False  # a comment or variation was not closed
    unknown: int = 0  # tokens
    # offset, ply or None, move with its number or None, reason
    notes: list[tuple[int, int | None, str | None, str]] = field(default_factory=list)


# open variations: moves before, index in the text written, offset of the "(", first move
_Stack = list[tuple[int, int, int, int]]


def scan_simple(text: str) -> Scan | None:
    """What `scan_movetext` finds, but for `moves_at`, where nothing needs a closer look.

    That is: numbers, moves and a result alone, White first, numbered "1." from 1 on, each White
    move.  Such text is checked at the speed of the regular expressions.
    """
    simple = _SIMPLE.fullmatch(text)
    if simple is None:
        return None
    words = text.split()
    numbers = words[:-1:3]
    if numbers != _COUNT[: len(numbers)]:
        return None
    return Scan(text=" ".join(words), main=len(words) - 1 - len(numbers), result=simple[1])


class _Scanner:
    """A look at movetext under way: a method for each kind of token, named as in `_TOKEN`."""

    def __init__(self, first_number: int, black_first: bool, dropped: frozenset[int]) -> None:
        self.scan = Scan()
        self.first_number = first_number
        self.black_first = black_first
        self.dropped = dropped
        self.out: list[str] = []
        self.stack: _Stack = []
        self.here = 0  # moves in the present line
        self.skip = 0  # depth inside a variation that is left out
        self.numbered = True
        # last result in a variation, and its note
        self.inside: tuple[int, re.Match[str]] | None = None

    def tokens(self, tokens: Iterator[re.Match[str]]) -> None:
        """Look at one token after the other, down to a move at which the main line ends."""
        scan, kinds = self.scan, self.KINDS
        for token in tokens:
            kind = token.lastgroup or ""
            if self.skip and kind not in _COUNTED_IN_SKIPPED:
                continue
            reason = kinds[kind](self, token)
            if reason:
                scan.notes.append((token.start(), _main_ply(self.stack, self.here), None, reason))
            elif scan.cut:
                scan.result = _result_in(tokens)
                return

    # Each takes a token and returns what is wrong with it, in words, or "".

    def move(self, token: re.Match[str]) -> str:
        san = token[0]
        self.out.append(san[1:] if san[0] == "P" else san)
        self.scan.moves_at.append(token.start())
        self.here += 1
        return ""

    def number(self, token: re.Match[str]) -> str:
        if self.numbered and not self.stack:
            due = self.first_number + (self.here + self.black_first) // 2
            if int(token["number"]) != due:
                self.numbered = False
                return f"move number {token['number']} where {due} is due"
        return ""

    def plain(self, token: re.Match[str]) -> str:
        self.out.append(token[0])
        return ""

    def comment(self, token: re.Match[str]) -> str:
        inner = token[0][1:]
        closed = inner.endswith("}")
        add_comment(self.out, inner[:-1] if closed else inner)
        if closed:
            return ""
        self.scan.open_end = True
        return "comment without '}': what follows it is not read"

    def line(self, token: re.Match[str]) -> str:
        add_comment(self.out, token[0][1:].replace("}", ")"))
        return ""

    def open(self, token: re.Match[str]) -> str:
        if self.skip:
            self.skip += 1
        elif token.start() in self.dropped:
            self.skip = 1
        elif not self.here:
            self.skip = 1
            return "variation before the first move of its line: dropped"
        elif len(self.stack) >= MAX_DEPTH:
            self.skip = 1
            return f"variation nested deeper than {MAX_DEPTH}: dropped"
        else:
            first = len(self.scan.moves_at)
            self.stack.append((self.here, len(self.out), token.start(), first))
            self.out.append("(")
            self.here = 0
        return ""

    def close(self, _: re.Match[str]) -> str:
        if self.skip:
            self.skip -= 1
        elif not self.stack:
            return "')' without '('"
        else:
            self.here = _close(self.scan, self.out, self.stack, self.here)
        return ""

    def nothing(self, _: re.Match[str]) -> str:
        return ""

    def nag(self, token: re.Match[str]) -> str:
        if not self.here:
            return f"NAG {token[0]} without a move: left out"
        if int(token[0][1:]) > 255:
            return f"NAG {token[0]} above $255: left out"
        self.out.append(token[0])
        return ""

    def glyph(self, token: re.Match[str]) -> str:
        if token[0] not in _GLYPHS:
            return self.unknown(token)
        if not self.here:
            return f"{token[0]!r} without a move: left out"
        self.out.append(token[0])
        return ""

    def result(self, token: re.Match[str]) -> str:
        if self.stack or self.scan.result:
            self.inside = (len(self.scan.notes), token)
            return f"result {token[0]} inside the moves: left out"
        self.scan.result = token[0]
        return ""

    def null(self, token: re.Match[str]) -> str:
        if not self.stack:
            return self.bad(token, "null move")
        self.out.append("--")
        self.scan.moves_at.append(token.start())
        self.here += 1
        return ""

    def unknown(self, token: re.Match[str]) -> str:
        self.scan.unknown += 1
        if _MOVE_LIKE.search(token[0]):
            return self.bad(token, "unknown move")
        shown = f"{token[0][:30]!r}" + (" ..." if len(token[0]) > 30 else "")
        return f"unknown token {shown}: left out"

    def bad(self, token: re.Match[str], what: str) -> str:
        """Something that must have been meant as a move: it ends its line."""
        if self.stack:
            self.here = _drop(self.scan, self.out, self.stack)
            self.skip = 1
            return f"{what} {token[0]!r}: the variation is dropped"
        ply = self.here + 1
        label = _label(self.first_number, self.black_first, ply, token[0])
        reason = f"{what} {token[0]!r}: the main line ends before it"
        self.scan.notes.append((token.start(), ply, label, reason))
        self.scan.cut = True
        return ""

    KINDS: ClassVar[dict[str, Callable[[_Scanner, re.Match[str]], str]]] = {
        "move": move,
        "result": result,
        "null": null,
        "number": number,
        "plain": plain,
        "comment": comment,
        "nag": nag,
        "glyph": glyph,
        "open": open,
        "close": close,
        "line": line,
        "skip": nothing,
        "unknown": unknown,
    }

    def end(self, text: str) -> Scan:
        """Close what is open at the end of the movetext, and write it anew."""
        scan, stack, out, inside = self.scan, self.stack, self.out, self.inside
        if stack and inside and not scan.result and not text[inside[1].end() :].strip():
            scan.result = inside[1][0]  # it ends the game, and only a ")" is missing
            del scan.notes[inside[0]]
        if stack or (self.skip and not scan.cut):
            scan.open_end = True
            offset = stack[-1][2] if stack else len(text.rstrip()) - 1
            reason = "'(' without ')': moves of the main line may be missing"
            scan.notes.append((offset, _main_ply(stack, self.here), None, reason))
        while stack:
            self.here = _close(scan, out, stack, self.here)
        scan.main = self.here
        out.append("*")
        # python-chess copies the rest of the line at each comment: keep lines short in long games
        scan.text = (
            " ".join(out)
            if len(out) < 1000
            else "\n".join(" ".join(out[i : i + 100]) for i in range(0, len(out), 100))
        )
        return scan


# Of a variation that is left out only what opens and closes others counts.
_COUNTED_IN_SKIPPED = frozenset({"open", "close"})


def scan_movetext(text: str, first_number: int, black_first: bool, dropped: frozenset[int]) -> Scan:
    """Check movetext token by token and write it anew without what cannot be used.

    Args:
        text: movetext.
        first_number: fullmove number of the start position.
        black_first: True if Black moves first.
        dropped: offsets of the "(" of variations to leave out.
    """
    scanner = _Scanner(first_number, black_first, dropped)
    scanner.tokens(_TOKEN.finditer(text))
    return scanner.end(text)


def _main_ply(stack: _Stack, here: int) -> int | None:
    return (stack[0][0] if stack else here) or None


def add_comment(out: list[str], inner: str) -> None:
    inner = inner.strip(_SPACE)
    if "\n" in inner:  # a line end in a comment is white space, and a blank line would end the game
        inner = " ".join(filter(None, [line.strip(_SPACE) for line in inner.split("\n")]))
    if inner:
        out.append("{" + inner + "}")


def _close(scan: Scan, out: list[str], stack: _Stack, here: int) -> int:
    """End the innermost variation; returns the number of moves in the line around it."""
    before, index, offset, first = stack.pop()
    if here:
        out.append(")")
        scan.spans.append((first, len(scan.moves_at), offset))
    else:
        comments = out[index + 1 :]
        out[index:] = comments
        reason = "variation without moves" + (
            ": its comment is kept with the move before" if comments else ": left out"
        )
        scan.notes.append((offset, (stack[0][0] if stack else before) or None, None, reason))
    return before


def _drop(scan: Scan, out: list[str], stack: _Stack) -> int:
    """Take the innermost variation back; returns the number of moves in the line around it."""
    before, index, _, first = stack.pop()
    del out[index:]
    del scan.moves_at[first:]
    while scan.spans and scan.spans[-1][1] > first:
        scan.spans.pop()
    return before


def _result_in(tokens: Iterator[re.Match[str]]) -> str | None:
    depth = 0
    for token in tokens:
        kind = token.lastgroup
        if kind == "open":
            depth += 1
        elif kind == "close":
            depth = max(0, depth - 1)
        elif kind == "result" and not depth:
            return token[0]
    return None


def _label(first_number: int, black_first: bool, ply: int, san: str) -> str:
    number, black = divmod(ply - 1 + black_first, 2)
    return f"{first_number + number}{'...' if black else '.'}{san}"
