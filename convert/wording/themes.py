"""Themes of exercises: their names and general hints."""

from __future__ import annotations

from dataclasses import dataclass

from convert.model.lesson import Task


@dataclass(frozen=True)
class Theme:
    """``ident`` as on the command line; hints where no rule of thumb speaks: for the question of
    a trade, and for any other."""

    ident: str
    title: str
    hint: str
    other_hint: str


_COUNT = (
    "Count: how many moves does each king need, and who is to move when the kings stand face to "
    "face?"
)
_RESULT_LEFT = "Look at what is left when the trade is done: is it enough to win with?"

THEMES: tuple[Theme, ...] = (
    Theme(
        "pawn-ending",
        "The pawn ending",
        "Go to the bare pawn ending in your head and count there: how many moves does each king "
        "need, and who is to move when the kings stand face to face?",
        _COUNT,
    ),
    Theme(
        "exchange-up",
        "Rook for a minor piece",
        "Ask which of the opponent's men holds the position together, and what the rook can "
        "attack once it is gone.",
        "Where do rook and king cut the minor piece off from its king?",
    ),
    Theme(
        "pieces-not-pawns",
        "Pieces, not pawns",
        "Ahead, trade pieces and keep pawns; behind, trade pawns. Then look whether this position "
        "is an exception.",
        "Which pawns are needed to win, and which only to be taken?",
    ),
    Theme("wrong-trade", "Trades that throw the win away", _RESULT_LEFT, _RESULT_LEFT),
    Theme(
        "recapture",
        "Which way to take back",
        "Put each way of taking back on the board and look at the king, the pawns and the move "
        "that follow.",
        "Put each way of taking back on the board and look at the king, the pawns and the move "
        "that follow.",
    ),
    Theme(
        "rook-endings",
        "Rook endings",
        "Compare the position with the rooks and the one without: where do the kings stand, and "
        "how far is the pawn?",
        "Where does the rook stand best: behind the pawn, on the side with room for checks, or "
        "cutting off the king?",
    ),
    Theme(
        "defence",
        "The defender's resources",
        "Which ending can you hold for certain? Look for the way into it.",
        "Which ending can you hold for certain? Look for the way into it.",
    ),
    Theme(
        "minor-pieces",
        "Minor pieces",
        "Which squares can the minor piece reach in time, and which never?",
        "Which squares can the minor piece reach in time, and which never?",
    ),
    Theme(
        "queens",
        "Queen endings",
        "With the queens off, what is left? Then look for a check that gains a move first.",
        "Checks first: where does the king hide from them?",
    ),
)
BY_IDENT = {theme.ident: theme for theme in THEMES}


def theme_title(ident: str) -> str:
    """The theme's name; the ident itself for one that is not known."""
    theme = BY_IDENT.get(ident)
    return theme.title if theme else ident


def general_hint(ident: str, task: Task) -> str:
    """The hint where no rule of thumb gives one; empty for a theme that is not known."""
    theme = BY_IDENT.get(ident)
    if theme is None:
        return ""
    return theme.hint if task in (Task.TRADE, Task.REFUSE) else theme.other_hint
