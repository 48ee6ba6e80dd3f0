"""Text that is safe to show: no orders to a terminal, no reordering of what stands beside it."""

from __future__ import annotations

import os
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from convert.rim.safe_text import FSI, PDI, file_path, file_text, isolated, safe, safe_line

ANY = st.text(st.characters(), max_size=60)  # surrogates too
#: Characters that matter here, far more often than by chance.
ODD = st.text(
    st.sampled_from(
        "a1-\u05d0\u0661\u061c\u200e\u200f\u2028\u202a\u202b\u202c\u202d\u202e\u2066"
        "\u2067\u2068\u2069\x1b\x9b\x7f\n\t\udce9\ud800\\x"
    ),
    max_size=12,
)
OPENING = frozenset("\u202a\u202b\u202d\u202e\u2066\u2067\u2068")


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("plain", "plain"),
        ("Müller – Łódź 中 ♞ ½", "Müller – Łódź 中 ♞ ½"),
        ("\x1b[31mred\x1b[0m", "\\x1b[31mred\\x1b[0m"),
        ("\x9b31m bell\x07 back\x08 del\x7f", "\\u009b31m bell\\x07 back\\x08 del\\x7f"),
        ("over\rwritten\ttab", "over\\x0dwritten\\x09tab"),
        ("\u202e0-1\u202c \u20671-0", "\\u202e0-1\\u202c \\u20671-0"),
        ("marks\u200e\u200f\u061c", "marks\\u200e\\u200f\\u061c"),
        ("caf\udce9.pgn \ud800", "caf\\xe9.pgn \\ud800"),
        ("two\nlines", "two\nlines"),
    ],
)
def test_what_a_terminal_would_obey_is_shown(text: str, shown: str) -> None:
    assert safe(text) == shown
    assert safe_line(text) == shown.replace("\n", "\\x0a")


@given(ANY | ODD)
def test_safe_text_is_safe(text: str) -> None:
    for made, breaks in ((safe(text), "\n"), (safe_line(text), "")):
        made.encode("utf-8")  # no halves of surrogates
        for sign in made:
            assert unicodedata.category(sign) not in ("Cc", "Cs", "Zl", "Zp") or sign in breaks
            assert sign not in OPENING
            assert sign not in "\u200e\u200f\u061c\u202c\u2069"
        assert safe(made) == made
    assert safe_line(safe_line(text)) == safe_line(text)


@given(st.text(st.characters(exclude_categories=("C", "Zl", "Zp")), max_size=60))
def test_printable_text_stays_as_it_is(text: str) -> None:
    assert safe(text) == text
    assert safe_line(text) == text


@pytest.mark.parametrize(
    ("name", "text"),
    [
        (b"club.pgn", "club.pgn"),
        ("größe.pgn".encode(), "größe.pgn"),
        (b"back\\slash.pgn", "back\\slash.pgn"),
        (b"caf\xe9.pgn", "caf\\xe9.pgn"),
        (b"caf\\xe9.pgn", "caf\\x5cxe9.pgn"),
        (b"two\nlines\x1b.pgn", "two\\x0alines\\x1b.pgn"),
        (b"\x85\xc2\x85", "\\x85\\u0085"),
    ],
)
def test_the_name_of_a_file_as_text(name: bytes, text: str) -> None:
    assert file_text(os.fsdecode(name)) == text
    assert os.fsencode(file_path(text)) == name


@given(
    st.binary(min_size=1, max_size=40).filter(lambda raw: b"\0" not in raw)
    | ODD.map(lambda text: text.encode("utf-8", "surrogatepass")).filter(bool)
)
def test_every_name_of_a_file_comes_back(raw: bytes) -> None:
    text = file_text(os.fsdecode(raw))
    assert os.fsencode(file_path(text)) == raw
    assert safe_line(text) == text


def unclosed(text: str) -> bool:
    """Does the text leave something open, or close what it did not open?"""
    opened: list[str] = []
    for sign in text:
        if sign in "\u2066\u2067\u2068":
            opened.append(PDI)
        elif sign in "\u202a\u202b\u202d\u202e":
            opened.append("\u202c")
        elif sign in (PDI, "\u202c") and (not opened or opened.pop() != sign):
            return True
    return bool(opened)


@pytest.mark.parametrize(
    ("text", "kept"),
    [
        ("Marrin", "Marrin"),
        ("Müller – Łódź", "Müller – Łódź"),
        ("\u2067abc", f"{FSI}\u2067abc{PDI}{PDI}"),
        ("\u202eabc", f"{FSI}\u202eabc\u202c{PDI}"),
        ("abc\u2069\u202c", f"{FSI}abc{PDI}"),
        ("\u2067a\u202eb\u2069c", f"{FSI}\u2067a\u202eb\u202c{PDI}c{PDI}"),
        ("\u05d0\u05d1", f"{FSI}\u05d0\u05d1{PDI}"),
    ],
)
def test_text_that_runs_from_right_to_left_is_kept_apart(text: str, kept: str) -> None:
    assert isolated(text) == kept


@given(ANY | ODD)
def test_isolated_text_leaves_nothing_open(text: str) -> None:
    made = isolated(text)
    assert not unclosed(made)
    assert isolated(made) == made
    bidi = set("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
    assert [c for c in made if c not in bidi] == [c for c in text if c not in bidi]
