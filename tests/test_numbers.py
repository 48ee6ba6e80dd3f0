"""Numbers of options, the environment and files: each bad one is a plain line and exit code 2.

The options are found by asking click, so that a new one is covered on the day it is added.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from convert.cli import _settle_size, cli, main
from convert.cli.common import Real, Whole
from convert.reading.epd import read_positions

KPK = "8/8/8/4k3/8/4K3/4P3/8 w - - 0 1"


def commands(command: click.Command, path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Words that lead to each command that does something."""
    if isinstance(command, click.Group):
        if command.invoke_without_command:
            yield path
        with click.Context(command) as context:
            for name in command.list_commands(context):
                below = command.get_command(context, name)
                assert below is not None
                yield from commands(below, (*path, name))
        # The word of the default command of a group is not listed.
        default = command.get_command(click.Context(command), "PATH")
        if default is not None:
            yield path
    else:
        yield path


def command_at(path: tuple[str, ...]) -> click.Command:
    command: click.Command = cli
    for name in path:
        assert isinstance(command, click.Group)
        found = command.get_command(click.Context(command), name)
        assert found is not None
        command = found
    if isinstance(command, click.Group) and not command.invoke_without_command:
        default = command.get_command(click.Context(command), "PATH")
        assert default is not None
        command = default
    return command


NUMBERS = [
    (path, option)
    for path in commands(cli)
    for option in command_at(path).params
    if isinstance(option.type, (click.types.FloatParamType, click.types.IntParamType))
]
NAMES = [" ".join((*path, option.opts[0])) for path, option in NUMBERS]


def failure(capsys: pytest.CaptureFixture[str], args: list[str]) -> str:
    """The last line of standard error of a command that ends with 2, and says no more than why."""
    with pytest.raises(SystemExit) as left:
        main(args)
    out, err = capsys.readouterr()
    assert left.value.code == 2, (args, err)
    assert out == ""
    assert "unforeseen" not in err
    assert "Traceback" not in err
    return err.splitlines()[-1]


def test_options_with_numbers_are_found() -> None:
    for name in (
        "solve --memory",
        "tables make --limit",
        "tables --men",
        "collection --jobs",
        "collection report --games",
        "lesson --seconds",
        "game --game",
    ):
        assert name in NAMES


@pytest.mark.parametrize(("path", "option"), NUMBERS, ids=NAMES)
def test_every_number_has_a_range_with_two_ends(
    path: tuple[str, ...], option: click.Parameter
) -> None:
    assert isinstance(option.type, (Real, Whole))
    assert option.type.min is not None
    assert option.type.max is not None


@pytest.mark.parametrize(
    "value",
    [
        "nan",
        "NaN",
        "inf",
        "-inf",
        "Infinity",
        "-1",
        "-0.5",
        "99999999999999999999",
        "1e999",
        "1e400",
        "9" * 5000,
        "",
        " ",
        "abc",
        "1,5",
        "0x10",
        "1_0_",
    ],
)
@pytest.mark.parametrize(("path", "option"), NUMBERS, ids=NAMES)
def test_bad_numbers(
    path: tuple[str, ...],
    option: click.Parameter,
    value: str,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    told = failure(capsys, [*path, option.opts[0], value])
    assert f"Invalid value for '{option.opts[0]}'" in told or f"'{option.opts[0]}'" in told
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("path", "option"), NUMBERS, ids=NAMES)
def test_zero_where_it_makes_no_sense(
    path: tuple[str, ...], option: click.Parameter, capsys: pytest.CaptureFixture[str]
) -> None:
    """Only of these is none a sensible number."""
    may_be_zero = {"--disk", "--seconds of lesson", "--games", "--positions"}
    assert isinstance(option.type, (Real, Whole))
    lowest = option.type.min
    allowed = lowest == 0 and not option.type.min_open
    name = option.opts[0] + (" of lesson" if path == ("lesson",) else "")
    assert allowed == (name in may_be_zero)
    if not allowed:
        assert "is not in the range" in failure(capsys, [*path, option.opts[0], "0"])


