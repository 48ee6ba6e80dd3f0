"""What the reports on a sheet of exercises share: numbers, levels, where an exercise is from."""

from __future__ import annotations

from convert.model.lesson import Exercise, Level, Sheet
from convert.wording.rules import figure_words
from convert.wording.small import join
from convert.wording.themes import theme_title
from convert.wording.verdicts import evidence_word, outcome_words

LEVEL_WORDS = {Level.EASY: "easy", Level.MEDIUM: "of medium difficulty", Level.HARD: "hard"}


def result_of(exercise: Exercise) -> str:
    """The result with its evidence: ``White wins (table)``."""
    return f"{outcome_words(exercise.verdict)} ({evidence_word(exercise.verdict)})"


def level_text(exercise: Exercise) -> str:
    """``Hard: 9 moves come into question; the key move is quiet.``"""
    reasons = "; ".join(exercise.reasons)
    text = f"{exercise.level.value.capitalize()}: {reasons}."
    if exercise.met:
        share = round(100 * exercise.hit / exercise.met)
        who = f"{share} of 100 found such a move (n = {exercise.met})"
        text += f" Of players rated 1400 to 1799, {who}."
    return text


def hint_source(exercise: Exercise) -> str:
    """Where the hint is from and how often its rule holds; empty for general advice."""
    if not exercise.hint_rule:
        return exercise.hint_source
    return f"{exercise.hint_source}; {figure_words(exercise.hint_figure)}"


def heading(exercise: Exercise) -> str:
    """The theme's title."""
    return theme_title(exercise.theme)


def summary(sheet: Sheet) -> str:
    """``24 exercises: 8 easy, 9 of medium difficulty, 7 hard.``"""
    number = len(sheet.exercises)
    counts = [
        f"{sum(e.level is level for e in sheet.exercises)} {words}"
        for level, words in LEVEL_WORDS.items()
        if any(e.level is level for e in sheet.exercises)
    ]
    noun = "exercise" if number == 1 else "exercises"
    return f"{number} {noun}: {join(counts)}."
