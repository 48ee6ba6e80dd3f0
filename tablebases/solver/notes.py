"""What is known from earlier runs about the steps of one question."""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from tablebases.solver.code import source_digest
from tablebases.solver.entries import SOLVER_VERSION
from tablebases.solver.plan import Plan
from tablebases.solver.room import PLANNED_THREADS
from tablebases.solver.scopes import SolveStep
from tablebases.solver.sets import Answers, Key
from tablebases.solver.store import Store


@dataclass(frozen=True)
class Estimate:
    """What is known of a step before it is done, from its plan or from the store.

    Attributes:
        slices: number of slices; ``seconds`` of one core; ``bytes`` with what two threads need, 0
            where it was not planned since it would take too long.
        complete: no move is left out.
    """

    slices: int
    seconds: float
    bytes: int
    complete: bool

    @classmethod
    def of(cls, plan: Plan) -> Estimate:
        """As the plan says."""
        whole = bool(plan.structures.complete.all())
        return cls(len(plan.structures), plan.seconds, plan.bytes(PLANNED_THREADS), whole)


def step_name(step: SolveStep, roots: Sequence[Key]) -> str:
    """A step and the slices that it sets out from, as a short text."""
    told = repr((step.colour, step.scope.told, list(roots)))
    return hashlib.blake2b(told.encode(), digest_size=12).hexdigest()


class Unknown:
    """Nothing is noted."""


UNKNOWN: Final = Unknown()


class Notes:
    """What is known from earlier runs about the steps of one question: their cost, what they kept.

    With them a run whose results are in the store decides as it would without a store, and plans
    nothing a second time. They hold for one state of the sources.
    """

    def __init__(self, store: Store | None, memory: int, needed: Iterable[Key]) -> None:
        self._store = store
        self._key = ""
        self._changed = False
        self._estimates: dict[str, list[Any]] = {}
        self._done: dict[str, list[tuple[Key, bool]]] = {}
        if store is None:
            return
        told = repr((source_digest(), memory, list(needed)))
        digest = hashlib.blake2b(told.encode(), digest_size=16).hexdigest()
        self._key = f"solver {SOLVER_VERSION} | notes | {digest}"
        found = store.get_json(self._key)
        if found is not None:
            with contextlib.suppress(ValueError, TypeError, KeyError):
                estimates = {
                    str(k): [int(v[0]), float(v[1]), int(v[2]), bool(v[3])]
                    for k, v in found["estimates"].items()
                }
                done = {
                    str(k): [((int(a), int(b), int(c)), bool(d)) for a, b, c, d in v]
                    for k, v in found["done"].items()
                }
                self._estimates, self._done = estimates, done

    def estimate(
        self, name: str, limit: int, too_long: Callable[[float], bool]
    ) -> Estimate | Unknown | None:
        """What a step takes; None if it has more slices than the limit, as far as is known.

        Args:
            too_long: are so many seconds more than the step may take anyway?
        """
        found = self._estimates.get(name)
        if found is None:
            return UNKNOWN
        slices, seconds, size, complete = found
        if slices > limit:
            return None
        known = size or (seconds and too_long(seconds))
        return Estimate(slices, seconds, size, complete) if known else UNKNOWN

    def tell(self, name: str, limit: int, estimate: Estimate | None) -> None:
        """Note what a step takes; None: it has more slices than the limit."""
        self._estimates[name] = (
            [limit + 1, 0.0, 0, False]
            if estimate is None
            else [estimate.slices, estimate.seconds, estimate.bytes, estimate.complete]
        )
        self._changed = True

    def kept(self, name: str) -> list[tuple[Key, bool]] | None:
        """The slices that a step has kept, and which of them are complete; None if unknown."""
        return self._done.get(name)

    def done(self, name: str, kept: list[tuple[Key, bool]]) -> None:
        """Note what a step has kept."""
        self._changed = self._changed or self._done.get(name) != kept
        self._done[name] = kept

    def keep(self) -> None:
        """Write the notes into the store."""
        if self._store is None or not self._changed:
            return
        self._store.put_json(
            self._key,
            {
                "estimates": self._estimates,
                "done": {k: [[*key, whole] for key, whole in v] for k, v in self._done.items()},
            },
        )
        self._changed = False


def read_answers(store: Store, question: str) -> Answers:
    """What was looked up for a question in an earlier run; nothing where that is not known."""
    entry = store.get(_answers_key(question))
    if entry is None:
        return {}
    with contextlib.suppress(KeyError, ValueError, TypeError, IndexError):
        names: Any = entry.meta["names"]
        answers: Answers = {str(name): {} for name in names}
        for which, turn, block, bk, wk, level, plies in entry.arrays["looked"].tolist():
            value = level, None if plies < 0 else plies
            answers[names[which]][bool(turn), (block, bk, wk)] = value
        return answers
    return {}


def write_answers(store: Store, question: str, answers: Answers) -> None:
    """Keep what was looked up for a question."""
    names = list(answers)
    looked = [
        (which, turn, *at, level, -1 if plies is None else plies)
        for which, name in enumerate(names)
        for (turn, at), (level, plies) in answers[name].items()
    ]
    rows = np.array(looked, np.int64).reshape(len(looked), 7)
    store.put(_answers_key(question), {"looked": rows}, {"names": names})


def _answers_key(question: str) -> str:
    state = f"{source_digest()} {question}"
    digest = hashlib.blake2b(state.encode(), digest_size=16).hexdigest()
    return f"solver {SOLVER_VERSION} | answers | {digest}"
