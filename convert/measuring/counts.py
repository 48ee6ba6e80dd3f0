"""From trials and outcomes to how often each rule was right, beside the share without it.

What is counted:

* a position rule that speaks for a side is right when that side wins with best play; one that
  speaks for a draw is right when the position is drawn;
* a trade rule is asked for the side that may begin the trade, where that side has a win or a draw
  to keep; it is right in favour when the trade keeps the result, against when the trade loses it;
* the base rate is the same share among the sides (positions, trades) of the same stratum for
  which the rule does not speak, strata weighed as the rule meets them.  A stratum is where the
  trial comes from, the kind of ending and the number of men.

Shares come with 95% intervals after Wilson, for as many independent trials as there would be if
those of one game did not hang together (sample size divided by the design effect).
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import chess

from convert import __version__
from convert.features import features
from convert.measuring.draw import Trial, kind_of
from convert.rules import ALL_RULES, POSITION_RULES, TRADE_RULES
from convert.rules.base import voices_of
from tablebases.solver.solution import SOLVER_VERSION

#: Fewer trials than these say nothing.
ENOUGH = 50
#: From so many trials of games on, they and not the random ones are shown.
GAMES_FIRST = 100

Stratum = tuple[str, str, int]


@dataclass
class Tally:
    """Trials of one rule in one stratum, by cluster."""

    number: int = 0
    right: int = 0
    clusters: dict[str, list[int]] = field(default_factory=lambda: defaultdict(lambda: [0, 0]))

    def add(self, cluster: str, right: bool) -> None:
        """Count one trial."""
        self.number += 1
        self.right += right
        pair = self.clusters[cluster]
        pair[0] += 1
        pair[1] += right


def interval(number: float, share: float) -> tuple[float, float]:
    """Wilson's 95% interval of a share of ``number`` independent trials (Wilson 1927)."""
    if number <= 0:
        return 0.0, 1.0
    z = 1.959964
    middle = share + z * z / (2 * number)
    half = z * math.sqrt(share * (1 - share) / number + z * z / (4 * number * number))
    whole = 1 + z * z / number
    return max(0.0, (middle - half) / whole), min(1.0, (middle + half) / whole)


def effective(tallies: Iterable[Tally]) -> float:
    """Number of independent trials that would make the share as sure as these are.

    Ratio estimator with clusters as units (Cochran, Sampling Techniques, 1977, 6.3 and 9A).
    """
    clusters: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    for tally in tallies:
        for name, (number, right) in tally.clusters.items():
            clusters[name][0] += number
            clusters[name][1] += right
    number = sum(n for n, _ in clusters.values())
    if not number:
        return 0.0
    share = sum(r for _, r in clusters.values()) / number
    plain = share * (1 - share) / number
    m = len(clusters)
    if m < 2 or plain == 0:
        return float(min(number, m))
    spread = sum((r - share * n) ** 2 for n, r in clusters.values()) / number**2 * m / (m - 1)
    return number * min(1.0, plain / spread) if spread > 0 else float(number)


@dataclass
class _Rule:
    spoke: dict[tuple[Stratum, str], Tally] = field(default_factory=dict)
    """By stratum and direction."""
    by_class: dict[tuple[str, str], list[int]] = field(
        default_factory=lambda: defaultdict(lambda: [0, 0, 0, 0])
    )
    """Origin and material, the rule's side first: trials, right, wins, losses of that side."""


