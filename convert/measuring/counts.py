"""From trials and outcomes to how often each rule was right, beside the share without it.

What is counted:

* a position rule that speaks for a side is right when that side wins with best play; one that
  speaks for a draw is right when the position is drawn;
* a trade rule is asked for the side that may begin the trade, where that side has a win or a draw
  to keep; it is right in favour when the trade keeps the result, against when the trade loses it;
* the base rate is the same share among the sides (positions, trades) of the same stratum for
  which the rule does not speak, strata weighed as the rule meets them; it is given where at least
  half of the rule's trials have ten or more others to be compared with.  A stratum is where the
  trial comes from, the kind of ending, the number of men, and how the side stands in unit pawns
  (behind, level, one or two ahead, more), for a trade whether there is a win or a draw to keep;
  where it leaves too few without the rule, the number of men does not count.

Shares come with 95% intervals after Wilson, for as many independent trials as there would be if
those of one game did not hang together (sample size divided by the design effect).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import chess

from convert import __version__
from convert.board.features import Features, features
from convert.board.kinds import kind_of
from convert.measuring.draw import Trial, voices_on
from convert.rules import ALL_RULES
from convert.rules.base import Rule, Voice
from convert.shares import independent, interval
from tablebases.solver.entries import SOLVER_VERSION

#: Fewer trials than these say nothing.
ENOUGH = 30
#: So many trials in which a rule does not speak make a base.
BASE_FROM = 10
#: From so many trials of games on, they and not the random ones are shown.
GAMES_FIRST = 100
#: Classes of material that are listed for a rule and an origin; the rest is summed up.
MOST_CLASSES = 12
#: Stands for the classes that are not listed.
OTHER = "other"

Stratum = tuple[str, str, int]


@dataclass
class RuleTally:
    """Trials of one rule in one stratum, by cluster.

    ``inside``: those among them that count in the stratum too, not drawn for the rule alone.
    """

    number: int = 0
    right: int = 0
    inside: int = 0
    inside_right: int = 0
    clusters: dict[str, list[int]] = field(default_factory=lambda: defaultdict(lambda: [0, 0]))

    def add(self, cluster: str, right: bool, inside: bool = True) -> None:
        """Count one trial."""
        self.number += 1
        self.right += right
        self.inside += inside
        self.inside_right += inside and right
        pair = self.clusters[cluster]
        pair[0] += 1
        pair[1] += right


def effective(tallies: Iterable[RuleTally]) -> float:
    """Number of independent trials that would make the share as sure as these are.

    Ratio estimator with clusters as units (Cochran, Sampling Techniques, 1977, 6.3 and 9A).
    """
    clusters: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    for tally in tallies:
        for name, (number, right) in tally.clusters.items():
            clusters[name][0] += number
            clusters[name][1] += right
    pairs = clusters.values()
    return independent(
        sum(n for n, _ in pairs),
        sum(r for _, r in pairs),
        len(clusters),
        (sum(n * n for n, _ in pairs), sum(n * r for n, r in pairs), sum(r * r for _, r in pairs)),
    )


@dataclass
class _Rule:
    spoke: dict[tuple[Stratum, str], RuleTally] = field(default_factory=dict)
    """By stratum and direction."""
    by_class: dict[tuple[str, str], list[int]] = field(
        default_factory=lambda: defaultdict(lambda: [0, 0, 0, 0])
    )
    """Origin and material, the rule's side first: trials, right, wins, losses of that side."""
    drawn: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    """By origin: how often the rule spoke in what was drawn, settled or not."""


