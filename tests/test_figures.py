"""How often rules hold: the file that ships, what is told of it, how refuted rules are silent."""

from __future__ import annotations

import importlib.util
import json
from collections.abc import Iterator
from copy import deepcopy
from pathlib import Path
from types import ModuleType
from typing import Any

import chess
import pytest
from demo_reviews import demo_review
from hypothesis import given
from hypothesis import strategies as st

from convert import rules
from convert.judging.judges import Bench
from convert.lesson.builtin import stored
from convert.lesson.sheet import with_figure
from convert.measuring.counts import ENOUGH, standing
from convert.measuring.shipped import written
from convert.model import RuleFigure, from_json, to_json
from convert.reports.html import page
from convert.review.decisions import position_speaking
from convert.rules import ALL_RULES, POSITION_RULES, figures, position_voices
from convert.rules.base import voices_of
from convert.wording.rules import figure_words, figures_legend, of_hundred
from convert.wording.themes import general_hint
from tablebases.probing import open_tables

DOCS = Path(__file__).parent.parent / "docs"
DEMO = Path(__file__).parent.parent / "demo_games"
FIGURE = RuleFigure("position", "games", 12_400, 0.831, 0.82, 0.84, 0.613, "holds")


# --- the file that ships ---------------------------------------------------------------------


def shipped() -> dict[str, Any]:
    told: dict[str, Any] = json.loads(figures.FILE.read_text(encoding="utf-8"))
    return told


def test_the_file_is_the_one_whose_hash_it_records() -> None:
    told = shipped()
    assert told["sha256"] == figures.digest(told)
    assert written(told, "rules") == figures.FILE.read_text(encoding="utf-8")
    changed = deepcopy(told)
    changed["rules"]["square-of-the-pawn"]["shown"] = "nowhere"
    assert figures.digest(changed) != told["sha256"]


def test_the_file_says_what_made_it_and_is_small() -> None:
    told = shipped()
    assert {"seed", "program", "solver", "chess", "trials", "candidates"} <= set(told)
    assert all(row["settled"] <= row["drawn"] for row in told["trials"].values())
    assert figures.FILE.stat().st_size < 150_000


@pytest.mark.parametrize("rule", ALL_RULES, ids=lambda rule: rule.id)
def test_every_rule_has_a_figure_or_says_why_not(rule: rules.Rule) -> None:
    kept = shipped()["rules"].get(rule.id)
    figure = figures.figure_of(rule.id, rule.kind)
    if kept is None:
        assert figure is None
        assert figures.why_not(rule.id) == "it has not been counted yet"
        return
    assert (figure is None) == bool(figures.why_not(rule.id))
    assert (figure is None) == (kept["standing"] == "too few")
    for origin in ("games", "random"):
        row = kept[origin]
        if row is None:
            continue
        assert 0 <= row["low"] <= row["right"] <= row["high"] <= 1
        assert 0 < row["n"] <= kept["drawn"][origin]
        assert sum(n for _, n, *_ in row["classes"]) == row["n"]
        right = sum(number for _, _, number, _, _ in row["classes"])
        assert abs(right / row["n"] - row["right"]) <= 1e-4
        assert all(won + lost <= n >= right for _, n, right, won, lost in row["classes"])
    if figure is not None:
        assert figure.n >= ENOUGH or figure.standing == "refuted"
        assert standing(kept[kept["shown"]], rule.exact) == figure.standing


def test_the_file_holds_no_other_rules() -> None:
    """One that is not yet counted may be missing: it says nothing of its strength."""
    kept = set(shipped()["rules"])
    assert kept <= {rule.id for rule in ALL_RULES}
    assert {rule.id for rule in ALL_RULES if figures.counted(rule.id)} == kept


def test_without_a_file_nothing_is_measured(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fresh: None
) -> None:
    monkeypatch.setattr(figures, "FILE", tmp_path / "none.json")
    assert figures.figure_of("square-of-the-pawn", "position") is None
    assert figures.why_not("square-of-the-pawn") == "it has not been counted yet"
    assert not figures.refuted("square-of-the-pawn")


# --- in words ----------------------------------------------------------------------------------


def test_words_of_a_figure() -> None:
    assert figure_words(FIGURE) == "holds in 83 of 100 such endings (n = 12,400; base 61)"
    sure = RuleFigure("trade", "random", 60, 0.999, 0.94, 1.0, None, "no base")
    assert figure_words(sure) == (
        "holds in more than 99 of 100 such trades, drawn at random (n = 60)"
    )
    assert figure_words(None) == "not measured"


@given(st.floats(0, 1))
def test_hundred_and_none_are_said_only_where_they_are_so(share: float) -> None:
    words = of_hundred(share)
    assert (words == "100") == (share == 1)
    assert (words == "0") == (share == 0)
    if words.isdigit():
        assert abs(int(words) - 100 * share) <= 0.5


def test_the_legend_explains_what_is_there_and_nothing_else() -> None:
    assert figures_legend([]) == figures_legend([None]) == ""
    plain = figures_legend([None, FIGURE])
    assert "Base" in plain
    assert "at random" not in plain
    odd = RuleFigure("trade", "random", 60, 0.9, 0.8, 1.0, None, "no base")
    assert "Base" not in figures_legend([odd])
    assert "at random" in figures_legend([odd])


# --- what speaks -------------------------------------------------------------------------------


@pytest.fixture
def fresh() -> Iterator[None]:
    """Nothing remembered of the figures, before and after."""
    kept = (figures.document, figures.figure_of, rules._unrefuted)
    for remembered in kept:
        remembered.cache_clear()
    yield
    for remembered in kept:
        remembered.cache_clear()


