"""Rules of thumb in words, with how often they hold.  Pure functions over the model."""

from __future__ import annotations

from collections.abc import Iterable

from convert.model import Lesson, RuleFigure, Speaking

#: Said of a rule of thumb that has not been held against settled endings.
NOT_COUNTED = "not yet counted"


def worth_saying(rule: Speaking) -> bool:
    """A rule that does not speak in reports is one whose figures are no better than its base."""
    return rule.figure is None or rule.figure.standing not in ("no better", "refuted")


def rule_words(rule: Speaking) -> str:
    """A rule of thumb with the reason it speaks here."""
    holds = holds_words(rule)
    return f'"{rule.statement}" Here: {rule.detail}. [{rule.rule}; {holds}]'


def holds_words(rule: Speaking) -> str:
    """How often a rule that speaks holds; of one that nobody has counted, that it is so."""
    return NOT_COUNTED if not rule.strength else figure_words(rule.figure)


def figure_words(figure: RuleFigure | None) -> str:
    """How often a rule holds: ``holds in 83 of 100 such endings (n = 12,400; base 61)``."""
    if figure is None:
        return "not measured"
    what = "trades" if figure.kind == "trade" else "endings"
    where = "" if figure.origin == "games" else ", drawn at random"
    base = "" if figure.base is None else f"; base {of_hundred(figure.base)}"
    right = of_hundred(figure.right)
    return f"holds in {right} of 100 such {what}{where} (n = {figure.n:,}{base})"


def of_hundred(share: float) -> str:
    """A share of 100 as a whole number; 100 and 0 only where it is exactly so."""
    number = round(100 * share)
    if number == 100 and share < 1:
        return "more than 99"
    if number == 0 and share > 0:
        return "fewer than 1"
    return str(number)


def figures_legend(figures: Iterable[RuleFigure | None]) -> str:
    """What the figures beside the rules mean; empty where there are none."""
    figures_shown = [figure for figure in figures if figure is not None]
    if not figures_shown:
        return ""
    origin = "from games"
    if any(figure.origin != "games" for figure in figures_shown):
        origin = "from games, or, where it says so, drawn at random"
    text = (
        "How often a rule holds: of 100 times that it spoke, how often best play came out as it "
        "says. This is counted on endings and trades with at most seven men that are settled "
        f"exactly; n is their number. They are {origin}."
    )
    if any(figure.base is not None for figure in figures_shown):
        text += " Base: the same in like endings and trades where the rule does not speak."
    return text


def lesson_source(lesson: Lesson) -> str:
    """Where a lesson is from, and for a rule of thumb how often it holds."""
    if lesson.rule is None:
        return lesson.source
    return f"{lesson.source}; {figure_words(lesson.figure)}"
