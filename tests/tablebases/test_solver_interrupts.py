"""An interrupt waits for no batch of minutes; signals that nobody answers stay as they are."""

from __future__ import annotations

import signal
import threading

import chess
import numpy as np
import pytest

from tablebases.solver import Budget
from tablebases.solver import run as running
from tablebases.solver.plan import make_plan
from tablebases.solver.run import Run, Stopped
from tablebases.solver.sets import locate
from tablebases.solver.structures import LOWER, Scope, expand
from tablebases.solver.trying import Solver

KPK = chess.Board("8/8/8/4k3/8/4K3/4P3/8 w - - 0 1")


def test_an_interrupt_leaves_a_long_batch_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    structures = expand([locate(KPK)[0]], Scope(LOWER, (4,)))
    assert structures is not None
    plan = make_plan(structures, np.zeros(len(structures), np.int64), 2**30)
    begun, let_go = threading.Event(), threading.Event()

    def batch(*_: object) -> None:
        begun.set()
        assert let_go.wait(60)

    monkeypatch.setattr(Run, "_batch", batch)
    monkeypatch.setattr(running, "_LAST_BATCH", 0.05)
    run = Run(plan, threads=1, memory=plan.pool_bytes)
    before = set(threading.enumerate())
    with pytest.raises(Stopped):
        run.execute(hurry=begun.is_set)
    (worker,) = set(threading.enumerate()) - before
    assert worker.is_alive()
    assert worker.daemon
    let_go.set()
    worker.join(60)
    assert not worker.is_alive()  # it ends by itself after its batch
    run.close()


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
@pytest.mark.parametrize("answer", [signal.SIG_IGN, signal.SIG_DFL])
def test_signals_that_the_program_does_not_answer_are_left_alone(
    name: str, answer: signal.Handlers
) -> None:
    number = getattr(signal, name)
    solver = Solver([KPK], Budget())
    before = signal.signal(number, answer)
    try:
        with solver._listening():
            assert signal.getsignal(number) is answer
    finally:
        signal.signal(number, before)


def test_what_the_program_answers_is_passed_on_at_the_end() -> None:
    heard: list[int] = []
    solver = Solver([KPK], Budget())
    before = signal.signal(signal.SIGTERM, lambda number, _: heard.append(number))
    try:
        with solver._listening():
            signal.raise_signal(signal.SIGTERM)
            signal.raise_signal(signal.SIGTERM)
            assert heard == []
            assert solver.interrupted
        assert heard == [signal.SIGTERM]
    finally:
        signal.signal(signal.SIGTERM, before)