@pytest.fixture
def made_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fresh: None) -> dict[str, Any]:
    """Figures made up for the test: one rule holds, one is refuted, the others are not there."""
    row = {"n": 400, "right": 0.25, "low": 0.2, "high": 0.3, "base": 0.5, "base_n": 900}
    good = {**row, "right": 0.95, "low": 0.9, "high": 0.97}
    told = {
        "rules": {
            "square-of-the-pawn": {
                "games": None,
                "random": good,
                "shown": "random",
                "standing": "holds",
            },
            "ahead-trade-pieces": {
                "games": row,
                "random": None,
                "shown": "games",
                "standing": "refuted",
            },
            "extra-pawn-pawn-ending": {
                "games": row,
                "random": None,
                "shown": "games",
                "standing": "refuted",
            },
        }
    }
    path = tmp_path / "measured.json"
    path.write_text(json.dumps(told), encoding="utf-8")
    monkeypatch.setattr(figures, "FILE", path)
    return told


RUNNER = chess.Board("8/8/8/P6k/8/8/8/K7 w - - 0 1")


@pytest.mark.usefixtures("made_up")
def test_a_refuted_rule_is_silent_and_still_heard_when_counting() -> None:
    spoken = {voice.rule for voice in position_voices(RUNNER)}
    counted = {voice.rule for voice in voices_of(POSITION_RULES, rules.features(RUNNER))}
    assert "extra-pawn-pawn-ending" not in spoken
    assert counted - spoken == {"extra-pawn-pawn-ending"} & counted
    assert "square-of-the-pawn" in spoken
    assert all(rules.rule_by_id(rule.id) is rule for rule in ALL_RULES)


@pytest.mark.usefixtures("made_up")
def test_a_rule_that_speaks_brings_its_figure() -> None:
    told = {rule.rule: rule for rule in position_speaking(Bench(open_tables()), RUNNER)}
    figure = told["square-of-the-pawn"].figure
    assert figure is not None
    assert (figure.origin, figure.n, figure.right, figure.base) == ("random", 400, 0.95, 0.5)
    assert all(rule.figure is None for id_, rule in told.items() if id_ != "square-of-the-pawn")


@pytest.mark.usefixtures("made_up")
def test_hints_of_stored_answers_have_todays_figures() -> None:
    by_rule = {e.hint_rule: e for e in stored()}
    assert all(e.hint_figure is None for e in by_rule.values())
    for exercise in by_rule.values():
        shown = with_figure(exercise)
        if exercise.hint_rule in ("ahead-trade-pieces", "extra-pawn-pawn-ending"):
            assert shown.hint == general_hint(exercise.theme, exercise.task)
            assert (shown.hint_rule, shown.hint_source) == ("", "")
        elif exercise.hint_rule:
            rule = rules.rule_by_id(exercise.hint_rule)
            assert (shown.hint, shown.hint_source) == (rule.statement, rule.source)


@pytest.mark.slow
@pytest.mark.usefixtures("made_up")
def test_no_report_quotes_a_refuted_rule() -> None:
    review = demo_review("06")
    text = page(review) + to_json(review).decode()
    for id_ in ("ahead-trade-pieces", "extra-pawn-pawn-ending"):
        assert rules.rule_by_id(id_).statement not in text
    assert from_json(to_json(review)) == review


# --- the documentation -------------------------------------------------------------------------


def generator() -> ModuleType:
    spec = importlib.util.spec_from_file_location("rules_page", DOCS / "rules_page.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_page_has_every_rule_with_its_figure_or_the_reason() -> None:
    told = shipped()
    text = (DOCS / "rules.md").read_text(encoding="utf-8")
    for rule in ALL_RULES:
        entry = text.partition(f"`{rule.id}`, {rule.kind}.")[2].partition("\n### ")[0]
        assert rule.statement in entry
        kept = told["rules"].get(rule.id)
        assert (kept is None) == ("Not yet counted" in entry)
        if kept is None:
            continue
        if kept["standing"] == "too few":
            assert kept["why_not"] in entry
        if kept["standing"] == "refuted":
            assert "no longer speaks" in entry
        for origin in ("games", "random"):
            if kept[origin] is not None and kept[origin]["n"] >= ENOUGH:
                assert f"n = {kept[origin]['n']:,}" in entry
                assert f"right in {of_hundred(kept[origin]['right'])} of 100" in entry


def test_the_handbooks_stand_beside_the_figures_of_the_file() -> None:
    told = shipped()["rules"]
    text = (DOCS / "measuring.md").read_text(encoding="utf-8")
    rows = text.partition("<!-- handbooks -->")[2].partition("<!-- end -->")[0].splitlines()
    compared = 0
    for id_, *_ in generator().HANDBOOKS:
        (row,) = [row for row in rows if f"`{id_}`" in row]
        kept = told[id_]
        if kept["standing"] == "too few":
            assert kept["why_not"] in row
            continue
        figure = kept[kept["shown"]]
        compared += 1
        assert f" in {of_hundred(figure['right'])} of 100 " in row
        assert f"n = {figure['n']:,}" in row
        assert f"({100 * figure['low']:.0f} to {100 * figure['high']:.0f})" in row
    assert compared >= 1


def test_pages_can_be_made_without_figures() -> None:
    module = generator()
    assert "has not been counted yet" in module.rules_page({"rules": {}})
    assert all("not measured" in row for row in module.handbooks({"rules": {}})[2:])
