"""How often each rule of thumb held when measured (``python -m convert.measuring.rules``)."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from convert.model import RuleFigure

#: The figures, made by the command above from a seed; docs/measuring.md.
FILE = Path(__file__).parent / "measured.json"


@cache
def document() -> Mapping[str, Any]:
    """The file as it ships; without rules where it has not been made."""
    try:
        data: dict[str, Any] = json.loads(FILE.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {"rules": {}}
    return data


def digest(table: Mapping[str, Any]) -> str:
    """SHA-256 (hexadecimal) of the document without the hash that it records.

    Of its JSON in UTF-8 with sorted keys and without blanks.
    """
    from hashlib import sha256

    content = {key: value for key, value in table.items() if key != "sha256"}
    text = json.dumps(content, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    return sha256(text.encode()).hexdigest()


def figures_in(table: Mapping[str, Any], rule: str, origin: str, kind: str) -> RuleFigure | None:
    """The figures of one origin (``games``, ``random``) in a document; None: it never spoke."""
    stored = table["rules"].get(rule)
    if stored is None or stored[origin] is None:
        return None
    row = stored[origin]
    return RuleFigure(
        kind,
        origin,
        row["n"],
        row["right"],
        row["low"],
        row["high"],
        row["base"],
        stored["standing"],
    )


@cache
def figure_of(rule: str, kind: str) -> RuleFigure | None:
    """The figure shown for a rule; None where it was tried on too little, or never.

    Args:
        kind: of the rule, ``position`` or ``trade``.
    """
    stored = document()["rules"].get(rule)
    if stored is None or stored["shown"] is None or stored["standing"] == "too few":
        return None
    return figures_in(document(), rule, stored["shown"], kind)


def refuted(rule: str) -> bool:
    """True for a rule that the counts refute: it no longer speaks."""
    stored = document()["rules"].get(rule)
    return stored is not None and stored["standing"] == "refuted"


def counted(rule: str) -> bool:
    """False for a rule that nobody has counted yet: nothing is said of how strong it is."""
    return rule in document()["rules"]


def why_not(rule: str) -> str:
    """Why there is no figure for a rule, in words; empty where there is one."""
    stored = document()["rules"].get(rule)
    if stored is None:
        return "it has not been counted yet"
    why: str = stored.get("why_not", "")
    return why
