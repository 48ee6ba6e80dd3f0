"""Consoles for reports and progress: what they are given is safe before it is styled."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable
from typing import Any

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment
from rich.text import Text

from convert.cli.streams import below
from convert.rim.safe_text import safe


class SafeConsole(Console):
    """Makes all text safe that it is given; the command decides what a closed pipe means."""

    def render(
        self, renderable: RenderableType, options: ConsoleOptions | None = None
    ) -> Iterable[Segment]:
        """What is to be written, in safe pieces; orders of our own (cursor, erase) as they are."""
        shown = safe(renderable) if isinstance(renderable, str) else renderable
        for segment in super().render(shown, options):
            if segment.control:
                yield segment
            else:
                yield Segment(safe(segment.text), segment.style)

    def render_str(self, text: str, **options: Any) -> Text:
        """Text of a string; made safe here, before control characters are dropped from it."""
        return super().render_str(safe(text), **options)

    def on_broken_pipe(self) -> None:
        """Leave it to the command."""
        raise BrokenPipeError


def out_console() -> Console:
    """The console reports go to; 80 columns when it is no terminal and COLUMNS is not set."""
    width = None
    if not sys.stdout.isatty() and not os.environ.get("COLUMNS"):
        width = 80
    return SafeConsole(
        file=below(sys.stdout), width=width, markup=False, highlight=False, emoji=False
    )


def err_console() -> Console:
    """The console progress goes to."""
    return SafeConsole(file=below(sys.stderr), markup=False, highlight=False, emoji=False)