@pytest.mark.parametrize("value", ["nan", "inf", "-1", "true", '"x"', "[1]", "1" + 400 * "0"])
@pytest.mark.parametrize(("path", "option"), NUMBERS, ids=NAMES)
def test_bad_numbers_in_the_settings_file(
    path: tuple[str, ...],
    option: click.Option,
    value: str,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    if len(path) > 1 and path[0] == "tables":
        pytest.skip("the settings of 'tables' are those of the command without a further word")
    if option.multiple and value == "[1]":
        pytest.skip("an option that may be given several times takes a list")
    monkeypatch.chdir(tmp_path)
    config = tmp_path / "set.toml"
    config.write_text(f"[{path[0]}]\n{option.name} = {value}\n", encoding="utf-8")
    rest = [] if path == ("tables",) else ["x"]
    told = failure(capsys, ["--config", str(config), *path, *rest])
    assert option.opts[0] in told


def test_numbers_that_are_fine(capsys: pytest.CaptureFixture[str]) -> None:
    for value in ("1", "0.5", " 2 ", "1e2"):
        assert Real(0, 100).convert(value, None, None) == float(value)
    for whole in ("1", "007", 7.0):
        assert Whole(0, 100).convert(whole, None, None) == int(whole)
    with pytest.raises(click.BadParameter):
        Whole(0, 100).convert(1.5, None, None)


# --- the size of the screen ----------------------------------------------------------------------


@pytest.mark.parametrize("name", ["COLUMNS", "LINES"])
@pytest.mark.parametrize(
    "value", ["0", "00", "-1", "abc", "", "99999999", "9" * 5000, "²", "٣", "1", "1.5", "1e9"]
)
def test_sizes_of_the_screen(
    name: str, value: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv(name, value)
    for args in (["position", KPK], ["-h"], ["tables"], ["lesson"], ["tables", "--fen", KPK]):
        with pytest.raises(SystemExit) as left:
            main(args)
        out, err = capsys.readouterr()
        assert (left.value.code or 0, err) == (0, "")
        assert max(map(len, out.splitlines())) <= 1000


def test_a_size_that_fits_is_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "132")
    _settle_size()
    assert os.environ["COLUMNS"] == "132"
    monkeypatch.setenv("COLUMNS", "3")
    _settle_size()
    assert os.environ["COLUMNS"] == "20"


# --- files ---------------------------------------------------------------------------------------

TWENTY = "9" * 20


@pytest.mark.parametrize(
    "line",
    [
        f"8/8/8/4k3/8/4K3/4P3/8 w - - hmvc {TWENTY};",
        f"8/8/8/4k3/8/4K3/4P3/8 w - - fmvn {TWENTY};",
        f"8/8/8/4k3/8/4K3/4P3/8 w - - hmvc -{TWENTY};",
        "8/8/8/4k3/8/4K3/4P3/8 w - - hmvc -1;",
        "8/8/8/4k3/8/4K3/4P3/8 w - - fmvn -1;",
        "8/8/8/4k3/8/4K3/4P3/8 w - - hmvc 1e400;",
        "8/8/8/4k3/8/4K3/4P3/8 w - - hmvc 1.5;",
        "8/8/8/4k3/8/4K3/4P3/8 w - - hmvc nan;",
        'id "x"; hmvc',
        "8/8/8/4k3/8/4K3/4P3/8 w - - hmvc;",
        f"8/8/8/4k3/8/4K3/4P3/8 w - - acd {'9' * 5000};",
    ],
)
def test_clocks_of_epd(line: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "a.epd"
    file.write_text(f"{line}\n{KPK}\n", encoding="utf-8")
    reads = list(read_positions(file))
    assert len(reads) == 2
    if reads[0].board is not None:
        assert 0 <= reads[0].board.halfmove_clock < 100_000
        assert 0 <= reads[0].board.fullmove_number < 100_000
        assert reads[0].problems
        assert all(str(problem).startswith(f"{file}: line 1: ") for problem in reads[0].problems)
    with pytest.raises(SystemExit) as left:
        main(["position", "--epd", str(file)])
    out, err = capsys.readouterr()
    assert left.value.code in (0, 2, None)
    assert f"{file}: line 1: " in err
    assert "unforeseen" not in err
    assert out.count("White: Ke3") >= 1


@pytest.mark.parametrize("clocks", [f"{TWENTY} 1", f"0 {TWENTY}", "-1 1", "0 -1", "nan 1", "1e5 1"])
def test_clocks_of_a_fen(clocks: str, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    fen = f"8/8/8/4k3/8/4K3/4P3/8 w - - {clocks}"
    for args in (["position", fen], ["solve", fen], ["play", fen], ["tables", "--fen", fen]):
        assert "is not a number from 0 on" in failure(capsys, args)
    file = tmp_path / "a.pgn"
    file.write_text(f'[SetUp "1"]\n[FEN "{fen}"]\n\n1. Kd3 *\n', encoding="utf-8")
    with pytest.raises(SystemExit) as left:
        main(["game", str(file)])
    err = capsys.readouterr().err
    assert left.value.code == 2
    assert "is not a number from 0 on" in err
    assert "unforeseen" not in err


def test_sums_that_are_no_text(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "KRvK.rtbw").write_bytes(b"x")
    (tmp_path / "SHA256SUMS").write_bytes(b"\xff\xfe\x00binary\n")
    told = failure(capsys, ["tables", "check", str(tmp_path)])
    assert told.endswith("SHA256SUMS: line 1 is not in the format of sha256sum")
    (tmp_path / "SHA256SUMS").write_bytes(b"z" * 64 + b"  KRvK.rtbw\n")
    assert "line 1 is not in the format" in failure(capsys, ["tables", "check", str(tmp_path)])


def test_sums_of_a_name_that_is_not_utf_8(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A name of a file is bytes."""
    import hashlib

    name = os.fsdecode(b"caf\xe9.txt")
    (tmp_path / name).write_bytes(b"x")
    digest = hashlib.sha256(b"x").hexdigest().encode()
    (tmp_path / "SHA256SUMS").write_bytes(digest + b"  caf\xe9.txt\n")
    with pytest.raises(SystemExit) as left:
        main(["tables", "check", str(tmp_path)])
    assert not left.value.code
    assert "1 of 1 files are sound" in capsys.readouterr().out


@pytest.fixture
def loop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """A link that leads to itself."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a").symlink_to("b")
    (tmp_path / "b").symlink_to("a")
    (tmp_path / "games.pgn").write_text('[Event "?"]\n\n1. e4 e5 *\n', encoding="utf-8")
    (tmp_path / "moves.txt").write_text("Kd3\n", encoding="utf-8")
    return "a"


@pytest.mark.parametrize(
    "args",
    [
        "game LOOP",
        "game games.pgn --tables LOOP",
        "game games.pgn --html LOOP/x",
        "game games.pgn --json LOOP/x",
        "game games.pgn --json x --pgn LOOP/y",
        "position --epd LOOP",
        "position --tables LOOP 8/8/8/4k3/8/4K3/4P3/8 w - -",
        "proofread LOOP",
        "play --moves LOOP 8/8/8/4k3/8/4K3/4P3/8 w - -",
        "play --moves moves.txt -o LOOP/x 8/8/8/4k3/8/4K3/4P3/8 w - -",
        "lesson LOOP",
        "lesson -o LOOP/x.html",
        "tables --tables LOOP",
        "tables --for LOOP",
        "tables check LOOP",
        "collection LOOP -o out",
        "collection games.pgn -o LOOP",
        "collection games.pgn -o LOOP/x",
        "collection games.pgn -o out --tables LOOP",
        "collection report LOOP",
        "--config LOOP tables",
    ],
)
def test_a_link_that_leads_to_itself(
    loop: str, args: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as left:
        main(args.replace("LOOP", loop).split())
    err = capsys.readouterr().err
    assert left.value.code == 2, err
    assert err.splitlines()[-1].startswith("fullpoint: error: ")
    assert "unforeseen" not in err
    assert "Errno" not in err
    assert loop in err
