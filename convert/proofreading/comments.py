"""A comment cut into sentences and clauses, with the moves that stand in it.

Offsets stay those of the comment: what is masked keeps its length, so that the author's own words
can be quoted.  In masked text a run of moves is one `MOVES` character with `REST` characters
behind it, and a player's name `WHITE_NAME` or `BLACK_NAME` with `NAME_REST` behind it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from convert.rim.pgn_text import REMARK

MOVES, REST = "\x01", "\x02"
WHITE_NAME, BLACK_NAME, NAME_REST = "\x03", "\x05", "\x04"
WHITE_WINS, BLACK_WINS, LEVEL = "\ue000", "\ue001", "\ue002"
WHITE_BETTER, BLACK_BETTER, UNCLEAR = "\ue003", "\ue004", "\ue005"
"""What stands for the signs ``+-``, ``-+``, ``=``, ``±``, ``∓``, ``∞`` in masked text."""

_SIGNS = {
    WHITE_WINS: r"\+[-−–]",
    BLACK_WINS: r"[-−–]\+",
    WHITE_BETTER: r"±|\+/[-−–]|\+/=|\+=|⩲",
    BLACK_BETTER: r"∓|[-−–]/\+|=/\+|=\+|⩱",
    UNCLEAR: r"∞",
    LEVEL: r"=",
}
_SIGN = re.compile(
    r"(?:(?<=^)|(?<=[\s(,;:])|(?<=[a-h][1-8])|(?<=[a-h][1-8][+#!?]))(?:"
    + "|".join(f"(?P<s{i}>{form})" for i, form in enumerate(_SIGNS.values()))
    + r")(?=\s*(?:$|[.,;:!?)\s]))"
)

_COMMAND = re.compile(r"\[%[^\[\]]*\]")
_CONTROL = re.compile(r"[\x00-\x1f\x7f]")
_FIGURES = str.maketrans("♔♕♖♗♘♚♛♜♝♞’‘", "KQRBNKQRBN''")
_NUMBER = r"(?P<number>\d{1,3})\s?(?P<dots>\.{1,3}|…)\s?"
_SAN = (
    r"(?P<san>(?:[KQRBN][a-h]?[1-8]?x?[a-h][1-8]|(?:[a-h]x)?[a-h][1-8](?:=?[QRBN])?"
    r"|O-O(?:-O)?|0-0(?:-0)?)[+#]?)(?P<glyph>[!?]{0,2})(?![A-Za-z0-9])"
)
_FIRST = re.compile(_NUMBER + _SAN)
_NEXT = re.compile(rf"\s+(?:{_NUMBER})?{_SAN}")
_STOP = re.compile(r"\s+[A-Z]|\s*$")
_LEADS = re.compile(r"\b(?:after|if|on|with|by|when|once)\s+$", re.IGNORECASE)
_DESCRIPTIVE = (
    r"\b(?:Kt|[KQRBNP])(?:\s?\([^)]*\))?\s?(?:[-×x]\s?(?:[KQ]\s?)?(?:Kt|[KQRBNP])(?:\s?\d)?)(?!\w)"
)
_LOOSE = re.compile(
    r"\b[KQRBN][a-h]?[1-8]?x?[a-h][1-8]\b|\b[a-h]x[a-h][1-8]\b|\bO-O\b|\.\.\.|" + _DESCRIPTIVE
)
_SHORT = re.compile(r"\b(?:e\.g|i\.e|cf|etc|vs|resp|diag|p|pp|No)\.", re.IGNORECASE)
_SENTENCE = re.compile(r"[.;:!?]+(?=\s|$|['\")\]])|[()\[\]]|\s[-–—]{1,2}\s|\.\.\.")
_CLAUSE = re.compile(
    r",|\b(?:but|while|whereas|although|though|because|since|yet)\b", re.IGNORECASE
)


@dataclass(frozen=True)
class MoveRun:
    """Moves that stand in a text one after the other, the first with its number.

    ``moves`` holds the SAN, ``number`` and ``white`` tell the first move.
    """

    start: int
    end: int
    number: int
    white: bool
    moves: tuple[str, ...]


@dataclass(frozen=True)
class Clause:
    """A stretch of a sentence; offsets into the comment."""

    start: int
    end: int
    masked: str
    groups: tuple[MoveRun, ...]

    @property
    def loose(self) -> bool:
        """True where it names a move without its number."""
        return bool(_LOOSE.search(self.masked))


@dataclass(frozen=True)
class Sentence:
    """A sentence with its clauses; ``question`` where it ends in a question mark.

    ``start`` is the offset of its masked text in the comment; ``heading`` what stands before it up
    to a colon, masked, "" without one.
    """

    masked: str
    clauses: tuple[Clause, ...]
    question: bool
    start: int = 0
    heading: str = ""

    @property
    def has_moves(self) -> bool:
        """True where moves with numbers stand in it."""
        return any(clause.groups for clause in self.clauses)


def split(comment: str, white: str = "", black: str = "") -> tuple[Sentence, ...]:
    """The sentences of a comment, remarks of ours and embedded commands left out.

    Args:
        comment: text of a comment, of which offsets are told.
        white: surname of the player of the white side, "" if it is not to be looked for.
        black: surname of the player of the black side.
    """
    text = comment.translate(_FIGURES)
    for pattern in (REMARK, _COMMAND):
        text = pattern.sub(lambda match: "." + " " * (len(match[0]) - 1), text)
    text = _CONTROL.sub(" ", text).replace("\xa0", " ")
    text = _SHORT.sub(lambda match: match[0].replace(".", " "), text)
    text = _SIGN.sub(_mask_sign, text)
    text, groups = _mask_moves(text)
    for name, first in ((white, WHITE_NAME), (black, BLACK_NAME)):
        if name:
            text = re.sub(
                rf"\b{re.escape(name)}\b",
                lambda match, first=first: first + NAME_REST * (len(match[0]) - 1),  # type: ignore[misc]
                text,
            )
    sentences: list[Sentence] = []
    start, heading = 0, ""
    for stop in [*_SENTENCE.finditer(text), None]:
        end = stop.start() if stop else len(text)
        mark = stop[0] if stop else ""
        if text[start:end].strip():
            sentences.append(_sentence(text, start, end, groups, "?" in mark, heading))
            # What names moves is no heading of what follows.
            colon = mark == ":" and not sentences[-1].has_moves
            heading = sentences[-1].masked if colon else ""
        start = stop.end() if stop else end
    return tuple(sentences)


def _mask_sign(match: re.Match[str]) -> str:
    """A sign as one character, with what fills its length behind it."""
    masked = list(_SIGNS)[int((match.lastgroup or "s0")[1:])]
    return masked + NAME_REST * (len(match[0]) - 1)


def _sentence(
    text: str, start: int, end: int, groups: list[MoveRun], question: bool, heading: str
) -> Sentence:
    clauses = []
    at = start
    for stop in [*_CLAUSE.finditer(text, start, end), None]:
        until = stop.start() if stop else end
        part = text[at:until]
        if part.strip():
            left = at + len(part) - len(part.lstrip())
            right = at + len(part.rstrip())
            inside = tuple(g for g in groups if left <= g.start < right)
            clauses.append(Clause(left, right, text[left:right], inside))
        at = stop.end() if stop else until
    masked = text[start:end]
    begin = start + len(masked) - len(masked.lstrip())
    return Sentence(masked.strip(), tuple(clauses), question, begin, heading)


def _mask_moves(text: str) -> tuple[str, list[MoveRun]]:
    groups: list[MoveRun] = []
    out: list[str] = []
    at = 0
    while (match := _FIRST.search(text, at)) is not None:
        number, white = int(match["number"]), match["dots"] == "."
        moves = [match["san"]]
        end, bare = match.end(), match.start("glyph")
        while (after := _NEXT.match(text, end)) is not None:
            ply = len(moves) + (not white)
            due, due_white = number + ply // 2, ply % 2 == 0
            if after["number"]:
                numbered = int(after["number"]), after["dots"] == "."
                if numbered != (due, due_white):
                    # Another number: moves beside these, not behind them.
                    break
            moves.append(after["san"])
            end, bare = after.end(), after.start("glyph")
        led = _LEADS.search(text[max(0, match.start() - 12) : match.start()])
        if led is None and _STOP.match(text, end):
            end = bare  # its mark ends the sentence as well
        groups.append(MoveRun(match.start(), end, number, white, tuple(moves)))
        out += [text[at : match.start()], MOVES, REST * (end - match.start() - 1)]
        at = end
    out.append(text[at:])
    return "".join(out), groups
