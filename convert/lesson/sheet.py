"""A sheet's title and what it says of how it was made."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from convert import __version__
from convert.model.lesson import SHEET_SCHEMA, Exercise, Sheet
from convert.rules import rule_by_id
from convert.rules.figures import figure_of, refuted
from convert.wording.rules import figures_legend
from convert.wording.small import join
from convert.wording.themes import general_hint

CERTAIN = (
    "Every answer is certain: each legal move of every exercise is settled by the Laws of Chess, "
    "by tables or by the solver, and which of them stands behind a result is said beside it. "
    "The hints are rules of thumb or general advice, which prove nothing."
)
ORDER = (
    "The order is from easy to hard by judgement, not by measurement: moves that come into "
    "question, length of the line, a quiet key move, first impulses that fail, a rule of thumb "
    "that misleads, an answer missed in the game and many men each make an exercise harder. What "
    "counted stands with each answer."
)
TWIN = (
    "A twin is the nearest position, with a king or a pawn one square off, the other side to "
    "move or everything a file aside, in which the same idea gives another result."
)


PAST_PROOF = (
    "{which} past proof: tables and solver do not reach {them}. A search of {positions} positions "
    "finds one move, or two, far better than all others, and the game went as it says. That is no "
    "certain answer; chances are told as an estimate."
)


def past_proof(exercises: Sequence[Exercise]) -> str:
    """Which exercises of a sheet are past proof, in words; "" if none is."""
    places = [str(i) for i, e in enumerate(exercises, 1) if e.searched]
    if not places:
        return ""
    one = len(places) == 1
    which = f"Exercise {places[0]} is" if one else f"Exercises {join(places)} are"
    most = max(e.searched for e in exercises)
    return PAST_PROOF.format(which=which, them="it" if one else "them", positions=f"{most:,}")


def with_figure(exercise: Exercise) -> Exercise:
    """The exercise with how often the rule that gives its hint holds.

    A rule that is refuted, or no longer there, gives way to general advice: answers are stored,
    figures are not.
    """
    if not exercise.hint_rule:
        return exercise
    try:
        rule = rule_by_id(exercise.hint_rule)
    except KeyError:
        rule = None
    if rule is None or refuted(rule.id):
        hint = general_hint(exercise.theme, exercise.task)
        hints = (hint, *exercise.hints[1:])
        return replace(
            exercise, hint=hint, hints=hints, hint_source="", hint_rule="", hint_figure=None
        )
    return replace(exercise, hint_figure=figure_of(rule.id, rule.kind))


def _proved(exercises: Sequence[Exercise]) -> tuple[str, ...]:
    """How answers are known: of the proved ones, and of those past proof."""
    beyond = past_proof(exercises)
    if not beyond:
        return (CERTAIN,)
    if all(e.searched for e in exercises):
        return (beyond,)
    return (f"{beyond} Of the others:", CERTAIN)


def make_sheet(
    title: str,
    exercises: Iterable[Exercise],
    *,
    intro: tuple[str, ...] = (),
    notes: tuple[str, ...] = (),
    figures: bool = True,
) -> Sheet:
    """A sheet of exercises that are chosen and in order.

    ``figures``: with how often the rules hold that give the hints.
    """
    chosen = tuple(with_figure(e) for e in exercises) if figures else tuple(exercises)
    legend = figures_legend(e.hint_figure for e in chosen)
    return Sheet(
        schema=SHEET_SCHEMA,
        program=f"fullpoint {__version__}",
        title=title,
        intro=(*intro, *_proved(chosen), ORDER, TWIN, *([legend] if legend else [])),
        exercises=chosen,
        notes=notes,
    )
