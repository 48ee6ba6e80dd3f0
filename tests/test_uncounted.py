"""A rule that nobody has counted: it may speak, nothing is said of its strength; counted alone."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import chess
import pytest

from convert import rules
from convert.judging.judges import Bench
from convert.measuring import rules as command
from convert.measuring.counts import merged
from convert.model import Speaking
from convert.review.decisions import position_speaking
from convert.review.teaching import counted_of
from convert.rules import figures
from convert.wording.rules import holds_words, rule_words

RULE = "square-of-the-pawn"
RUNNER = chess.Board("8/8/8/P6k/8/8/8/K7 w - - 0 1")


@pytest.fixture
def uncounted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """The figures that ship without those of one rule."""
    told = dict(figures.document())
    told["rules"] = {id_: row for id_, row in told["rules"].items() if id_ != RULE}
    path = tmp_path / "measured.json"
    path.write_text(json.dumps(told), encoding="utf-8")
    kept = (figures.document, figures.figure_of, rules._unrefuted)
    for remembered in kept:
        remembered.cache_clear()
    monkeypatch.setattr(figures, "FILE", path)
    yield path
    for remembered in kept:
        remembered.cache_clear()


def heard(bench: Bench) -> dict[str, Speaking]:
    return {rule.rule: rule for rule in position_speaking(bench, RUNNER)}


def test_it_speaks_last_and_without_strength(uncounted: Path, bench: Bench) -> None:
    found = position_speaking(bench, RUNNER)
    (own,) = [rule for rule in found if rule.rule == RULE]
    assert found[-1] is own
    assert (own.strength, own.figure) == (0, None)
    assert holds_words(own) == "not yet counted"
    assert rule_words(own).endswith(f"[{RULE}; not yet counted]")


def test_it_teaches_nothing(uncounted: Path, bench: Bench) -> None:
    found = position_speaking(bench, RUNNER)
    assert RULE not in {rule.rule for rule in counted_of(found)}
    assert len(counted_of(found)) == len(found) - 1


def test_a_counted_rule_keeps_its_strength(bench: Bench) -> None:
    own = heard(bench)[RULE]
    assert own.strength > 0
    assert "holds in" in holds_words(own)


def test_one_rule_counted_alone_leaves_the_others(
    uncounted: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bench: Bench
) -> None:
    monkeypatch.setattr(command, "CLASSES", ("KPvK",))
    monkeypatch.setattr(command, "POSITIONS", 400)
    monkeypatch.setattr(command, "TRADES", 0)
    before = json.loads(uncounted.read_text(encoding="utf-8"))
    work = str(tmp_path / "work")
    assert command.main(["--only", RULE, "--work", work, "--jobs", "1", "-o", str(uncounted)]) == 0
    after = json.loads(uncounted.read_text(encoding="utf-8"))
    assert after["sha256"] == figures.digest(after)
    own = after["rules"].pop(RULE)
    assert after["rules"] == before["rules"]
    assert after["trials"] == before["trials"]
    assert own["random"]["n"] > 30
    assert own["random"]["right"] > 0.9
    assert own["games"] is None
    assert own["alone"]["seed"] == command.SEED
    assert own["alone"]["trials"] == {"random/positions": {"drawn": 400, "settled": 400}}
    figures.document.cache_clear()
    figures.figure_of.cache_clear()
    told = heard(Bench(bench.prober))[RULE]
    assert told.strength > 0
    assert "drawn at random" in holds_words(told)


def test_a_count_of_one_rule_replaces_its_figures_only() -> None:
    facts = {"program": "p", "solver": 1, "chess": "c", "seed": 2, "trials": {}}
    told = merged({"seed": 1, "rules": {"a": 1, "b": 2}}, {**facts, "rules": {"b": {"n": 3}}})
    assert told == {"seed": 1, "rules": {"a": 1, "b": {"n": 3, "alone": facts}}}


@pytest.mark.parametrize(
    ("arguments", "said"),
    [(["--work", "w"], "games are needed"), (["--only", "none", "--work", "w"], "no such rule")],
)
def test_what_the_count_refuses(
    arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as left:
        command.main(arguments)
    assert left.value.code == 2
    assert said in capsys.readouterr().err
