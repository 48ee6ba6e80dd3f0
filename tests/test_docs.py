"""The documentation keeps up with the program."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from convert import __version__
from convert.cli import COMMANDS, cli
from convert.model import Grade

ROOT = Path(__file__).parent.parent
DOCS = ROOT / "docs"


def text(name: str) -> str:
    return (DOCS / name).read_text(encoding="utf-8")


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_and_option_is_documented(name: str) -> None:
    page = text("cli.md")
    assert f"fullpoint {name}" in page
    command = cli.get_command(None, name)  # type: ignore[arg-type]
    assert command is not None
    for parameter in command.params:
        longest = max(parameter.opts, key=len)
        if longest.startswith("--") and longest != "--help":
            assert longest in page, longest


def test_every_grade_is_explained() -> None:
    page = text("words.md")
    for grade in Grade:
        assert grade.value in page


def test_changelog_has_this_version() -> None:
    assert re.search(rf"^## {re.escape(__version__)}$", text("changelog.md"), re.M)
    assert f'version = "{__version__}"' in (ROOT / "pyproject.toml").read_text(encoding="utf-8")


def test_generated_pages_are_current() -> None:
    done = subprocess.run(
        [sys.executable, str(DOCS / "generate.py"), "--check"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr


def test_links_lead_somewhere() -> None:
    for page in [*ROOT.glob("*.md"), *DOCS.glob("*.md"), *(ROOT / "demo_games").glob("*.md")]:
        for target in re.findall(r"\]\(([^)#]+)", page.read_text(encoding="utf-8")):
            if "://" not in target:
                assert (page.parent / target).exists(), f"{page.name}: {target}"


def test_readme_commands_name_files_that_exist() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for name in re.findall(r"demo_games/\S+\.pgn", readme):
        assert (ROOT / name).is_file(), name


def test_every_demo_game_has_its_line() -> None:
    listed = (ROOT / "demo_games" / "README.md").read_text(encoding="utf-8")
    games = sorted((ROOT / "demo_games").glob("*.pgn"))
    assert len(games) >= 8
    for game in games:
        assert game.name in listed, game.name
