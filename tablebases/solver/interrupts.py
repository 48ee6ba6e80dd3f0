"""Signals while the solver works: it ends in good order, and what is proved so far counts."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Callable, Iterator
from types import FrameType
from typing import Any

__all__ = ["listening"]


@contextlib.contextmanager
def listening(stop: Callable[[], bool]) -> Iterator[None]:
    """The user's first interrupt ends the work in good order, a second one at once.

    Being asked to end (SIGTERM, SIGHUP), where the program answers that, ends the work in
    good order too and is answered then. An exception in the middle of compiled code would not
    arrive as what it is. In other threads than the main one nothing changes.

    Args:
        stop: asks the work to end; says whether it was asked before.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    asked: list[tuple[int, FrameType | None]] = []

    def interrupt(_number: int, _frame: object) -> None:
        if stop():
            raise KeyboardInterrupt

    def end(number: int, frame: FrameType | None) -> None:
        stop()
        asked.append((number, frame))

    before: dict[int, Any] = {}
    for name, answer in (("SIGINT", interrupt), ("SIGTERM", end), ("SIGHUP", end)):
        number = getattr(signal, name, None)
        # One that is ignored, or that nobody answers, is left alone.
        if number is not None and callable(signal.getsignal(number)):
            before[number] = signal.signal(number, answer)
    try:
        yield
    finally:
        for number, earlier in before.items():
            signal.signal(number, earlier)
        for number, frame in asked[:1]:
            before[number](number, frame)
