"""What README, DEVELOPERS.md and docs/cli.md claim in numbers, names and defaults is so.

Behaviour is tested where it belongs; here the pages are held against the program.
"""

from __future__ import annotations

import importlib
import os
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import chess
import chess.pgn
import click
import pytest
from hypothesis import settings

from convert.cli import COMMANDS, SIZES, cli, main, quiet
from convert.judging.solving import REACHES
from convert.review import position, solution

ROOT = Path(__file__).parent.parent
CLI = " ".join((ROOT / "docs" / "cli.md").read_text(encoding="utf-8").split())
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
WORDS = {"two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "seven": 7, "eight": 8, "ten": 10}


def commands() -> Iterator[tuple[str, Any]]:
    """Every command and command of a command, with its name."""
    for name in COMMANDS:
        command: Any = cli.get_command(None, name)  # type: ignore[arg-type]
        context = click.Context(command)
        # What begins with a path is the group's own work.
        yield name, command.get_command(context, "run") if name == "collection" else command
        if isinstance(command, click.Group):
            for inner in command.list_commands(context):
                yield f"{name} {inner}", command.get_command(context, inner)


def shown(command: Any) -> list[Any]:
    """Arguments and options, but for what contributors alone use."""
    return [p for p in command.params if not getattr(p, "hidden", False)]


def default(command: str, option: str) -> Any:
    """The default of an option."""
    found = dict(commands())[command]
    (value,) = [p.default for p in found.params if option in p.opts]
    return value


def numbers(pattern: str, page: str = CLI) -> list[int]:
    """The numbers that a sentence of a page gives, in words or figures."""
    match = re.search(pattern, page)
    assert match is not None, pattern
    return [WORDS.get(group) or int(group) for group in match.groups()]


# --- docs/cli.md --------------------------------------------------------------------------------


def test_every_command_and_option_stands_on_the_page() -> None:
    for name, command in commands():
        assert f"fullpoint {name}" in CLI, name
        for parameter in shown(command):
            for option in (*parameter.opts, *parameter.secondary_opts):
                if option.startswith("--") and option != "--help":
                    assert re.search(rf"`{option}\b", CLI), f"{name} {option}"


def test_every_option_of_the_page_is_one() -> None:
    known = {"--help", "--version", "--config"}
    for _, command in commands():
        for parameter in command.params:
            known.update((*parameter.opts, *parameter.secondary_opts))
    assert set(re.findall(r"`(--[a-z-]+)", CLI)) <= known
    assert set(re.findall(r"`(-[a-z])`", CLI)) <= known | {"-h"}


def test_what_the_solver_is_given_by_effort() -> None:
    normal = numbers(
        r"up to (\w+) men, pawn endings of up to (\w+) pawns a side, "
        r"one piece a side with up to (\w+) men"
    )
    quick = numbers(r"\(`quick`: (\w+) men, (\w+) pawns a side")
    deep = numbers(r"`deep`: (\w+) men, (\w+) pawns a side, (\w+) men\)")
    reach = {name: (r.men, r.pawns, r.one_piece) for name, r in REACHES.items()}
    assert tuple(normal) == reach["normal"]
    assert tuple(deep) == reach["deep"]
    assert tuple(quick) == reach["quick"][:2]
    assert reach["quick"][2] == reach["quick"][0], "one piece a side reaches no further"
    (settled,) = numbers(r"Endings of up to (\w+) men are settled whatever that takes")
    assert {name: r.settled for name, r in REACHES.items()} == {
        "quick": 0,
        "normal": settled,
        "deep": settled,
    }
    efforts = [REACHES[name] for name in ("normal", "quick", "deep")]
    totals = numbers(r"measured on (\d+) seconds for a position \(`quick`: (\d+), `deep`: (\d+)\)")
    assert totals == [reach.total for reach in efforts]
    games = numbers(
        r"and (\d+) for a game, of which (\d+) for the positions of "
        r"one material \(`quick`: (\d+) and (\d+), `deep`: (\d+) and (\d+)\)"
    )
    spent = [reach.game or (reach.seconds, reach.total) for reach in efforts]
    assert games == [number for each, whole in spent for number in (whole, each)]


def test_what_solve_may_spend_by_effort() -> None:
    seconds = numbers(r"planned work of (\d+), (\d+) or (\d+) seconds of one core")
    memory = numbers(r"seconds of one core with (\d+), (\d+) or (\d+) GB of memory")
    assert [(s, m * 10**9) for s, m in zip(seconds, memory, strict=True)] == [
        solution.EFFORTS[name] for name in ("quick", "normal", "deep")
    ]
    (settled,) = numbers(r"; up to (\w+) men are settled whatever that takes, but with `quick`")
    assert {"quick": 0, "normal": settled, "deep": settled} == solution.SETTLED
    (pieces,) = numbers(r"any number of pawns and at most (\w+) other pieces")
    assert pieces == solution.MOST_PIECES
    board = chess.Board("8/8/4k3/8/8/2BNRQ2/4K3/8 w - - 0 1")
    assert not solution.refusal(board)
    board.set_piece_at(chess.A1, chess.Piece.from_symbol("R"))
    assert "at most 4" in solution.refusal(board)


def test_numbers_and_defaults() -> None:
    assert numbers(r"What decides it is told for endings \(at most (\d+) men\)") == [
        position.MOST_MEN_VARIED
    ]
    assert numbers(r"`--positions N` positions \((\d+);") == [
        default("tables check", "--positions")
    ]
    assert numbers(r"reports are made for (\d+) to 1,000 columns") == [SIZES["COLUMNS"][0]]
    assert SIZES["COLUMNS"][1] == 1000
    assert "(default: `quick`)" in CLI
    assert default("collection", "--effort") == "quick"
    assert "(the default), or neither read nor keep any" in CLI
    assert default("solve", "--store") is True
    assert "(`game` and `position`; the default)" in CLI
    assert default("game", "--solve") is default("position", "--solve") is True


def test_what_a_compressed_file_may_unpack_to() -> None:
    """The limits stand in one module of the room that reads."""
    pattern = (
        r"may unpack to (\d+) GB, and to no more than (\d+) times its own size once it is "
        r"past (\d+) MB"
    )
    most, times, start = numbers(pattern)
    (module,) = [
        importlib.import_module(f"convert.reading.{path.stem}")
        for path in (ROOT / "convert" / "reading").glob("*.py")
        if "MAX_UNPACKED =" in path.read_text(encoding="utf-8")
    ]
    assert (most * 10**9, times) == (module.MAX_UNPACKED, module.MAX_SWELLING)
    assert round(module.FREE_UNPACKED / 10**6) == start
    row = (ROOT / "docs" / "formats.md").read_text(encoding="utf-8")
    assert f"more than {most} GB, or past {start} MB to more than {times} times its size" in row


def test_the_variables_of_the_environment_are_on_the_page() -> None:
    used = set()
    for path in (ROOT / "convert").rglob("*.py"):
        used.update(re.findall(r"FULLPOINT_[A-Z]+(?:_[A-Z]+)*", path.read_text(encoding="utf-8")))
    assert {"FULLPOINT_TABLES", "FULLPOINT_SOLVE", "FULLPOINT_DEBUG"} <= used
    told = set(re.findall(r"FULLPOINT_[A-Z_]+", CLI))
    assert told == used


def test_exit_codes_are_those_of_the_table() -> None:
    text = (ROOT / "docs" / "cli.md").read_text(encoding="utf-8")
    table = text.partition("## Exit codes")[2]
    told = {int(code) for code in re.findall(r"^\| (\d+) \|", table, re.M)}
    assert told == {quiet.OK, quiet.FINDINGS, quiet.TROUBLE, 128 + 2, 128 + 15, 128 + 1}


def test_an_unforeseen_error_shows_where_it_came_up_when_asked(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("a fault")

    monkeypatch.setattr("convert.review.position.judge_position", broken)
    fen = "8/8/8/4k3/8/4K3/4P3/8 w - - 0 1"
    with pytest.raises(SystemExit) as left:
        main(["position", fen])
    assert left.value.code == 2
    assert "FULLPOINT_DEBUG=1" in capsys.readouterr().err
    monkeypatch.setenv("FULLPOINT_DEBUG", "1")
    with pytest.raises(RuntimeError, match="a fault"):
        main(["position", fen])


def test_the_module_is_the_same_command() -> None:
    assert "`python -m convert` is the same command" in CLI
    script = PROJECT["project"]["scripts"]["fullpoint"]
    assert script == "convert.cli:main"
    done = subprocess.run(
        [sys.executable, "-m", "convert", "--version"],
        cwd=ROOT,
        text=True,
        capture_output=True,
        check=True,
    )
    assert done.stdout.startswith("fullpoint, version ")


@pytest.mark.parametrize("name", [*COMMANDS, "tables check", "tables make", "collection report"])
def test_help_lists_every_option(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main([*name.split(), "-h"])
    text = capsys.readouterr().out
    for parameter in shown(dict(commands())[name]):
        for option in parameter.opts:
            assert not option.startswith("--") or option in text, option


def test_the_annotator_is_the_one_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The tag in the PGN written, one game of a file of one, and a page for .htm too."""
    game = tmp_path / "one.pgn"
    game.write_text(
        '[Event "Club"]\n[Result "*"]\n[SetUp "1"]\n'
        '[FEN "8/8/8/4k3/8/4K3/4P3/8 w - - 0 1"]\n\n1. Kd3 *\n'
    )
    out, page = tmp_path / "out.pgn", tmp_path / "page.htm"
    with pytest.raises(SystemExit) as left:
        main(
            [
                "game",
                str(game),
                "-q",
                "--annotator",
                "A. Coach",
                "--pgn",
                str(out),
                "--html",
                str(page),
            ]
        )
    assert not left.value.code, capsys.readouterr().err
    with out.open(encoding="utf-8") as file:
        read = chess.pgn.read_game(file)
    assert read is not None
    assert read.headers["Annotator"] == "A. Coach"
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")


# --- README -------------------------------------------------------------------------------------


def test_the_built_in_tables_are_all_of_three_and_four_men() -> None:
    from tablebases.files import bundled_folder

    files = list(bundled_folder().glob("*.rtb[wz]"))
    size = sum(path.stat().st_size for path in files)
    assert f"Syzygy tables, {size / 1e6:.1f} MB" in README
    pieces = "QRBNP"
    three = {f"K{a}vK" for a in pieces}
    four = {f"K{a}{b}vK" for i, a in enumerate(pieces) for b in pieces[i:]}
    four |= {f"K{a}vK{b}" for i, a in enumerate(pieces) for b in pieces[i:]}
    for ending in ("rtbw", "rtbz"):
        assert {path.stem for path in files if path.suffix == f".{ending}"} == three | four


@pytest.mark.parametrize(
    ("words", "gold"), [("1...Ke5: A slip", "play-kpk.txt"), ("58...Kd6:", "proofread-notes.txt")]
)
def test_excerpts_are_from_real_output(words: str, gold: str) -> None:
    (block,) = [b for b in re.findall(r"```text\n(.*?)```", README, re.S) if words in b]
    text = " ".join((ROOT / "tests" / "gold" / gold).read_text(encoding="utf-8").split())
    for line in block.splitlines():
        assert " ".join(line.split()) in text, line


def test_the_readme_names_what_is_there() -> None:
    options = {o for _, c in commands() for p in c.params for o in (*p.opts, *p.secondary_opts)}
    used = {
        option
        for option in re.findall(r"(?<![-\w])--[a-z][a-z-]+", README)
        if option not in ("--quiet", "--dist")
    }
    assert used <= options
    assert set(re.findall(r"fullpoint ([a-z]+)", README)) - set(COMMANDS) <= {
        "tells",
        "reviews",
        "lets",
    }
    assert "Python 3.11 or newer" in README
    assert PROJECT["project"]["requires-python"] == ">=3.11"
    for extra in re.findall(r"'\.\[(\w+)\]'|'-e '\.\[(\w+)\]'", README):
        assert "".join(extra) in PROJECT["project"]["optional-dependencies"]
    assert PROJECT["project"]["license"] in README


# --- DEVELOPERS.md ------------------------------------------------------------------------------


def shape() -> Iterator[tuple[str, str]]:
    """Folder and name of everything that the listing names."""
    block = DEVELOPERS.partition("## Shape")[2].split("```")[1]
    at: dict[int, str] = {}
    for line in block.splitlines():
        indent = len(line) - len(line.lstrip())
        words = line.split()
        if words and words[0].endswith("/") and indent < 10:
            at = {depth: name for depth, name in at.items() if depth < indent}
            at[indent] = words[0]
        for name in re.findall(r"\b[a-z_]+\.py\b", line):
            yield "".join(at[depth] for depth in sorted(at) if depth <= indent), name


def test_the_shape_is_that_of_the_tree() -> None:
    listed = list(shape())
    assert len(listed) > 40
    for folder, name in listed:
        assert (ROOT / folder / name).is_file(), f"{folder}{name}"
    rooms = {path.parent.name for path in (ROOT / "convert").glob("*/__init__.py")}
    block = DEVELOPERS.partition("## Shape")[2].split("```")[1]
    assert rooms == set(re.findall(r"^  ([a-z]+)/", block.partition("convert/")[2], re.M))
    solver = {path.name for path in (ROOT / "tablebases" / "solver").glob("*.py")}
    assert {n for f, n in listed if f == "tablebases/solver/"} == solver - {"__init__.py"}


def test_the_rooms_stand_in_the_order_of_the_layers() -> None:
    (layers,) = [
        c["layers"]
        for c in PROJECT["tool"]["importlinter"]["contracts"]
        if c["type"] == "layers" and c["containers"] == ["convert"]
    ]
    rank = {name.strip(): number for number, row in enumerate(layers) for name in row.split("|")}
    block = DEVELOPERS.partition("## Shape")[2].split("```")[1].partition("convert/")[2]
    rooms = re.findall(r"^  ([a-z]+)/", block, re.M)
    assert [rank[room] for room in rooms] == sorted(rank[room] for room in rooms)


def test_marks_profiles_and_checks_of_the_page() -> None:
    told = set(re.findall(r"pytest -m (\w+)", DEVELOPERS)) | {"benchmark"}
    known = {mark.partition(":")[0] for mark in PROJECT["tool"]["pytest"]["ini_options"]["markers"]}
    assert told == known
    (profiles,) = re.findall(r"HYPOTHESIS_PROFILE=([a-z|]+)", DEVELOPERS)
    tries = [settings.get_profile(name).max_examples for name in profiles.split("|")]
    assert tries == sorted(tries)
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    for check in (
        "ruff check .",
        "ruff format --check .",
        "bin/mypy",
        "lint-imports",
        "docs/generate.py --check",
        "-m slow",
        "-m browser",
        "NUMBA_BOUNDSCHECK=1",
        "NUMBA_DISABLE_JIT=1",
        "tests/tablebases/test_kernels_checked.py",
    ):
        assert check in script
    assert os.access(ROOT / ".ci" / "run", os.R_OK)
    assert PROJECT["tool"]["mypy"]["strict"] is True
    assert "T20" in PROJECT["tool"]["ruff"]["lint"]["select"], "no print outside cli"
    assert os.environ["FULLPOINT_SOLVE"] == "0", "tests run without the solver"
