"""While numba compiles, Python's collector of unreachable objects rests.

Compiling makes millions of objects that live to its end; looking through them again and again
takes a seventh of the time. This is the cost of a first use, so it is worth a module.
"""

from __future__ import annotations

import gc
from typing import Any

from numba.core import event

__all__ = ["rest_while_compiling"]


class _Resting(event.Listener):
    """Turns the collector off at the outermost beginning, on again at its end."""

    def __init__(self) -> None:
        self._depth = 0
        self._was_on = False

    def on_start(self, event: Any) -> None:  # noqa: ARG002
        # numba compiles under a lock of its own: one thread at a time comes here.
        if self._depth == 0:
            self._was_on = gc.isenabled()
            gc.disable()
        self._depth += 1

    def on_end(self, event: Any) -> None:  # noqa: ARG002
        self._depth -= 1
        if self._depth == 0 and self._was_on:
            gc.enable()


def rest_while_compiling() -> None:
    """From now on. Asked for when the modules that compile are imported."""
    event.register("numba:compile", _Resting())  # type: ignore[no-untyped-call]
