"""How hard an exercise is by what players did: how often a band of ratings found such a move.

Counted by ``python -m convert.measuring.levels`` over positions of games that the tables know and
that hold a question, into ``found.json``.  Exercises are alike here if they ask for the same thing,
leave as many plausible wrong moves, and the move is quiet or not.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources

from convert.lesson.judging import Draft
from convert.model.lesson import Exercise, Level, Task

FILE = "found.json"
BAND = "1400 to 1799"
"""The band of ratings that levels are told for."""
LEAST = 40
"""Fewer cases than this in the band tell no level."""
EASY_FROM, MEDIUM_FROM = 0.75, 0.5
"""Shares of players who found the move, from which an exercise is easy, medium."""


@dataclass(frozen=True)
class BandCount:
    """Of so many players of a band who stood before such a move, so many found it."""

    met: int
    hit: int

    @property
    def share(self) -> float:
        """The share that found it, 0 to 1."""
        return self.hit / self.met if self.met else 0.0


def group_of(draft: Draft) -> str:
    """What the exercise is counted with: ``trade, few tempting, quiet``; "" without a move."""
    if draft.key is None or draft.points < 0:
        return ""
    wrong = sum(o.plausible for o in draft.fail)
    many = (
        "one or two tempting" if wrong <= 2 else "few tempting" if wrong <= 5 else "many tempting"
    )
    board = draft.board
    loud = board.is_capture(draft.key) or board.gives_check(draft.key)
    return f"{_TASKS[draft.task]}, {many}, {'forcing' if loud else 'quiet'}"


_TASKS = {
    Task.TRADE: "trade",
    Task.REFUSE: "refuse",
    Task.RECAPTURE: "recapture",
    Task.ONLY: "only",
    Task.RESULT: "only",
}


@cache
def shipped() -> dict[str, dict[str, BandCount]]:
    """The counts that are shipped: group -> band -> how many met it and found it."""
    text = resources.files("convert.lesson").joinpath(FILE).read_text(encoding="utf-8")
    groups = json.loads(text)["groups"]
    return {
        group: {band: BandCount(met, hit) for band, (met, hit) in bands.items()}
        for group, bands in groups.items()
    }


def levelled(exercise: Exercise) -> Exercise:
    """The exercise with the level that the counts give, and the counts; unchanged where few are.

    Answers are stored, counts are not: they are looked up whenever an exercise is read.
    """
    seen = shipped().get(exercise.alike, {}).get(BAND)
    if seen is None or seen.met < LEAST:
        return exercise
    level = (
        Level.EASY
        if seen.share >= EASY_FROM
        else Level.MEDIUM
        if seen.share >= MEDIUM_FROM
        else Level.HARD
    )
    return replace(exercise, level=level, met=seen.met, hit=seen.hit)
