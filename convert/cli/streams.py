"""Standard output and error as text that a terminal can be given, in whatever encoding it has.

While a command runs, all that is written to either stream is made safe (`convert.rim.safe_text`);
our own styling passes because consoles make their text safe before they style it and then write
to the stream below.
"""

from __future__ import annotations

import codecs
import contextlib
import sys
import unicodedata
from collections.abc import Iterable, Iterator
from typing import IO, Any, cast

from convert.rim.safe_text import safe, safe_line


class Safe:
    """A text stream on which nothing but text gets through.

    Attributes:
        below: the stream itself, for what is safe already.
    """

    def __init__(self, below: IO[str]):
        self.below = below

    def write(self, text: str) -> int:
        """Write the text made safe."""
        return self.below.write(safe(text))

    def writelines(self, lines: Iterable[str]) -> None:
        """Write several."""
        for line in lines:
            self.write(line)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.below, name)

    def __iter__(self) -> Iterator[str]:
        return iter(self.below)


def below(stream: IO[str]) -> IO[str]:
    """The stream on which text that is safe already, and our own styling, is written."""
    return stream.below if isinstance(stream, Safe) else stream


@contextlib.contextmanager
def safe_streams() -> Iterator[None]:
    """Standard output and error made safe, and able to take every character."""
    codecs.register_error(DEGRADE, degraded)
    before = sys.stdout, sys.stderr
    with contextlib.ExitStack() as stack:
        stack.enter_context(_dealing(sys.stdin, "surrogateescape"))
        for stream in before:
            stack.enter_context(_dealing(stream, DEGRADE))
        sys.stdout, sys.stderr = (cast("Any", Safe(stream)) for stream in before)
        try:
            yield
        finally:
            sys.stdout, sys.stderr = before


@contextlib.contextmanager
def _dealing(stream: Any, errors: str) -> Iterator[None]:
    """For a while a stream deals otherwise with what its encoding lacks, if it can."""
    old = getattr(stream, "errors", None)
    with contextlib.suppress(AttributeError, OSError, ValueError):
        stream.reconfigure(errors=errors)
    yield
    with contextlib.suppress(AttributeError, OSError, ValueError):
        stream.reconfigure(errors=old)


# --- encodings that lack a character ------------------------------------------------------------

DEGRADE = "fullpoint.degrade"

_PLAIN = {
    **dict(zip("♔♕♖♗♘♙", "KQRBNP", strict=True)),
    **dict(zip("♚♛♜♝♞♟", "kqrbnp", strict=True)),
    **dict.fromkeys("─━═╌┄┈", "-"),
    **dict.fromkeys("│┃║╎┆┊", "|"),
    **dict.fromkeys("┌┐└┘├┤┬┴┼╭╮╰╯╔╗╚╝╠╣╦╩╬╸╺", "+"),
    **dict.fromkeys("█▓■", "#"),
    **dict.fromkeys("▒░□", "."),
    **dict.fromkeys("–—−‐‑", "-"),
    **dict.fromkeys("‘’‚", "'"),
    **dict.fromkeys("“”„", '"'),
    **dict.fromkeys("·•", "*"),
    **dict.fromkeys("\ufe0e\ufe0f\u200b\u200c\u200d\u2060", ""),
    "½": "1/2",
    "×": "x",
    "…": "...",
    "→": "->",
    "←": "<-",
    "≥": ">=",
    "≤": "<=",
    "≈": "~",
    "ß": "ss",
    "æ": "ae",
    "Æ": "AE",
    "ø": "o",
    "Ø": "O",
    "ł": "l",
    "Ł": "L",
    "đ": "d",
    "Đ": "D",
}


def degraded(error: UnicodeError) -> tuple[str, int]:
    """For a codec: what to write for characters that an encoding lacks.

    Figures become letters, lines become ``-`` and ``|``, letters lose their accents; anything else
    is shown by its number (``\\u4e2d``).
    """
    if not isinstance(error, UnicodeEncodeError):
        raise error
    lacking = error.object[error.start : error.end]
    return "".join(_degraded(sign) for sign in lacking), error.end


def _degraded(sign: str) -> str:
    if sign in _PLAIN:
        return _PLAIN[sign]
    bare = "".join(c for c in unicodedata.normalize("NFKD", sign) if not unicodedata.combining(c))
    if bare.isascii():
        return bare
    code = ord(sign)
    return (
        f"\\x{code:02x}"
        if code < 0x100
        else (f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}")
    )


def note(text: str) -> None:
    """A remark or an error on standard error, one line."""
    sys.stderr.write(f"fullpoint: {safe_line(text)}\n")