class Counting:
    """Counts trials one by one."""

    def __init__(self, rules: Sequence[Rule] = ALL_RULES) -> None:
        self.rules = {rule.id: _Rule() for rule in rules}
        self.totals: dict[tuple[Stratum, str], list[int]] = defaultdict(lambda: [0, 0])
        self.trials: dict[str, list[int]] = defaultdict(lambda: [0, 0])

    def drawn(self, trial: Trial, voices: Sequence[Voice]) -> None:
        """A trial that was drawn, whether its outcome is known or not."""
        for voice in voices:
            self.rules[voice.rule].drawn[trial.origin] += 1

    def position(self, trial: Trial, voices: Sequence[Voice], value: int) -> None:
        """A position and its value for the side to move (1, 0, -1)."""
        facts = features(trial.board())
        kind = kind_of(facts.board)
        values = {facts.turn: value, (not facts.turn): -value}
        stronger = facts.balance(chess.WHITE) >= 0
        strata = {
            color: (trial.origin, f"{kind}, {_standing(facts.balance(color))}", facts.men)
            for color in chess.COLORS
        }
        if not trial.rule:
            for color in chess.COLORS:
                self._total(strata[color], "wins", values[color] == 1)
            self._total(strata[stronger], "drawn", value == 0)
        for voice in voices:
            if voice.side is None:
                self._spoke(
                    voice.rule,
                    strata[stronger],
                    "drawn",
                    trial,
                    value == 0,
                    _material(facts, stronger),
                    values[stronger],
                )
            else:
                won = values[voice.side] == 1
                self._spoke(
                    voice.rule,
                    strata[voice.side],
                    "wins",
                    trial,
                    won,
                    _material(facts, voice.side),
                    values[voice.side],
                )

    def trade(self, trial: Trial, voices: Sequence[Voice], before: int, after: int) -> None:
        """A trade, values for the side that begins it, before and after its first move."""
        if before < 0:
            return
        scene = trial.scene()
        kind = f"a {'win' if before else 'draw'} to keep, into {kind_of(scene.after)}"
        stratum = (trial.origin, kind, scene.before.occupied.bit_count())
        result_kept = after >= before
        if not trial.rule:
            self._total(stratum, "kept", result_kept)
            self._total(stratum, "lost", not result_kept)
        for voice in voices:
            direction = "kept" if voice.favours else "lost"
            self._spoke(
                voice.rule,
                stratum,
                direction,
                trial,
                result_kept == bool(voice.favours),
                _material(scene.facts_before, scene.decider),
                after,
            )

    def _total(self, stratum: Stratum, direction: str, right: bool) -> None:
        for key in (stratum, _of_any_men(stratum)):
            total = self.totals[key, direction]
            total[0] += 1
            total[1] += right

    def _without(
        self, spoke: Mapping[tuple[Stratum, str], RuleTally], key: tuple[Stratum, str]
    ) -> tuple[int, int]:
        """Trials of the stratum in which the rule does not speak, and how many came right.

        Where they are fewer than :data:`BASE_FROM`, those with any number of men.
        """
        stratum, direction = key
        left = right = 0
        for wider in (stratum, _of_any_men(stratum)):
            same = [
                tally
                for (other, way), tally in spoke.items()
                if way == direction and wider in (other, _of_any_men(other))
            ]
            left = self.totals[wider, direction][0] - sum(t.inside for t in same)
            right = self.totals[wider, direction][1] - sum(t.inside_right for t in same)
            if left >= BASE_FROM:
                break
        return left, right

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
        rule_counts = self.rules[rule]
        rule_counts.spoke.setdefault((stratum, direction), RuleTally()).add(
            trial.cluster, right, not trial.rule
        )
        row = rule_counts.by_class[trial.origin, material]
        row[0] += 1
        row[1] += right
        row[2] += value == 1
        row[3] += value == -1

    def figures(self, rule: str, origin: str) -> dict[str, Any] | None:
        """The figures of a rule for one origin; None where it never spoke."""
        rule_counts = self.rules[rule]
        spoke = {key: t for key, t in rule_counts.spoke.items() if key[0][0] == origin}
        number = sum(t.number for t in spoke.values())
        if not number:
            return None
        share = sum(t.right for t in spoke.values()) / number
        low, high = interval(effective(spoke.values()), share)
        base, weighed, others = 0.0, 0, 0
        for key, tally in spoke.items():
            left, right = self._without(spoke, key)
            if left >= BASE_FROM:
                base += tally.number * right / left
                weighed += tally.number
                others += left
        return {
            "n": number,
            "right": rounded(share),
            "low": round(low, 4),
            "high": round(high, 4),
            "base": rounded(base / weighed) if 2 * weighed >= number else None,
            "base_n": others,
            "classes": self._classes(rule_counts, origin),
        }

    def _classes(self, rule_counts: _Rule, origin: str) -> list[list[str | int]]:
        """Material, trials, right, wins and losses of the rule's side; most trials first."""
        rows = [(key, row) for (where, key), row in rule_counts.by_class.items() if where == origin]
        rows.sort(key=lambda item: (-item[1][0], item[0]))
        out: list[list[str | int]] = [[key, *row] for key, row in rows[:MOST_CLASSES]]
        if rest := [row for _, row in rows[MOST_CLASSES:]]:
            out.append([OTHER, *(sum(column) for column in zip(*rest, strict=True))])
        return out


def _of_any_men(stratum: Stratum) -> Stratum:
    return stratum[0], stratum[1], 0


def rounded(share: float) -> float:
    """A share with four places; 0 and 1 only where it is exactly so."""
    near = round(share, 4)
    if near == 1.0 and share < 1:
        return 0.9999
    return 0.0001 if near == 0.0 and share > 0 else near


def standing(figures: Mapping[str, Any] | None, exact: bool) -> str:
    """What the figures say of the rule: ``holds``, ``no better``, ``refuted`` or ``too few``.

    A rule holds when its share lies above the base rate for certain (95%), and is refuted when it
    lies below; one that states a result without exception (``exact``) is refuted by one exception,
    however few the trials.  ``no base``: there was nothing to compare with.
    """
    if exact and figures is not None and figures["right"] < 1.0:
        return "refuted"
    if figures is None or figures["n"] < ENOUGH:
        return "too few"
    if exact:
        return "holds"
    if figures["base"] is None:
        return "no base"
    if figures["low"] > figures["base"]:
        return "holds"
    return "refuted" if figures["high"] < figures["base"] else "no better"


