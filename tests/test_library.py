"""The face of the package: its names, its doctests, and the code of docs/library.md."""

from __future__ import annotations

import doctest
import json
import re
import subprocess
import sys
from pathlib import Path

import chess
import pytest

import convert
from convert import library
from convert.model import Evidence, Side, Verdict
from tablebases.values import Outcome

ROOT = Path(convert.__file__).parent.parent
PAGE = (ROOT / "docs" / "library.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```python\n(.*?)```", PAGE, re.S)
DRAWN = "8/8/8/4k3/8/4K3/4P3/8 w - - 0 1"
#: Names whose examples need the solver.
SOLVING = ("solve_ending",)


def test_the_names() -> None:
    assert set(library.__all__) == set(convert.__all__) - {"__version__"}
    for name in convert.__all__:
        assert getattr(convert, name) is not None
    assert dir(convert) == sorted(convert.__all__)
    stub = Path(convert.__file__).with_suffix(".pyi").read_text(encoding="utf-8")
    assert re.findall(r"^    (\w+) as \1,$", stub, re.M) == library.__all__
    with pytest.raises(AttributeError, match="no_such_name"):
        _ = convert.no_such_name  # type: ignore[attr-defined]


def test_no_name_is_one_of_a_room() -> None:
    rooms = {path.stem for path in Path(convert.__file__).parent.iterdir()}
    assert not rooms & set(convert.__all__) - {"__version__"}


def test_importing_it_loads_nothing() -> None:
    code = "import sys, convert; print(len([m for m in sys.modules if m.startswith('convert')]))"
    code += "; print('chess' in sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert done.stdout.split() == ["1", "False"]


def _examples() -> list[doctest.DocTest]:
    found = doctest.DocTestFinder().find(library, "library")
    return [test for test in found if test.examples]


@pytest.mark.parametrize(
    "test",
    [
        pytest.param(
            test,
            id=test.name,
            marks=[pytest.mark.slow] if test.name.endswith(SOLVING) else [],
        )
        for test in _examples()
    ],
)
def test_doctests(test: doctest.DocTest, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    assert doctest.DocTestRunner().run(test).failed == 0


def test_every_function_has_an_example() -> None:
    named = {test.name.rpartition(".")[2] for test in _examples()}
    assert named == {name for name in library.__all__ if name.islower()}


@pytest.mark.parametrize(
    "code",
    [
        pytest.param(code, marks=[pytest.mark.slow] if "solve_ending" in code else [])
        for code in BLOCKS
    ],
)
def test_the_code_of_the_page(
    code: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "demo_games").symlink_to(ROOT / "demo_games")
    exec(compile(code, "library.md", "exec"), {})
    assert capsys.readouterr().out.strip()
    if "write_reviews" in code:
        told = json.loads((tmp_path / "reviews.json").read_text(encoding="utf-8"))
        assert len(told["reviews"]) == 1
        assert "[Event " in (tmp_path / "annotated.pgn").read_text(encoding="utf-8")


def test_the_page_is_linked_and_names_what_is_there() -> None:
    assert "docs/library.md" in (ROOT / "README.md").read_text(encoding="utf-8")
    for name in re.findall(r"convert\.(\w+)", PAGE):
        assert name in convert.__all__, name


class Sure:
    name = "sure"

    def judge(self, board: chess.Board) -> Verdict | None:
        if not board.queens:
            return None
        return Verdict(Side.of(board.turn), Outcome.DRAW, Outcome.WIN, Evidence.SOLVED)


def test_a_judge_may_be_given() -> None:
    fen = "3q2k1/3r1ppp/8/8/8/8/3R1PPP/3Q2K1 w - - 0 1"
    plain = convert.judge_position(fen, effort="quick", solve=False, variants=False).verdict
    assert plain.low is Outcome.LOSS

    class Here(Sure):
        def judge(self, board: chess.Board) -> Verdict | None:
            return super().judge(board) if board.fen() == fen else None

    told = convert.verdict_of(fen, effort="quick", solve=False, judges=[Here()])
    assert told.low is Outcome.DRAW


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (lambda: convert.report_text(convert.judge_position(DRAWN, solve=False), "html"), "review"),
        (lambda: convert.write_reviews("x.html", []), "one review"),
        (lambda: convert.solve_ending(chess.STARTING_FEN), "pieces besides"),
    ],
)
def test_what_cannot_be_asked(wrong: object, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        wrong()  # type: ignore[operator]


def test_a_position_that_is_none() -> None:
    with pytest.raises(convert.SourceError):
        convert.verdict_of("not a position", solve=False)
