"""The recipes of DEVELOPERS.md, followed in a copy of the tree, and held to what is there."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import convert

ROOT = Path(convert.__file__).parent.parent
TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
RECIPES = TEXT.partition("## Recipes\n")[2].partition("\n## ")[0]
OPEN = "3q2k1/3r1ppp/8/8/8/8/3R1PPP/3Q2K1 w - - 0 1"

JUDGE = """
from convert.model import Evidence, Side, Verdict
from tablebases.values import Outcome


class Toy:
    name = "toy"

    def judge(self, board):
        if board.fen() != "{fen}":
            return None
        return Verdict(Side.of(board.turn), Outcome.DRAW, Outcome.DRAW, Evidence.SOLVED)
"""

OUTPUT = '''"""A toy."""

from convert.model import Review
from convert.reports import Around, Beside

AROUND = Around("begin\\n", "--\\n", "end\\n")


def text(review: Review, beside: Beside) -> str:
    """So many slips."""
    return f"{len(review.slips)} slips\\n"
'''

RULE = '''
@position_rule(
    id="toy-rule",
    name="A toy rule",
    statement="A side with two queens has two queens.",
    source="common practice",
    theme="queen endings",
)
def toy(f: Features, color: chess.Color) -> Speech:
    """Made for a test."""
    return (0.5, "there are two queens") if f.side(color).queen_count == 2 else None


RULES: tuple[Rule, ...] = (
    toy,
'''
TWO, ONE = "8/8/3k4/8/8/8/1QQ5/6K1 w - - 0 1", "8/8/3k4/8/8/8/1Q6/6K1 w - - 0 1"


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """The tree without what is not needed here."""
    ignore = shutil.ignore_patterns("__pycache__", "actual", "*.pyc")
    for name in ("convert", "tablebases", "docs", "tests", "demo_games"):
        shutil.copytree(ROOT / name, tmp_path / name, ignore=ignore)
    for name in ("DEVELOPERS.md", "README.md", "pyproject.toml"):
        shutil.copy(ROOT / name, tmp_path / name)
    return tmp_path


def python(copy: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run in the copy, which comes before what is installed."""
    done = subprocess.run(
        [sys.executable, *arguments],
        cwd=copy,
        capture_output=True,
        text=True,
        check=False,
        env=_environment(copy),
    )
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    return done


def _environment(copy: Path) -> dict[str, str]:
    import os

    return {**os.environ, "PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1"}


