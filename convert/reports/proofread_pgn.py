"""The author's game back as PGN, with our remarks as comments of their own.

A remark stands behind what it is about, in braces of its own and in the square brackets of an
editor: ``{[fullpoint: "White wins": refuted. Drawn (table).]}``.  Nothing of the author's is
changed: his tags, moves, variations, comments and NAGs are written as they were read, and taking
out what stands in these brackets gives his game back.  Remarks of an earlier run are replaced.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable

import chess.pgn

from convert.model.findings import Finding, Place, Proof, Slot, Status
from convert.rim.pgn_text import REMARK, comment_of, export_game, safe_comment, starting_comment_of
from convert.wording.proofreading import moves_words, quote_words
from convert.wording.small import join

DEFAULT = (Status.REFUTED, Status.STRONGER, Status.CONFIRMED)
"""Findings that are written unless others are asked for."""

_PRIVATE = range(0xE000, 0xF8FF)


def with_remarks(proof: Proof, game: chess.pgn.Game, only: Collection[Status] = DEFAULT) -> str:
    """The game in PGN export format with a remark for each finding of the statuses named.

    ``game`` is the game as it was read; it is not changed.
    """
    remarks: dict[tuple[tuple[int, ...], Slot], list[Finding]] = {}
    for finding in proof.findings:
        if finding.status in only:
            place: Place = finding.statement.place
            remarks.setdefault((place.path, place.slot), []).append(finding)
    texts = {key: remark(findings) for key, findings in remarks.items()}
    used = set("".join(_comments(game)) + "".join(texts.values()))
    close, open_ = _unused(used)
    twin = _copied(game, texts, f"{close} {open_}")
    # Of one comment in the tree come two in the text; the marks are as long as the braces.
    return export_game(twin).replace(close, "}").replace(open_, "{")


def remark(findings: Iterable[Finding]) -> str:
    """The remark on the statements that stand in one place, with its brackets."""
    remarks: dict[str, list[str]] = {}
    for finding in findings:
        line = moves_words(finding.line)
        text = f"{finding.status}. {finding.text}"
        remarks.setdefault(f"{text} {line}." if line else text, []).append(quote_words(finding))
    inner = safe_comment(" ".join(f"{join(quotes)}: {text}" for text, quotes in remarks.items()))
    return f"[fullpoint: {inner.replace('[', '(').replace(']', ')')}]"


def without_remarks(comment: str) -> str:
    """A comment without remarks of ours, the author's words untouched."""
    if not REMARK.search(comment):
        return comment
    parts = (part.strip(" ") for part in REMARK.split(comment))
    return " ".join(part for part in parts if part)


def _unused(used: set[str]) -> tuple[str, str]:
    free = [chr(code) for code in _PRIVATE if chr(code) not in used]
    return free[0], free[1]


def _comments(game: chess.pgn.Game) -> Iterable[str]:
    stack: list[chess.pgn.GameNode] = [game]
    while stack:
        node = stack.pop()
        yield comment_of(node)
        yield starting_comment_of(node)
        stack += node.variations
    yield from game.headers.values()


def _copied(
    game: chess.pgn.Game, texts: dict[tuple[tuple[int, ...], Slot], str], between: str
) -> chess.pgn.Game:
    """A deep copy of the tree with the remarks; by hand, for recursion fails on long games."""

    def joined(comment: str, path: tuple[int, ...], slot: Slot) -> str:
        own = without_remarks(comment)
        text = texts.get((path, slot), "")
        return f"{own}{between}{text}" if own.strip() and text else own or text

    twin = chess.pgn.Game(headers=game.headers.copy())
    twin.comment = joined(comment_of(game), (), Slot.START)
    twin.nags = set(game.nags)
    stack: list[tuple[chess.pgn.GameNode, chess.pgn.GameNode, tuple[int, ...]]] = [(game, twin, ())]
    while stack:
        old, new, way = stack.pop()
        for i, child in enumerate(old.variations):
            path = (*way, i)
            added = new.add_variation(
                child.move,
                comment=joined(comment_of(child), path, Slot.AFTER),
                starting_comment=joined(starting_comment_of(child), path, Slot.BEFORE),
                nags=set(child.nags),
            )
            stack.append((child, added, path))
    return twin
