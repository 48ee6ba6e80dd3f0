"""A question as it is posed, the hints with it, and the exercise put together from its parts."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import chess

from convert.judging.judges import Bench
from convert.lesson.difficulty import level_of
from convert.lesson.hints import fits, steps
from convert.lesson.judging import Draft
from convert.lesson.level import group_of, levelled
from convert.lesson.scene import PlayedTrade, Rules, play_out, rules_about
from convert.lesson.themes import theme_of
from convert.lesson.words import question
from convert.model import Line, Side, Speaking
from convert.model.lesson import Exercise, Task, Tried, Twin


@dataclass(frozen=True)
class Pose:
    """A draft with what surrounds the question.

    Attributes:
        draft: the position, the task, the moves.
        played: the trade that it is about, played out; None without one.
        rules: what rules of thumb say of it.
        rule: the one that is told as the first hint; None where that is of this position.
        hints: three steps from idea to move.
    """

    draft: Draft
    played: PlayedTrade | None
    rules: Rules
    rule: Speaking | None
    hints: tuple[str, str, str]

    @property
    def theme(self) -> str:
        """The theme that the position tells."""
        draft, played = self.draft, self.played
        after = played.after if played is not None and draft.task is not Task.RECAPTURE else None
        only_pawns = played is not None and played.given == played.taken == chess.PAWN
        return theme_of(draft.board, draft.task, draft.points, after, only_pawns)


def pose_of(bench: Bench, draft: Draft, lost: Line | None, used: Collection[str]) -> Pose:
    """Play the trade out and find the hints.

    Args:
        lost: play from a lost position, which has no move to name.
        used: hints that other exercises of the sheet have.
    """
    move = draft.asked or draft.key
    trade = move if draft.task in (Task.TRADE, Task.REFUSE, Task.RECAPTURE) else None
    played = play_out(bench, draft.board, trade) if trade is not None else None
    rules = rules_about(bench, draft, played)
    rule = rules.hint if rules.hint is not None and fits(rules.hint, draft.task) else None
    hints = steps(draft, played, rule, lost, used)
    first = rule if rule is not None and hints[0] == rule.statement else None
    return Pose(draft, played, rules, first, hints)


def exercise_of(
    pose: Pose,
    *,
    asked: Tried | None,
    keep: tuple[Tried, ...],
    ways: int,
    wrong: tuple[Tried, ...],
    answer: tuple[str, ...],
    remarks: tuple[str, ...],
    difficulty: tuple[int, tuple[str, ...]],
    ident: str = "",
    theme: str = "",
    twin: Twin | None = None,
) -> Exercise:
    """The exercise; fields as in `convert.model.lesson.Exercise`.

    Args:
        difficulty: the sum of the reasons, and these (`convert.lesson.difficulty.difficulty`).
        theme: empty for the one that the position tells.
    """
    draft, rule = pose.draft, pose.rule
    points, reasons = difficulty
    return levelled(
        Exercise(
            ident=ident,
            theme=theme or pose.theme,
            task=draft.task,
            fen=draft.board.fen(),
            side=Side.of(draft.board.turn),
            question=question(draft, pose.played),
            hint=pose.hints[0],
            hint_source=rule.source if rule is not None else "",
            verdict=draft.verdict,
            asked=asked,
            keep=keep,
            kept=ways,
            legal=len(draft.keep) + len(draft.fail),
            wrong=wrong,
            answer=answer,
            remarks=remarks,
            twin=twin,
            points=points,
            level=level_of(points),
            reasons=reasons,
            source=draft.candidate.source,
            tags=draft.candidate.tags,
            hint_rule=rule.rule if rule is not None else "",
            hints=pose.hints,
            searched=draft.searched,
            alike=group_of(draft),
        )
    )