def change(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1, (path, old)
    path.write_text(text.replace(old, new), encoding="utf-8")


@pytest.mark.slow
def test_a_toy_judge(copy: Path) -> None:
    (copy / "toy_judge.py").write_text(JUDGE.replace("{fen}", OPEN), encoding="utf-8")
    facts = copy / "toy-1.0.dist-info"
    facts.mkdir()
    (facts / "METADATA").write_text("Metadata-Version: 2.1\nName: toy\nVersion: 1.0\n")
    heading = re.search(r'entry-points\."([\w.]+)"', RECIPES)
    assert heading is not None
    (facts / "entry_points.txt").write_text(f"[{heading[1]}]\ntoy = toy_judge:Toy\n")
    done = python(
        copy, "-m", "convert", "position", "--effort", "quick", "--no-solve", "--no-variants", OPEN
    )
    assert "Drawn (solved)." in done.stdout
    assert done.stderr == "fullpoint: also asked, beside the program's own judges: toy\n"


@pytest.mark.slow
def test_a_toy_output(copy: Path) -> None:
    (copy / "convert" / "reports" / "toy.py").write_text(OUTPUT, encoding="utf-8")
    change(
        copy / "convert" / "reports" / "__init__.py",
        "OUTPUTS: tuple[Form, ...] = (\n",
        'OUTPUTS: tuple[Form, ...] = (\n    Form("toy", ".toy", "Write a toy.", "toy"),\n',
    )
    game = "demo_games/05-wrong-coloured-bishop.pgn"
    options = ["--effort", "quick", "--no-solve", "--toy", "-"]
    done = python(copy, "-m", "convert", "game", game, *options)
    assert done.stdout == "begin\n2 slips\nend\n"
    assert "--toy OUT" in python(copy, "-m", "convert", "game", "-h").stdout
    code = (
        "import convert; [g] = convert.read_games('" + game + "');"
        "r = convert.review_game(g, effort='quick', solve=False);"
        "convert.write_reviews('out.toy', [r]); print(convert.report_text(r, 'toy'), end='')"
    )
    assert python(copy, "-c", code).stdout == done.stdout
    assert (copy / "out.toy").read_text(encoding="utf-8") == done.stdout


def _with_rule(copy: Path) -> None:
    """Steps 1 to 3 of the recipe."""
    change(copy / "convert" / "rules" / "queens.py", "\nRULES: tuple[Rule, ...] = (\n", RULE)
    path = copy / "tests" / "data" / "rule_cases.json"
    cases = json.loads(path.read_text(encoding="utf-8"))
    cases["positions"] += [
        {"rule": "toy-rule", "fen": TWO, "expect": "white"},
        {"rule": "toy-rule", "fen": ONE, "expect": "silent"},
    ]
    path.write_text(json.dumps(cases), encoding="utf-8")
    python(copy, "docs/generate.py")


def test_a_toy_rule(copy: Path) -> None:
    _with_rule(copy)
    page = (copy / "docs" / "rules.md").read_text(encoding="utf-8")
    entry = page.partition("`toy-rule`, position.")[2].partition("\n### ")[0]
    assert "**Not yet counted.**" in entry
    assert "1 is not yet counted" in " ".join(page.split())
    done = python(copy, "-m", "convert", "position", "--no-solve", "--no-variants", TWO)
    assert "not yet counted" in " ".join(done.stdout.split())


@pytest.mark.long
def test_a_toy_rule_breaks_no_test_of_its_rooms(copy: Path) -> None:
    _with_rule(copy)
    wanted = [
        str(path.relative_to(copy))
        for name in (
            "test_rules.py",
            "test_figures.py",
            "test_uncounted.py",
            "test_measuring.py",
            "test_gold.py",
            "test_estimate.py",
            "test_docs.py",
        )
        for path in (copy / "tests").rglob(name)
    ]
    assert len(wanted) == 7
    python(copy, "-m", "pytest", "-q", "-p", "no:cacheprovider", *wanted)


# --- what the text names ------------------------------------------------------------------------


def test_there_are_the_recipes() -> None:
    named = re.findall(r"^### Add (?:a|an) (.*)$", RECIPES, re.M)
    assert named == ["judge", "output", "rule of thumb", "theme of exercises", "command"]


def test_the_files_named_are_there() -> None:
    paths = re.findall(r"(?:convert|tests|docs)/[\w/.]*\w(?:\.\w+)?/?", RECIPES)
    assert len(paths) > 20
    for path in paths:
        assert (ROOT / path.rstrip("/")).exists(), path


@pytest.mark.parametrize(
    ("path", "names"),
    [
        ("convert/judging/judges.py", ("class Bench", "class Judge(")),
        ("convert/reports/__init__.py", ("OUTPUTS", "AROUND")),
        ("convert/rules/base.py", ("def position_rule", "def trade_rule")),
        ("convert/wording/themes.py", ("class Theme", "THEMES")),
        ("convert/lesson/themes.py", ("def theme_of",)),
        ("convert/cli/__init__.py", ("COMMANDS",)),
        ("convert/cli/params.py", ("class Careful", "class InputPath", "class OutputPath")),
        ("convert/cli/common.py", ("def out_console", "import below, note", "def make_bench")),
    ],
)
def test_the_names_stand_where_the_recipes_say(path: str, names: tuple[str, ...]) -> None:
    code = (ROOT / path).read_text(encoding="utf-8")
    for name in names:
        assert name in code
        assert re.search(rf"\b{name.split()[-1].strip('(')}\b", RECIPES), name


def test_the_commands_named_run() -> None:
    for module in re.findall(r"python -m (convert\.measuring[\w.]+)", RECIPES):
        done = subprocess.run(
            [sys.executable, "-m", module, "--help"], capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, module
        for option in re.findall(rf"python -m {re.escape(module)}[^`]*?(--\w+)", RECIPES):
            assert option in done.stdout
