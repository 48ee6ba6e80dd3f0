"""What a rule of thumb is, and what it says about one position or one trade."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Literal

import chess

from convert.board.features import Features, features

Theme = Literal[
    "pawn endings",
    "rook endings",
    "bishops",
    "knights",
    "exchange up",
    "rook against minor",
    "queen endings",
    "trades",
    "activity",
    "draw weapons",
    "method",
]
Kind = Literal["position", "trade"]

#: What a rule says for one side: strength and a short concrete reason; None: it is silent.
Speech = tuple[float, str] | None
#: The same for a trade, with True in front if the rule speaks for the trade.
TradeSpeech = tuple[bool, float, str] | None


@dataclass(frozen=True)
class Voice:
    """What one rule says about one position or one trade.

    `side`: whom a position rule helps, None if it speaks for a draw; for a trade rule the side
    whose decision is judged. `strength`: a judgement, above 0 and at most 3; for a position
    rule unit pawns of advantage for `side` (or how strongly it pulls towards a draw), for a trade
    rule how much weight it has. `favours`: None for position rules; True speaks for the trade,
    False against it. `detail`: the reason, with squares, true of this very position.
    """

    rule: str
    side: chess.Color | None
    strength: float
    detail: str
    favours: bool | None = None


@dataclass(frozen=True)
class Rule:
    """A rule of thumb with its source and the test that finds where it applies.

    `test` takes `Features` (kind "position") or a `TradeScene` (kind "trade") and returns voices.
    `exact` is True for rules that state a result without exception where they speak.
    """

    id: str
    name: str
    statement: str
    source: str
    theme: Theme
    kind: Kind
    test: Callable[..., tuple[Voice, ...]] = field(repr=False)
    exact: bool = False


@dataclass(frozen=True)
class TradeScene:
    """A trade, before and after, seen by the side whose decision is judged.

    `before`: the side to move starts the trade. `after`: the trade is complete. `given` and
    `taken`: piece types the decider gave up and got; the squares are those on which the pieces
    stood in `before`, in the same order, and may be left empty when not known.
    """

    before: chess.Board
    after: chess.Board
    decider: chess.Color
    given: tuple[chess.PieceType, ...]
    taken: tuple[chess.PieceType, ...]
    given_squares: tuple[chess.Square, ...] = ()
    taken_squares: tuple[chess.Square, ...] = ()
    _facts: dict[str, Features] = field(default_factory=dict, init=False, repr=False, compare=False)

    @property
    def facts_before(self) -> Features:
        """Features of `before`, computed once."""
        if "before" not in self._facts:
            self._facts["before"] = features(self.before)
        return self._facts["before"]

    @property
    def facts_after(self) -> Features:
        """Features of `after`, computed once."""
        if "after" not in self._facts:
            self._facts["after"] = features(self.after)
        return self._facts["after"]


def position_rule(
    *,
    id: str,
    name: str,
    statement: str,
    source: str,
    theme: Theme,
    draws: bool = False,
    exact: bool = False,
) -> Callable[[Callable[[Features, chess.Color], Speech]], Rule]:
    """Make a position rule of a function that is asked once for each side.

    The function gets the features and the side that the rule would help; with `draws` the side
    that would like to win and is held, and the voice is for neither side (the stronger of two).
    """

    def build(ask: Callable[[Features, chess.Color], Speech]) -> Rule:
        def test(facts: Features) -> tuple[Voice, ...]:
            voices: list[Voice] = []
            for color in (chess.WHITE, chess.BLACK):
                said = ask(facts, color)
                if said is not None:
                    voices.append(Voice(id, None if draws else color, said[0], said[1]))
            if draws and len(voices) == 2:
                return (max(voices, key=lambda voice: voice.strength),)
            return tuple(voices)

        return Rule(id, name, statement, source, theme, "position", test, exact)

    return build


def trade_rule(
    *, id: str, name: str, statement: str, source: str, theme: Theme = "trades"
) -> Callable[[Callable[[TradeScene], TradeSpeech]], Rule]:
    """Make a trade rule of a function that says whether it is for or against, or nothing."""

    def build(ask: Callable[[TradeScene], TradeSpeech]) -> Rule:
        def test(scene: TradeScene) -> tuple[Voice, ...]:
            said = ask(scene)
            if said is None:
                return ()
            return (Voice(id, scene.decider, said[1], said[2], said[0]),)

        return Rule(id, name, statement, source, theme, "trade", test)

    return build


def voices_of(rules: Iterable[Rule], subject: Features | TradeScene) -> tuple[Voice, ...]:
    """All voices of `rules` about `subject`, in the order of the rules."""
    voices: list[Voice] = []
    for rule in rules:
        voices.extend(rule.test(subject))
    return tuple(voices)
