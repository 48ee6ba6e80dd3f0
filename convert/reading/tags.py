"""The tags of a game, with what is wrong in them, and the start position they tell."""

from __future__ import annotations

import re
from collections.abc import MutableMapping
from dataclasses import dataclass, field

import chess

from convert.reading.fen import SourceError, parse_fen
from convert.reading.scan import RESULTS

__all__ = ["TAG", "Tags", "read_tags", "settle_result", "start_of"]

TAG = re.compile(r'\[\s*([A-Za-z0-9][A-Za-z0-9_+#=:-]*)\s*"((?:[^"\\]|\\.)*)"\s*\]')
_LOOSE_TAG = re.compile(r'\[\s*([A-Za-z0-9][A-Za-z0-9_+#=:-]*)\s*"(.*)"\s*\]\Z')
_ESCAPED = re.compile(r'\\(["\\])')
_START_TAGS = re.compile(r"\[\s*(FEN|SetUp|Variant)\b", re.IGNORECASE)
_STANDARD = frozenset({"", "standard", "chess", "classical", "normal", "from position"})


@dataclass
class Tags:
    values: dict[str, str] = field(default_factory=dict)
    notes: list[tuple[int, str]] = field(default_factory=list)
    fatal: tuple[int, str] | None = None
    lines: dict[str, int] = field(default_factory=dict)


def read_tags(head: list[tuple[int, bytes]], encoding: str) -> Tags:
    tags = Tags()
    for line, raw in head:
        text = raw.decode(encoding)
        match = TAG.fullmatch(text)
        if match:
            pairs = [(match[1], match[2])]
        else:
            pairs = [(matched[1], matched[2]) for matched in TAG.finditer(text)]
            if not pairs or TAG.sub("", text).strip():
                loose = _LOOSE_TAG.match(text)
                start = _START_TAGS.search(text)
                pairs = []
                if loose:
                    pairs = [(loose[1], loose[2])]
                    reason = f"tag {loose[1]}: quotes inside the value are not escaped"
                    tags.notes.append((line, reason))
                elif start:
                    tags.fatal = (line, f"malformed {start[1]} tag: start position unknown")
                else:
                    shown = text if len(text) <= 60 else text[:57] + "..."
                    tags.notes.append((line, f"malformed tag pair left out: {shown}"))
        for name, value in pairs:
            if name in tags.values:
                tags.notes.append((line, f"tag {name} given twice: the last one is used"))
            tags.values[name] = _ESCAPED.sub(r"\1", value) if "\\" in value else value
            tags.lines[name] = line
    return tags


def start_of(tags: Tags) -> tuple[chess.Board | None, list[tuple[int, str]]]:
    """Start position (None: the usual one) and notes; raises SourceError with the reason."""
    values = tags.values
    variant = values.get("Variant", "").strip()
    if variant.lower() not in _STANDARD:
        raise SourceError("Variant", f"variant {variant!r}: only orthodox chess can be reviewed")
    if variant:
        values["Variant"] = variant
    else:
        values.pop("Variant", None)  # python-chess refuses a game with an empty one
    fen = values.get("FEN")
    setup = values.get("SetUp", "").strip()
    if fen is None:
        if setup == "1":
            raise SourceError("SetUp", "SetUp is 1 but there is no FEN: start position unknown")
        return None, []
    board, remarks = parse_fen(fen)
    line = tags.lines["FEN"]
    notes = [(line, f"FEN tag: {remark}") for remark in remarks]
    if setup == "0" and board != chess.Board():
        notes.append((line, "SetUp is 0 beside a FEN that is not the usual start: the FEN is used"))
    elif setup not in ("", "0", "1"):
        notes.append((tags.lines["SetUp"], f"SetUp {setup!r} is neither 0 nor 1: the FEN is used"))
    return board, notes


def settle_result(headers: MutableMapping[str, str], tags: Tags, token: str | None) -> list[str]:
    """Set the game's Result tag (section 8.1.1.7) and say where tag and token disagree."""
    tag = tags.values.get("Result")
    notes = []
    if tag is not None and tag not in RESULTS:
        notes.append(f"Result tag {tag!r} is not a result")
    if token is None:
        notes.append("no result after the moves")
    elif tag is not None and tag in RESULTS and tag != token:
        notes.append(f"Result tag {tag} but {token} after the moves")
    if token is not None and (tag is None or tag == "*" or tag not in RESULTS):
        headers["Result"] = token
    return notes