class Counting:
    """Counts trials one by one."""

    def __init__(self) -> None:
        self.rules = {rule.id: _Rule() for rule in ALL_RULES}
        self.totals: dict[tuple[Stratum, str], list[int]] = defaultdict(lambda: [0, 0])
        self.trials: dict[str, list[int]] = defaultdict(lambda: [0, 0])

    def position(self, trial: Trial, value: int) -> None:
        """A position and its value for the side to move (1, 0, -1)."""
        board = trial.board()
        stratum = (trial.origin, kind_of(board), board.occupied.bit_count())
        values = {board.turn: value, (not board.turn): -value}
        for color in chess.COLORS:
            self._total(stratum, "wins", values[color] == 1)
        self._total(stratum, "drawn", value == 0)
        for voice in voices_of(POSITION_RULES, features(board)):
            if voice.side is None:
                stronger = _stronger(board)
                self._spoke(voice.rule, stratum, "drawn", trial, value == 0,
                            _material(board, stronger), values[stronger])  # fmt: skip
            else:
                won = values[voice.side] == 1
                self._spoke(voice.rule, stratum, "wins", trial, won,
                            _material(board, voice.side), values[voice.side])  # fmt: skip

    def trade(self, trial: Trial, before: int, after: int) -> None:
        """A trade, values for the side that begins it, before and after its first move."""
        if before < 0:
            return
        scene = trial.scene()
        stratum = (trial.origin, f"into {kind_of(scene.after)}", scene.before.occupied.bit_count())
        kept = after >= before
        self._total(stratum, "kept", kept)
        self._total(stratum, "lost", not kept)
        for voice in voices_of(TRADE_RULES, scene):
            direction = "kept" if voice.favours else "lost"
            self._spoke(voice.rule, stratum, direction, trial, kept == bool(voice.favours),
                        _material(scene.before, scene.decider), after)  # fmt: skip

    def _total(self, stratum: Stratum, direction: str, right: bool) -> None:
        total = self.totals[stratum, direction]
        total[0] += 1
        total[1] += right

    def _spoke(
        self,
        rule: str,
        stratum: Stratum,
        direction: str,
        trial: Trial,
        right: bool,
        material: str,
        value: int,
    ) -> None:
        kept = self.rules[rule]
        kept.spoke.setdefault((stratum, direction), Tally()).add(trial.cluster, right)
        row = kept.by_class[trial.origin, material]
        row[0] += 1
        row[1] += right
        row[2] += value == 1
        row[3] += value == -1

    def figures(self, rule: str, origin: str) -> dict[str, Any] | None:
        """The figures of a rule for one origin; None where it never spoke."""
        kept = self.rules[rule]
        spoke = {key: t for key, t in kept.spoke.items() if key[0][0] == origin}
        number = sum(t.number for t in spoke.values())
        if not number:
            return None
        share = sum(t.right for t in spoke.values()) / number
        low, high = interval(effective(spoke.values()), share)
        base, weighed, others = 0.0, 0, 0
        for key, tally in spoke.items():
            total = self.totals[key]
            left = total[0] - tally.number
            if left >= 10:
                base += tally.number * (total[1] - tally.right) / left
                weighed += tally.number
                others += left
        classes = [
            {"material": material, "n": n, "right": right, "won": won, "lost": lost}
            for (where, material), (n, right, won, lost) in sorted(kept.by_class.items())
            if where == origin
        ]
        return {
            "n": number,
            "right": round(share, 4),
            "low": round(low, 4),
            "high": round(high, 4),
            "base": round(base / weighed, 4) if weighed else None,
            "base_n": others,
            "classes": classes,
        }


def standing(figures: Mapping[str, Any] | None, exact: bool) -> str:
    """What the figures say of the rule: ``holds``, ``no better``, ``refuted`` or ``too few``.

    A rule holds when its share lies above the base rate for certain (95%), and is refuted when it
    lies below; one that states a result without exception is refuted by one exception.
    """
    if figures is None or figures["n"] < ENOUGH:
        return "too few"
    if exact:
        return "holds" if figures["right"] == 1.0 else "refuted"
    if figures["base"] is None:
        return "no base"
    if figures["low"] > figures["base"]:
        return "holds"
    return "refuted" if figures["high"] < figures["base"] else "no better"


def count(
    trials: Sequence[Trial],
    known: Mapping[str, int | None],
    *,
    seed: int,
    seen: Mapping[str, int],
    tell: Callable[[int], None] | None = None,
) -> dict[str, Any]:
    """The document with all figures; ``known`` are values for the side to move, None: open."""
    counter = Counting()
    for number, trial in enumerate(trials):
        if tell is not None and number % 1000 == 0:
            tell(number)
        value = known.get(trial.fen)
        what = f"{trial.origin}/{'trades' if trial.trade else 'positions'}"
        pair = counter.trials[what]
        pair[0] += 1
        if value is None:
            continue
        if not trial.trade:
            counter.position(trial, value)
        else:
            child = known.get(trial.child().fen())
            if child is None:
                continue
            counter.trade(trial, value, -child)
        pair[1] += 1
    rules: dict[str, Any] = {}
    for rule in ALL_RULES:
        games, random = counter.figures(rule.id, "games"), counter.figures(rule.id, "random")
        first = games if games is not None and games["n"] >= GAMES_FIRST else random or games
        shown = "games" if first is games and games is not None else "random"
        rules[rule.id] = {
            "games": games,
            "random": random,
            "shown": shown if first is not None else None,
            "standing": standing(first, rule.exact),
        }
    return {
        "schema": 1,
        "program": f"fullpoint {__version__}",
        "solver": SOLVER_VERSION,
        "chess": chess.__version__,
        "seed": seed,
        "candidates": dict(seen),
        "trials": {
            name: {"drawn": drawn, "settled": settled}
            for name, (drawn, settled) in sorted(counter.trials.items())
        },
        "rules": rules,
    }


def _stronger(board: chess.Board) -> chess.Color:
    facts = features(board)
    return facts.balance(chess.WHITE) >= 0


def _material(board: chess.Board, first: chess.Color) -> str:
    facts = features(board)
    return f"{facts.side(first).key}v{facts.side(not first).key}"