def shown_origin(entries: Mapping[str, Mapping[str, Any] | None], exact: bool) -> str | None:
    """Which figures are shown: those of games if there are enough, else those of random draws.

    For a rule that states a result without exception those in which there is an exception.
    """
    there = {origin: table for origin, table in entries.items() if table is not None}
    if not there:
        return None
    if exact and (bad := [origin for origin, table in there.items() if table["right"] < 1.0]):
        return bad[0]
    for origin, least in (("games", GAMES_FIRST), ("random", ENOUGH), ("games", ENOUGH)):
        if origin in there and there[origin]["n"] >= least:
            return origin
    return max(there, key=lambda origin: int(there[origin]["n"]))


def why_not(kind: str, drawn: int, tried: int) -> str:
    """Why a rule has no figure, in words.

    Args:
        kind: of the rule, ``position`` or ``trade``.
        drawn: how often it spoke in what was drawn from games and at random.
        tried: how often the outcome was settled, for a trade with a result to keep.
    """
    noun = "trade" if kind == "trade" else "ending"
    if not drawn:
        return f"it spoke in no {noun} with so few men, neither in games nor at random"
    if tried == drawn:
        return f"tried on {tried} {noun}{'' if tried == 1 else 's'}, too few"
    text = f"it spoke {drawn:,} time{'' if drawn == 1 else 's'} in what was drawn"
    return f"{text}, of which {tried or 'none'} could be tried{': too few' if tried else ''}"


def count(
    trials: Sequence[Trial],
    known: Mapping[str, int | None],
    *,
    seed: int,
    seen: Mapping[str, int],
    tell: Callable[[int], None] | None = None,
    rules: Sequence[Rule] = ALL_RULES,
) -> dict[str, Any]:
    """The document with the figures of ``rules``.

    ``known`` are values for the side to move, None: open.
    """
    counter = Counting(rules)
    for number, trial in enumerate(trials):
        if tell is not None and number % 1000 == 0:
            tell(number)
        value = known.get(trial.fen)
        what = f"{trial.origin}/{'trades' if trial.trade else 'positions'}"
        pair = counter.trials[what]
        pair[0] += 1
        voices = [voice for voice in _voices(trial) if voice.rule in counter.rules]
        counter.drawn(trial, voices)
        if value is None:
            continue
        if not trial.trade:
            counter.position(trial, voices, value)
        else:
            child = known.get(trial.child().fen())
            if child is None:
                continue
            counter.trade(trial, voices, value, -child)
        pair[1] += 1
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
        "rules": {rule.id: _told(counter, rule, seen.get(f"rule/{rule.id}", 0)) for rule in rules},
    }


#: Of a count of one rule alone these facts are kept with its figures.
_OF_ITS_OWN = ("program", "solver", "chess", "seed", "trials")


def merged(before: Mapping[str, Any], alone: Mapping[str, Any]) -> dict[str, Any]:
    """The document with the figures of a count of some rules in place of, or beside, its own.

    All others are kept as they are; beside each that is new stands what it was counted with.
    """
    facts = {name: alone[name] for name in _OF_ITS_OWN}
    fresh = {id_: {**data, "alone": facts} for id_, data in alone["rules"].items()}
    return {**before, "rules": {**before["rules"], **fresh}}


def _told(counter: Counting, rule: Rule, seen: int) -> dict[str, Any]:
    """What the document says of one rule."""
    entries = {origin: counter.figures(rule.id, origin) for origin in ("games", "random")}
    shown = shown_origin(entries, rule.exact)
    drawn = dict(counter.rules[rule.id].drawn)
    table: dict[str, Any] = {
        **entries,
        "seen": seen,
        "drawn": drawn,
        "shown": shown,
        "standing": standing(entries[shown] if shown else None, rule.exact),
    }
    if table["standing"] == "too few":
        tried = sum(figures["n"] for figures in entries.values() if figures)
        table["why_not"] = why_not(rule.kind, sum(drawn.values()), tried)
    return table


def _voices(trial: Trial) -> list[Voice]:
    """What is to be counted of a trial: that of all rules, or of the one it was drawn for."""
    return [voice for voice in voices_on(trial) if trial.rule in ("", voice.rule)]


def _standing(lead: int) -> str:
    """How a side stands that is so many unit pawns ahead, coarsely."""
    if lead <= 0:
        return "behind" if lead < 0 else "level"
    return "a little ahead" if lead <= 2 else "far ahead"


def _material(facts: Features, first: chess.Color) -> str:
    return f"{facts.side(first).key}v{facts.side(not first).key}"
