"""Being asked to end: SIGTERM and SIGHUP are answered as Ctrl-C is.

All three raise `KeyboardInterrupt` where the program stands, so that what saves a game, wipes a
line or closes a folder on Ctrl-C does so whatever the reason.  Work that must not be broken off
in the middle holds them (`convert.collection.interrupts`) or listens itself (the solver).
"""

from __future__ import annotations

import _thread
import contextlib
import functools
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from types import FrameType
from typing import Any

#: What asks a program to end besides Ctrl-C: a batch system or a shutdown; a terminal that closes.
ENDING = tuple(getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name))


#: Seconds after which an interrupt that was lost is raised again.
AGAIN_AFTER = 0.01


class Ended(KeyboardInterrupt):
    """The program was asked to end by another signal than Ctrl-C's.

    Attributes:
        number: the signal.
    """

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


@contextlib.contextmanager
def listening() -> Iterator[None]:
    """Answer SIGTERM and SIGHUP by `Ended` for the time of the block.

    One that is ignored stays so (``nohup``).  While an interrupt is being answered, further ones
    are passed over: a closing terminal sends two, and the second would break off the saving.
    One that strikes where Python lets nothing through (the callback of a weak reference, as the
    importer has them, or ``__del__``) is raised again a little later.

    Raises:
        Ended: one came.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before: dict[int, Any] = {}
    hook = sys.unraisablehook
    sys.unraisablehook = functools.partial(_raise_again, hook)
    for number in ENDING:
        if signal.getsignal(number) not in (signal.SIG_IGN, None):
            before[number] = signal.signal(number, _end)
    try:
        yield
    finally:
        for number, answer in before.items():
            signal.signal(number, answer)
        sys.unraisablehook = hook


def _raise_again(otherwise: Callable[[Any], Any], lost: Any) -> None:
    """Answer an error that nobody can catch: an interrupt comes once more, by a timer."""
    if not isinstance(lost.exc_value, KeyboardInterrupt):
        otherwise(lost)
        return
    number = getattr(lost.exc_value, "number", signal.SIGINT)
    timer = threading.Timer(AGAIN_AFTER, _thread.interrupt_main, (number,))
    timer.daemon = True
    timer.start()


def _end(number: int, _frame: FrameType | None) -> None:
    if interrupt_in(sys.exception()) is None:
        raise Ended(number)


def interrupt_in(err: BaseException | None) -> KeyboardInterrupt | None:
    """The interrupt that an error is, or that it came from: compiled code wraps them."""
    return next((one for one in _chain(err) if isinstance(one, KeyboardInterrupt)), None)


def exit_code(err: BaseException | None) -> int:
    """What a shell calls a program that a signal has ended: 130 after Ctrl-C, 143 after SIGTERM."""
    ended = next((one.number for one in _chain(err) if isinstance(one, Ended)), signal.SIGINT)
    return 128 + ended


def _chain(err: BaseException | None) -> Iterator[BaseException]:
    """An error and those that it came from, the last first."""
    seen: list[BaseException] = []
    while err is not None and err not in seen:
        seen.append(err)
        yield err
        err = err.__cause__ or err.__context__
