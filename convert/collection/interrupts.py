"""Interrupts that come between two steps and never within one.

Python raises `KeyboardInterrupt` wherever the program is.  Inside a pool that is just starting its
processes, or a lock of a future, that leaves what nobody can end properly.
"""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator
from types import FrameType
from typing import Any

from convert.rim.stopping import ENDING


@contextlib.contextmanager
def held() -> Iterator[None]:
    """Let SIGINT, SIGTERM and SIGHUP take effect at the end of the block, whichever way it ends.

    Only what Python code would answer is held; a signal that is ignored stays so, and one that
    ends the process at once does.  In another thread than the main one nothing is to be held.

    Raises:
        KeyboardInterrupt: one came, and that is how it is answered.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[tuple[int, FrameType | None]] = []
    before: dict[signal.Signals, Any] = {}

    def keep(number: int, frame: FrameType | None) -> None:
        came.append((number, frame))

    try:
        for one in (signal.SIGINT, *ENDING):
            answer = signal.getsignal(one)
            if callable(answer):
                before[one] = answer
                signal.signal(one, keep)
        yield
    finally:
        for one, answer in before.items():
            signal.signal(one, answer)
        for number, frame in came:
            before[signal.Signals(number)](number, frame)


@contextlib.contextmanager
def deaf_from_birth(*numbers: int) -> Iterator[None]:
    """Processes begun in the block never hear these signals, from their first instruction on.

    A terminal sends Ctrl-C to all processes at once, and one that is just starting would print a
    traceback; the process that began them ends them. They inherit the mask of blocked signals.
    Here the signals take effect at the end of the block.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, numbers)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
