"""How often each rule of thumb held when it was measured (``python -m convert.rules.measure``)."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

#: The figures, made by the command above from a seed; docs/measuring.md.
FILE = Path(__file__).parent / "measured.json"


@dataclass(frozen=True)
class Figure:
    """The share of trials in which a rule was right, and the share without it.

    ``origin``: ``games`` (positions from real games) or ``random`` (drawn uniformly from
    material classes).  ``low`` and ``high`` are the ends of the 95% interval; ``base`` is None
    where there was nothing to compare with.
    """

    origin: str
    n: int
    right: float
    low: float
    high: float
    base: float | None
    standing: str

    @property
    def refuted(self) -> bool:
        """The counts speak against the rule."""
        return self.standing == "refuted"


@cache
def _document() -> dict[str, Any]:
    try:
        data: dict[str, Any] = json.loads(FILE.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {"rules": {}}
    return data


def figure_of(rule: str) -> Figure | None:
    """The figure shown for a rule; None where it was tried on too little, or never."""
    kept = _document()["rules"].get(rule)
    if kept is None or kept["shown"] is None or kept["standing"] == "too few":
        return None
    told = kept[kept["shown"]]
    return Figure(
        kept["shown"], told["n"], told["right"], told["low"], told["high"], told["base"],
        kept["standing"],
    )  # fmt: skip


def refuted(rule: str) -> bool:
    """True for a rule that the counts refute: it no longer speaks."""
    figure = figure_of(rule)
    return figure is not None and figure.refuted


def words(figure: Figure, kind: str) -> str:
    """``holds in 83 of 100 such endings (n = 12,400; base 61)``.

    Args:
        kind: of the rule, ``position`` or ``trade``.
    """
    what = "trades" if kind == "trade" else "endings"
    where = "" if figure.origin == "games" else ", drawn at random"
    base = "" if figure.base is None else f"; base {_hundred(figure.base)}"
    return f"holds in {_hundred(figure.right)} of 100 such {what}{where} (n = {figure.n:,}{base})"


def _hundred(share: float) -> str:
    """A share of 100 as a whole number; 100 and 0 only where it is exactly so."""
    number = round(100 * share)
    if number == 100 and share < 1:
        return "more than 99"
    if number == 0 and share > 0:
        return "fewer than 1"
    return str(number)
