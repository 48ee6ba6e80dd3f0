"""Sentences of annotators, claims and traps: what is read as a claim, and what never may be.

Half of each list, chosen by a hash of the sentence, was looked at while the phrases were written;
the other half only measures.  docs/proofread.md tells both.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from test_proofread_phrases import statements

from convert.model.findings import Kind

FOLDER = Path(__file__).parent / "data" / "proofread"
DOCS = Path(__file__).parents[1] / "docs" / "proofread.md"
LISTS = ("annotators", "claims", "traps")


@dataclass(frozen=True)
class Row:
    """A sentence, and how it must be read; "" where it claims nothing of the position."""

    reading: str
    text: str

    @property
    def tuned(self) -> bool:
        """It belongs to the half that the phrases were written on."""
        return hashlib.sha256(self.text.encode()).digest()[0] % 2 == 0


def rows(name: str) -> list[Row]:
    """The sentences of a list."""
    lines = (FOLDER / f"{name}.txt").read_text(encoding="utf-8").splitlines()
    return [_row(name, line) for line in lines if line and not line.startswith("#")]


def _row(name: str, line: str) -> Row:
    if name == "traps":
        return Row("", line)
    first, *_, text = line.split(" | ")
    return Row("" if first == "-" else first, text)


def read_as(text: str) -> list[str]:
    """What would be checked of a sentence that stands behind 45.Ke3."""
    found = statements(f"45. Ke3 {{{text}}}")
    return [s.reading for s in found if not s.why and s.kind is not Kind.UNCLEAR]


@dataclass(frozen=True)
class Score:
    """Of a half of a list: claims, those read rightly; other sentences, those read all the same."""

    claims: int
    understood: int
    others: int
    wrong: int


def score(part: list[Row]) -> Score:
    claims = [row for row in part if row.reading]
    others = [row for row in part if not row.reading]
    wrong = sum(bool(read_as(row.text)) for row in others)
    wrong += sum(any(r != row.reading for r in read_as(row.text)) for row in claims)
    return Score(
        len(claims), sum(read_as(r.text) == [r.reading] for r in claims), len(others), wrong
    )


def halves() -> Iterator[tuple[str, bool, Score]]:
    for name in LISTS:
        for tuned in (True, False):
            yield name, tuned, score([row for row in rows(name) if row.tuned is tuned])


@pytest.fixture(scope="module")
def scores() -> list[tuple[str, bool, Score]]:
    return list(halves())


def test_nothing_is_claimed_that_was_not_said(scores: list[tuple[str, bool, Score]]) -> None:
    assert [name for name, _, found in scores if found.wrong] == []


def test_most_claims_are_understood(scores: list[tuple[str, bool, Score]]) -> None:
    for name, tuned, found in scores:
        assert found.understood >= 0.85 * found.claims, (name, tuned, found)


def test_the_lists_are_large_and_no_sentence_stands_twice() -> None:
    texts = [row.text for name in LISTS for row in rows(name)]
    assert len(texts) == len(set(texts))
    assert len(rows("annotators")) >= 200
    assert len(rows("traps")) >= 400


def test_docs_tell_what_was_measured(scores: list[tuple[str, bool, Score]]) -> None:
    page = DOCS.read_text(encoding="utf-8")
    for name, tuned, found in scores:
        half = "written on" if tuned else "kept back"
        line = f"| {name} | {half} | {found.claims} | {found.understood} | {found.others} | 0 |"
        assert line in page, line


@pytest.mark.parametrize(
    "text",
    [
        "Black has the better king position, but loses.",
        "Material: equal.",
        "Place the pawn on e2 and White wins.",
        "White cannot win at once.",
        "The a-file is lost for White.",
    ],
)
def test_refuted_once_though_nothing_was_claimed(text: str) -> None:
    assert read_as(text) == []


def test_who_is_named_is_taken_at_his_word() -> None:
    found = statements("45. Ke3 {White missed the win.} Ke5 {White misses the win.}")
    assert [(s.why, s.side.name_ if s.side else "") for s in found] == [
        ("", "White"),
        ("the move is not White's", "White"),
    ]


def test_signs_stand_for_words_at_the_end_of_a_clause_alone() -> None:
    assert read_as("+-, and the rest is easy") == ["White wins"]
    assert read_as("45.Kc3 +- (45.Kc2 =)") == [
        "after 45.Kc3, White wins",
        "after 45.Kc2, the position is drawn",
    ]
    for text in ("a+-b", "K+P=K", "e8=Q", "x = y", "the sum = 3"):
        assert read_as(text) == [], text
