"""The documented list of phrases: each group with what it is read as, and examples.

``docs/proofread.md`` is made from this; a test reads every example.  In the examples the comment
stands behind a move of White's, 45.Ke3, or names other moves of that position.
"""

from __future__ import annotations

from dataclasses import dataclass

from convert.model.findings import Kind


@dataclass(frozen=True)
class Group:
    """Phrases of one kind: their name in `phrases`, what they say, examples that are read."""

    name: str
    kind: Kind
    says: str
    examples: tuple[str, ...]


_R = Kind.RESULT

GROUPS: tuple[Group, ...] = (
    Group(
        "named verb",
        _R,
        "the side named wins, draws, does not lose, loses",
        (
            "White wins.",
            "White still wins easily.",
            "Black draws.",
            "Black holds the draw.",
            "Black loses.",
        ),
    ),
    Group(
        "is",
        _R,
        "the side named wins or loses",
        (
            "White is winning.",
            "White is completely won.",
            "Black is lost.",
            "Black is hopelessly lost.",
            "White's game is won.",
            "Black's position is hopeless.",
            "White's advantage is decisive.",
        ),
    ),
    Group(
        "is not",
        _R,
        "the side named does not win or does not lose",
        ("White is no longer winning.", "Black is not lost."),
    ),
    Group(
        "has",
        _R,
        "the side named wins, loses",
        (
            "White has a won ending.",
            "White has an easily won game.",
            "Black has a lost position.",
            "White has a decisive advantage.",
        ),
    ),
    Group(
        "for",
        _R,
        "the side named wins, loses",
        (
            "Winning for White.",
            "The game is won for White.",
            "A win for White.",
            "The pawn ending is lost for Black.",
            "Decisive advantage for White.",
        ),
    ),
    Group(
        "cannot",
        _R,
        "the side named does not win, does not lose; cannot hold: it loses",
        (
            "White cannot win.",
            "White does not win.",
            "Black can no longer lose.",
            "Black cannot hold the position.",
            "White has no win.",
        ),
    ),
    Group(
        "can",
        _R,
        "the side named wins; can draw: it does not lose",
        ("White can still win.", "Black can draw.", "Black can force a draw."),
    ),
    Group(
        "to move",
        _R,
        "the side named, which must have the move, wins, draws, loses",
        ("Black to move draws.", "Black to play and draw.", "Black to move loses."),
    ),
    Group(
        "move verb",
        _R,
        "the side that made the move wins, draws, does not lose, loses",
        (
            "This wins.",
            "And wins.",
            "Only draws.",
            "45.Kc3 wins.",
            "45.Kc3 only draws.",
            "45.Kc3 does not win.",
            "This blunder loses.",
            "This costs the game.",
            "Held the draw.",
            "45.Kc3 won.",
        ),
    ),
    Group(
        "winning",
        _R,
        "the side that made the move wins",
        ("Winning.", "This is winning.", "45.Kc3 was winning."),
    ),
    Group(
        "would",
        _R,
        "the same, after moves that are named",
        ("45.Kc3 would win.", "45.Kc3 would have won.", "After 45.Kc3 Black would be lost."),
    ),
    Group(
        "drawn",
        _R,
        "the position is drawn",
        (
            "Drawn.",
            "The position is drawn.",
            "A theoretical draw.",
            "Book draw.",
            "It is a draw with best play.",
            "With correct play it is a draw.",
            "After 45.Kc3 the ending is drawn.",
            "45.Kc3 leads to a draw.",
        ),
    ),
    Group(
        "equal",
        _R,
        "the position is drawn",
        ("Equal.", "The position is equal.", "The chances are equal."),
    ),
    Group(
        "better",
        Kind.ADVANTAGE,
        "the side named is better",
        (
            "White is better.",
            "White is slightly better.",
            "Black is worse.",
            "White has the advantage.",
            "With a small edge for White.",
            "White has the better game.",
            "White has the best of it.",
            "Black has the inferior game.",
        ),
    ),
    Group(
        "unclear",
        Kind.UNCLEAR,
        "nothing that could be checked",
        ("Unclear.", "The position is unclear."),
    ),
    Group(
        "only move",
        Kind.ONLY,
        "no other move keeps the result, wins, or holds",
        (
            "The only move.",
            "White's only move.",
            "The only winning move.",
            "The only move to draw.",
            "Only this wins.",
            "Only 45.Kc3 wins.",
            "The only winning move was 45.Kc3.",
            "45.Kc3 was the only move.",
            "Any other move loses.",
            "Nothing else wins.",
        ),
    ),
    Group(
        "forced",
        Kind.ONLY,
        "no other move keeps the result",
        (
            "Forced.",
            "This is forced.",
            "Necessary.",
            "This was necessary.",
            "45.Kc3 was necessary.",
        ),
    ),
    Group(
        "gives away",
        Kind.SPOILS,
        "before the move there was a win (a draw), after it no more",
        (
            "Throws away the win.",
            "This lets the win slip.",
            "Gives away the draw.",
            "Misses the win.",
            "White missed the win.",
            "The win is gone.",
        ),
    ),
    Group(
        "losing move",
        Kind.SPOILS,
        "the move loses, and not every move did",
        ("The losing move.", "The losing mistake.", "This was the decisive error."),
    ),
    Group(
        "sign",
        _R,
        "at the end of a clause: White wins, Black wins, the position is drawn",
        ("+-", "-+", "=", "45.Kc3 +-"),
    ),
    Group(
        "sign better",
        Kind.ADVANTAGE,
        "at the end of a clause: White is better, Black is better",
        ("±", "+/-", "+/=", "+=", "∓", "-/+", "=/+", "=+"),
    ),
    Group("sign unclear", Kind.UNCLEAR, "nothing that could be checked", ("∞",)),
    Group(
        "zugzwang",
        Kind.ZUGZWANG,
        "the side to move would do better if it need not move",
        ("Zugzwang!", "Black is in zugzwang."),
    ),
    Group(
        "mutual zugzwang",
        Kind.MUTUAL,
        "whoever has to move does worse for it",
        ("Mutual zugzwang.", "A position of reciprocal zugzwang."),
    ),
    Group(
        "must trade",
        Kind.MUST_TRADE,
        "only moves that trade such pieces, or offer it, keep the result of the side to move",
        ("Black must exchange rooks.", "Black has to trade queens."),
    ),
    Group(
        "must not trade",
        Kind.MUST_NOT_TRADE,
        "trading such pieces worsens the result of the side to move",
        (
            "Black must not exchange rooks.",
            "Black must avoid the exchange of queens.",
            "Black cannot afford to trade bishops.",
        ),
    ),
    Group(
        "trade",
        Kind.TRADE,
        "if the side to move trades such pieces, it wins, draws, loses",
        ("The exchange of rooks loses.", "Exchanging queens draws.", "Trading knights would win."),
    ),
)
"""All groups, in the order of the documentation."""
