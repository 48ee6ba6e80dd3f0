"""What a piece of work may cost, where it stands, and what it has cost."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Budget:
    """How much may be spent.

    What is proved follows from the first three and ``planned`` alone: it is the same on every
    machine, fast, slow or busy, with much memory or little, unless the clock is asked for.

    Attributes:
        seconds: work that may be done, counted in the seconds that the plans estimate for one
            core. No step is begun that would pass it.
        memory: bytes that the sets of one step may take; a machine that has not so much to
            spare keeps them in a file.
        disk: bytes that they may take in a file on top of that.
        threads: number of threads, fewer where each would need much memory.
        planned: False counts seconds on the clock instead: no step is begun that is not expected
            to end in time; one that takes longer may overrun by a tenth of the time, at least 2
            seconds, rather than be thrown away.
        settled: positions of at most so many men are settled whatever it takes; only where
            ``planned``.  Whether a draw is one by the fifty-move rule alone is found out where
            it takes at most ``seconds`` for each colour's wins.
        share: number of processes that share the machine's memory.
        at_once: planned seconds up to which each colour's wins are worked out exactly before
            bounds are tried; None: 25 for positions of at most ``settled`` men, of others
            a fifth of ``seconds``, at least 12.
        for_moves: planned seconds that a step may take once the positions themselves are settled
            and only moves are not.
    """

    seconds: float = 60.0
    memory: int = 3 * 2**30
    disk: int = 0
    threads: int = 2
    planned: bool = True
    settled: int = 0
    share: int = 1
    at_once: float | None = None
    for_moves: float = 16.0


@dataclass(frozen=True)
class Progress:
    """Where the work stands.

    Attributes:
        question: what is being proved, in words.
        done: slices solved in this step; ``slices`` in all.
        share: estimated share of this step that is done, 0 to 1.
        seconds: time since the start; ``left`` is the estimate for the rest of the step.
        most: seconds on the clock, as planned, that this and all further steps may take at most;
            infinite where the endings are settled whatever it takes.
    """

    question: str
    done: int
    slices: int
    share: float
    seconds: float
    left: float
    most: float = math.inf


@dataclass
class Cost:
    """What a solution cost.

    Attributes:
        seconds: time on the clock.
        slices: slices solved; ``positions`` placements in them, both sides to move.
        peak_bytes: largest planned memory of a step.
        from_store: slices that were read from the store.
    """

    seconds: float = 0.0
    slices: int = 0
    positions: int = 0
    peak_bytes: int = 0
    from_store: int = 0
