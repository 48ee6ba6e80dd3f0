"""Text from outside, made safe to show: control characters, bidirectional text, names of files.

Tags, comments, arguments and names of files may hold anything.  On a terminal a control character
is an order, and a bidirectional control reorders what stands behind it, so that 1-0 reads 0-1.
"""

from __future__ import annotations

import contextlib
import os
import re
import unicodedata

FSI, PDI = "\u2068", "\u2069"

#: Orders to a terminal: C0 without the line feed, DEL, C1.
_ORDERS = "\x00-\x09\x0b-\x1f\x7f-\x9f"
#: Line and paragraph separators, marks and controls of bidirectional text, halves of surrogates.
_HIDDEN = "\u061c\u200e\u200f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff"
_UNSAFE = re.compile(f"[{_ORDERS}{_HIDDEN}]")
_UNSAFE_IN_LINE = re.compile(f"[\n{_ORDERS}{_HIDDEN}]")

#: Characters that open and close runs of bidirectional text (Unicode Standard Annex 9).
_ISOLATES, _EMBEDDINGS, _PDF = "\u2066\u2067\u2068", "\u202a\u202b\u202d\u202e", "\u202c"
_CLOSERS = {**dict.fromkeys(_ISOLATES, PDI), **dict.fromkeys(_EMBEDDINGS, _PDF)}
_BIDI = frozenset(("R", "AL", "AN", "LRE", "LRO", "RLE", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"))


def safe(text: str) -> str:
    r"""The text with what a terminal would obey shown instead: ESC as ``\x1b``.

    Line feeds stay; printable text is unchanged, and safe text is safe already.  A byte of a file's
    name that is no UTF-8 (a half of a surrogate in Python) is shown as that byte: ``\xe9``.
    """
    return _UNSAFE.sub(_shown, text)


def safe_line(text: str) -> str:
    """The same on one line: a line feed is shown too."""
    return _UNSAFE_IN_LINE.sub(_shown, text)


def _shown(match: re.Match[str]) -> str:
    code = ord(match[0])
    if 0xDC80 <= code <= 0xDCFF:
        return f"\\x{code - 0xDC00:02x}"
    return f"\\x{code:02x}" if code < 0x80 else f"\\u{code:04x}"


# --- names of files -----------------------------------------------------------------------------

_LIKE_SHOWN = re.compile(r"\\(?=x[0-9a-f]{2}|u[0-9a-f]{4})")
_SHOWN = re.compile(r"\\x([0-9a-f]{2})|\\u([0-9a-f]{4})")


def file_text(path: str | os.PathLike[str]) -> str:
    r"""A file's name as text that can be shown and kept anywhere; `file_path` is the way back.

    Most names stay as they are.  Bytes that are no UTF-8 and control characters are shown as in
    `safe_line`; a backslash that would then be taken for the beginning of one is ``\x5c``.
    The text does not depend on the system's encoding.
    """
    name = os.fspath(path)
    with contextlib.suppress(UnicodeEncodeError):  # no byte, but shown all the same
        name = os.fsencode(name).decode("utf-8", "surrogateescape")
    return safe_line(_LIKE_SHOWN.sub(r"\\x5c", name))


def file_path(text: str) -> str:
    """The name of a file of which `file_text` made the text."""

    try:
        return os.fsdecode(_SHOWN.sub(_meant, text).encode("utf-8", "surrogateescape"))
    except UnicodeEncodeError:
        return _SHOWN.sub(_meant, text)


def _meant(match: re.Match[str]) -> str:
    code = int(match[1] or match[2], 16)
    return chr(code + 0xDC00 if match[1] and code >= 0x80 else code)


# --- bidirectional text -------------------------------------------------------------------------


def isolated(text: str) -> str:
    """The text so that it cannot reorder what stands beside it.

    Text with letters or controls that run from right to left is put between FSI and PDI, with all
    that it opens closed and nothing closed that it did not open; other text stays as it is.
    """
    if text.isascii() or not any(unicodedata.bidirectional(c) in _BIDI for c in text):
        return text
    closed = _closed(text)
    return closed if _is_isolate(closed) else f"{FSI}{closed}{PDI}"


def _closed(text: str) -> str:
    open_marks: list[str] = []
    opened: list[str] = []  # what will close each
    for sign in text:
        if sign in _CLOSERS:
            opened.append(_CLOSERS[sign])
        elif sign == PDI:
            if PDI not in opened:
                continue
            while opened.pop() != PDI:  # it closes the embeddings inside it as well
                open_marks.append(_PDF)
        elif sign == _PDF:
            if not opened or opened[-1] != _PDF:
                continue
            opened.pop()
        open_marks.append(sign)
    return "".join((*open_marks, *reversed(opened)))


def _is_isolate(closed: str) -> bool:
    """Is all of it one isolate of unknown direction?"""
    if not closed.startswith(FSI):
        return False
    depth = 0
    for place, sign in enumerate(closed):
        depth += (sign in _ISOLATES) - (sign == PDI)
        if not depth:
            return place == len(closed) - 1
    return False
