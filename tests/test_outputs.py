"""Where output may go: never onto an input, another output, a collection or the program's files."""

from __future__ import annotations

import contextlib
import io
import os
import resource
import sqlite3
import stat
import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import click
import pytest

from convert.cli import cli, main
from convert.cli.params import Careful, InputPath, OutputPath
from convert.rim import outputs
from convert.rim.outputs import Output as Written
from convert.rim.outputs import OutputError, check, whole_file

PGN = """[Event "Club evening"]
[White "Marrin"]
[Black "Osgood"]
[Result "1/2-1/2"]
[SetUp "1"]
[FEN "8/8/8/4k3/8/4K3/4P3/8 w - - 0 1"]

1. Kd3 Kd5 2. e3 Ke5 1/2-1/2
"""
FEN = "8/8/8/4k3/8/4K3/4P3/8 w - - 0 1"
EPD = "8/8/8/4k3/8/4K3/4P3/8 w - - hmvc 0;\n"


# --- every command, every output, every input -----------------------------------------------------


@dataclass(frozen=True)
class Way:
    """One way in which a command reads a file.

    ``words`` are its arguments, ``{}`` in them the file; ``content`` is what stands in it.
    ``where``: the file's place in the working folder, of itself one that is read.
    """

    words: tuple[str, ...]
    content: str
    where: str = "file.pgn"
    stdin: bool = False


TABLES = ("--tables", "tables")
GAMES = Way(("{}",), PGN)
STDIN = Way((), PGN, stdin=True)
MORE = (
    Way(("games.pgn", *TABLES), "", "tables/KPvK.rtbw"),
    Way(("games.pgn", *TABLES), "", "tables/SHA256SUMS"),
    Way(("--config", "{}", "games.pgn"), "", "own.toml"),
)
#: How each command that writes reads, by its path.
WAYS: dict[str, tuple[Way, ...]] = {
    "game": (GAMES, STDIN, Way(("games.pgn", "{}"), PGN), *MORE),
    "proofread": (GAMES, STDIN, *MORE),
    "position": (
        Way(("--epd", "{}"), EPD),
        STDIN,
        Way((FEN, *TABLES), "", "tables/KPvK.rtbw"),
        Way(("--config", "{}", FEN), "", "own.toml"),
    ),
    "lesson": (
        GAMES,
        Way(("-",), PGN, stdin=True),
        Way(("games",), PGN, "games/deep/a.pgn"),
        Way(("games",), EPD, "games/b.epd"),
        Way(("{}",), EPD, "file.epd"),
        *MORE,
    ),
    "play": (
        Way((FEN, "--moves", "{}"), "quit\n"),
        Way((FEN,), "quit\n", stdin=True),
        Way((FEN, *TABLES), "", "tables/KPvK.rtbw"),
        Way(("--config", "{}", FEN), "", "own.toml"),
    ),
    "solve": (Way(("--config", "{}", FEN), "", "own.toml"),),
    "collection": (
        Way(("{}", "-o", "oc"), PGN),
        Way(("-", "-o", "oc"), PGN, stdin=True),
        Way(("games", "-o", "oc"), PGN, "games/deep/a.pgn"),
        Way(("games/*.pgn", "-o", "oc"), PGN, "games/a.pgn"),
        Way(("games.pgn", "-o", "oc", *TABLES), "", "tables/KPvK.rtbw"),
        Way(("--config", "{}", "games.pgn", "-o", "oc"), "", "own.toml"),
        Way(("games.pgn", "-o", "season"), PGN, "season-games/a.pgn"),
    ),
    "collection report": (
        Way(("season",), PGN, "season-games/a.pgn"),
        Way(("season", *TABLES), "", "tables/KPvK.rtbw"),
        Way(("--config", "{}", "season"), "", "own.toml"),
        Way(("season", "--player", "Doe", "--same", "{}"), "Doe, J.\n", "names.txt"),
    ),
}


def commands(group: click.Group, path: str = "") -> Iterator[tuple[str, click.Command]]:
    """All commands that do something, by their names."""
    context = click.Context(group)
    for name in group.list_commands(context):
        found = group.get_command(context, name)
        assert found is not None
        if isinstance(found, click.Group):
            yield from commands(found, f"{path}{name} ")
            if path + name == "collection":
                yield "collection", found.get_command(context, "") or found
            elif found.invoke_without_command:
                yield path + name, found
        else:
            yield path + name, found


COMMANDS = dict(commands(cli))


def outputs_of(command: str) -> list[click.Parameter]:
    """The parameters that name something to be written."""
    return [p for p in COMMANDS[command].params if isinstance(p.type, OutputPath)]


def option(param: click.Parameter) -> str:
    """Its long name."""
    return max(param.opts, key=len)


def cases() -> Iterator[object]:
    """Command, output, way of reading, and by which name the output is the input."""
    for command, ways in WAYS.items():
        for param in outputs_of(command):
            assert isinstance(param.type, OutputPath)
            if param.type.collection:
                continue  # a folder; see below
            for way in ways:
                for alias in ("same", "spelling", "hard link", "link"):
                    told = f"{command} {option(param)}: {way.where} as {alias}"
                    told += f" {' '.join(way.words)}{' <' if way.stdin else ''}"
                    yield pytest.param(command, param, way, alias, id=told)


def test_the_cases_are_all_there_are() -> None:
    """Each command that writes is careful, and each of its inputs is tried."""
    writing = {name for name, found in COMMANDS.items() if outputs_of(name)}
    assert writing == set(WAYS)
    for name in writing:
        assert isinstance(COMMANDS[name], Careful)
        tried = {word for way in WAYS[name] for word in way.words if word.startswith("-")}
        for param in COMMANDS[name].params:
            if isinstance(param.type, InputPath) and isinstance(param, click.Option):
                assert tried & set(param.opts), f"{name} {option(param)}"
    for name, found in COMMANDS.items():
        for param in found.params:
            if isinstance(param.type, click.Path):
                assert isinstance(param.type, (InputPath, OutputPath)) or name == "tables check", (
                    param
                )


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with games, tables, a settings file and something like a collection."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    for name in (
        "games/deep",
        "tables",
        "pages",
        "season/ledger",
        "season/games",
        "season-games",
        "cache/fullpoint/solver",
        "cache/fullpoint/classes",
    ):
        (tmp_path / name).mkdir(parents=True)
    for name in ("games.pgn", "games/c.pgn", "season-games/b.pgn"):
        (tmp_path / name).write_text(PGN, encoding="utf-8")
    (tmp_path / "season/collection.json").write_text('{"format": "fullpoint collection"}\n')
    (tmp_path / "season/games/part-1.parquet").write_bytes(b"rows")
    with contextlib.closing(sqlite3.connect(tmp_path / "season/ledger/files.sqlite")) as ledger:
        ledger.execute("CREATE TABLE files (name TEXT, path TEXT)")
        ledger.execute("INSERT INTO files VALUES ('a', ?)", (f"{tmp_path}/season-games/a.pgn",))
        ledger.commit()

    def no_work(*_: object, **__: object) -> None:
        raise AssertionError("work began")

    for name in (
        "convert.judging.bench.open_bench",
        "convert.collection.run.run",
        "convert.collection.summarise.summarise",
        "convert.cli.solve._solve",
        "convert.lesson.builtin.stored",
    ):
        monkeypatch.setattr(name, no_work)
    return tmp_path


def run(words: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    """Exit code, standard output, standard error."""
    with pytest.raises(SystemExit) as left:
        main(words)
    out, err = capsys.readouterr()
    return int(left.value.code or 0), out, err


def words_of(command: str, way: Way, name: str, more: list[str]) -> list[str]:
    """The command line; settings come before the command."""
    words = [word.format(name) for word in way.words]
    before = words[:2] if "--config" in words else []
    return [*before, *command.split(), *words[len(before) :], *more]


@pytest.mark.parametrize(("command", "param", "way", "alias"), list(cases()))
def test_no_output_falls_on_an_input(
    command: str,
    param: click.Parameter,
    way: Way,
    alias: str,
    here: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert isinstance(param.type, OutputPath)
    source = here / way.where
    source.write_text(way.content, encoding="utf-8")
    before = source.read_bytes(), source.stat().st_ino
    name = {"spelling": f"games/../{way.where}", "link": "link"}.get(alias, way.where)
    named = name
    if alias == "link":
        (here / "link").symlink_to(way.where)
    elif alias == "hard link":
        named = "other.html" if param.type.pages else "other"
        os.link(source, here / named)
    if param.type.folder:  # a page in it would fall on the input
        named = "pages"
        if alias == "hard link":
            os.link(source, here / "pages/index.html")
        else:
            (here / "pages/0001-marrin-osgood.html").symlink_to(source)
    if way.stdin:
        monkeypatch.setattr(sys, "stdin", open(source))  # noqa: SIM115
    more = [option(param), named]
    if command == "lesson":
        more += ["--format", "pgn"]
    code, out, err = run(words_of(command, way, way.where, more), capsys)
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    assert "is the input" in err
    assert named in err
    assert (source.read_bytes(), source.stat().st_ino) == before
    if alias == "link":
        assert (here / "link").is_symlink()


OWN = (
    "season/collection.json",
    "season/games/part-1.parquet",
    "season/games/new.parquet",
    "season/ledger/files.sqlite",
    "season/ledger/new",
    "season/work/new",
    "cache/fullpoint/solver/entry",
    "cache/fullpoint/classes/KPvK.json",
    "to-a-part",
)


@pytest.mark.parametrize("own", OWN)
@pytest.mark.parametrize("command", list(WAYS))
def test_no_output_falls_on_a_collection_or_the_programs_files(
    command: str, own: str, here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (here / "to-a-part").symlink_to(here / "season/games/part-1.parquet")
    kept = {path: path.read_bytes() for path in here.rglob("*") if path.is_file()}
    way = next(w for w in reversed(WAYS[command]) if not w.stdin)
    (here / way.where).write_text(way.content, encoding="utf-8")
    kept[here / way.where] = way.content.encode()
    for param in outputs_of(command):
        more = [option(param), own] + (["--format", "pgn"] if command == "lesson" else [])
        words = words_of(command, way, way.where, more)
        code, _, err = run(words, capsys)
        assert (code, err.count("\n")) == (2, 1), err
        assert f"{own}: belongs to " in err
        assert ("season" in err) == ("fullpoint" not in own), err
    assert {path: path.read_bytes() for path in here.rglob("*") if path.is_file()} == kept


def test_a_collection_of_the_same_command_is_spared_before_it_is_there(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("oc/collection.json", "oc/trades/x.html", "oc"):
        code, _, err = run(["collection", "games.pgn", "-o", "oc", "--html", name], capsys)
        assert code == 2
        assert name in err
        assert not (here / "oc").exists()


def test_new_files_beside_a_collections_own_are_allowed(here: Path, tmp_path: Path) -> None:
    check([Written("--html", "season/report.html")], ["season/collection.json"])
    check([Written("--json", "season/report.json")], [])
    (tmp_path / "plain/games").mkdir(parents=True)
    check([Written("--json", "plain/games/new.json")], [])


def test_the_built_in_tables_are_spared(here: Path) -> None:
    from tablebases.files import bundled_folder

    with pytest.raises(OutputError, match="built-in tables"):
        check([Written("--json", str(bundled_folder() / "KPvK.rtbw"))], [])


@pytest.mark.parametrize(
    ("command", "first", "second"),
    [(command, one, two) for command in WAYS for one, two in combinations(outputs_of(command), 2)],
    ids=lambda value: value if isinstance(value, str) else option(value),
)
def test_no_two_outputs_go_to_one_place(
    command: str,
    first: click.Parameter,
    second: click.Parameter,
    here: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    way = next(w for w in WAYS[command] if not w.stdin and "--config" not in w.words)
    (here / way.where).write_text(way.content, encoding="utf-8")
    words = words_of(command, way, way.where, [])
    if "-o" in words:
        del words[words.index("-o") :][:2]
        words = words[: words.index("-o")]
    (here / "link").symlink_to("place")
    streams = not any(
        p.type.folder or p.type.collection  # type: ignore[attr-defined]
        for p in (first, second)
    )
    for one, two in [("place", "place"), ("place", "games/../place"), ("place", "link")] + (
        [("-", "-")] if streams else []
    ):
        code, out, err = run([*words, option(first), one, option(second), two], capsys)
        assert (code, out, err.count("\n")) == (2, "", 1), err
        assert option(first) in err
        assert option(second) in err
    assert not (here / "place").exists()


def test_a_page_of_a_folder_is_no_place_for_another_output(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("pages/index.html", "pages/0007.html", "pages/0012-marrin-osgood.html"):
        code, _, err = run(["game", "games.pgn", "--html", "pages", "--json", name], capsys)
        assert code == 2
        assert err.count("\n") == 1
        assert name in err
        assert "--html pages" in err
    check([Written("--html", "pages", pages=True), Written("--json", "pages/all.json")], [])


def test_standard_output_that_is_a_file_counts(
    here: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """``fullpoint game a.pgn >> a.pgn`` and ``--json out > out``."""
    for words, name in (
        (["game", "games.pgn"], "games.pgn"),
        (["game", "games.pgn", "--json", "out"], "out"),
    ):
        with open(name, "a", encoding="utf-8") as stdout, monkeypatch.context() as patched:
            patched.setattr(sys, "stdout", stdout)
            with pytest.raises(SystemExit) as left:
                main(words)
        assert left.value.code == 2
        err = capsys.readouterr().err
        assert "standard output" in err
        assert name in err
    assert (here / "games.pgn").read_text(encoding="utf-8") == PGN


def test_play_saves_nothing_into_a_collection(
    here: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.undo()
    monkeypatch.chdir(here)
    (here / "moves").write_text("save season/games/x.parquet\n")
    code, _, err = run(["play", FEN, "--moves", "moves", "--no-solve"], capsys)
    assert code == 2
    assert "belongs to the collection" in err
    assert not (here / "season/games/x.parquet").exists()


@pytest.mark.parametrize(
    ("module", "more"),
    [
        ("convert.measuring.rules", ["--work", "work"]),
        ("convert.measuring.practice", []),
        ("convert.measuring.fit", ["--work", "work"]),
    ],
)
def test_the_measuring_commands_are_as_careful(
    module: str, more: list[str], here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import importlib

    told = importlib.import_module(module).main(["games.pgn", "-o", "games.pgn", *more])
    assert told == 2
    assert "games.pgn: is the input" in capsys.readouterr().err
    assert (here / "games.pgn").read_text(encoding="utf-8") == PGN


# --- how it gets there ----------------------------------------------------------------------------


def put(path: str | Path, text: str = "new\n") -> None:
    """Write a file whole."""
    with whole_file(str(path)) as file:
        file.write(text)


def test_a_file_is_replaced_whole_and_keeps_its_mode(tmp_path: Path) -> None:
    path = tmp_path / "kept.json"
    path.write_text("old")
    path.chmod(0o640)
    with whole_file(str(path)) as file:
        file.write("né\udce9w")
        file.flush()
        assert path.read_text() == "old"
    assert path.read_bytes() == "né\\udce9w".encode()
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    old = os.umask(0o027)
    try:
        put(tmp_path / "fresh")
    finally:
        os.umask(old)
    assert stat.S_IMODE((tmp_path / "fresh").stat().st_mode) == 0o640
    assert sorted(p.name for p in tmp_path.iterdir()) == ["fresh", "kept.json"]
    put(tmp_path / ("n" * 255))


def test_what_breaks_off_leaves_what_was_there(tmp_path: Path) -> None:
    path = tmp_path / "kept.json"
    path.write_text("old")

    def half() -> None:
        with whole_file(str(path)) as file:
            file.write("half")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        half()
    assert [p.name for p in tmp_path.iterdir()] == ["kept.json"]
    assert path.read_text() == "old"


LEFT = """
import os, sys
from convert.rim.outputs import whole_file
with whole_file(sys.argv[1]) as file:
    file.write("half")
    file.flush()
    print("there", flush=True)
    sys.stdin.read()
"""


def test_what_a_killed_writer_left_is_removed_and_nothing_of_a_living_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("fcntl")
    monkeypatch.setattr(outputs, "_swept", set())
    out = tmp_path / "out"
    writers = []
    for _ in range(2):
        writers.append(
            subprocess.Popen(
                [sys.executable, "-c", LEFT, str(out)],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                cwd=Path(__file__).parent.parent,
            )
        )
        assert writers[-1].stdout is not None
        assert writers[-1].stdout.readline() == b"there\n"
    dead, living = writers
    assert len(list(tmp_path.glob(".fullpoint-*"))) == 2
    dead.kill()
    dead.communicate()
    with whole_file(str(out)) as file:
        file.write("whole")
    assert len(list(tmp_path.glob(".fullpoint-*"))) == 1
    living.communicate(b"")
    assert living.returncode == 0
    assert out.read_text() == "half"
    assert os.listdir(tmp_path) == ["out"]


def test_the_lock_is_kept_until_the_file_has_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("fcntl")
    real = os.replace

    def after_a_sweep(source: str, target: str) -> None:
        outputs._swept.clear()
        outputs._sweep(str(tmp_path))
        real(source, target)

    monkeypatch.setattr("os.replace", after_a_sweep)
    with whole_file(str(tmp_path / "out")) as file:
        file.write("whole")
    assert (tmp_path / "out").read_text() == "whole"


def test_trouble_with_another_file_is_not_told_of_this_one(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError), whole_file(str(tmp_path / "out")):
        open(tmp_path / "none")  # noqa: SIM115
    assert not list(tmp_path.iterdir())


def test_links_are_followed(tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    target = tmp_path / "there/target"
    target.write_text("old")
    (tmp_path / "link").symlink_to("there/target")
    (tmp_path / "link to link").symlink_to(tmp_path / "link")
    (tmp_path / "dangling").symlink_to("there/none")
    put(tmp_path / "link to link")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "link to link").is_symlink()
    assert target.read_text() == "new\n"
    put(tmp_path / "dangling")
    assert (tmp_path / "dangling").is_symlink()
    assert (tmp_path / "there/none").read_text() == "new\n"


def test_links_that_lead_nowhere_are_left(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (here / "loop").symlink_to("pool")
    (here / "pool").symlink_to("loop")
    (here / "nowhere").symlink_to("no/folder/file")
    for name, why in (("loop", "symbolic links"), ("nowhere", "there is no folder")):
        code, out, err = run(["game", "games.pgn", "--json", name], capsys)
        assert (code, out, err.count("\n")) == (2, "", 1)
        assert name in err
        assert why in err
        assert (here / name).is_symlink()
    with pytest.raises(OutputError, match="symbolic links"):
        put(here / "loop")


def test_a_pipe_is_written_through(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    got: list[str] = []
    reader = threading.Thread(target=lambda: got.append(pipe.read_text()), daemon=True)
    reader.start()
    put(pipe)
    reader.join(10)
    assert got == ["new\n"]
    assert stat.S_ISFIFO(pipe.stat().st_mode)


def test_a_device_stays_a_device(tmp_path: Path) -> None:
    device = tmp_path / "null"
    try:
        os.mknod(device, 0o666 | stat.S_IFCHR, os.makedev(1, 3))
        put(device)
    except PermissionError:
        device.unlink(missing_ok=True)
        device.symlink_to("/dev/null")  # a link: what breaks here breaks no machine
        put(device)
        assert device.is_symlink()
    assert stat.S_ISCHR(device.stat().st_mode)
    check([Written("--json", str(device)), Written("--pgn", str(device))], [str(device)])


def test_an_open_file_is_written_through(tmp_path: Path) -> None:
    """``--json /dev/stdout`` writes to where standard output goes, and takes nobody's place."""
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            "from convert.rim.outputs import *\n"
            "check([Output('--json', '/dev/stdout')], [])\n"
            "with whole_file('/dev/stdout') as file: file.write('all')",
        ],
        stdout=(tmp_path / "out").open("w"),
        stderr=subprocess.PIPE,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert (tmp_path / "out").read_text() == "all"
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
def test_a_full_disk_is_one_line(
    here: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.undo()
    monkeypatch.chdir(here)
    (here / "full").symlink_to("/dev/full")
    code, _, err = run(["position", FEN, "--json", "full", "--no-solve"], capsys)
    assert (code, err) == (
        2,
        "fullpoint: error: full: cannot be written (No space left on device)\n",
    )


@contextlib.contextmanager
def most_bytes(number: int) -> Iterator[None]:
    """No file may grow beyond so many bytes, as on a full disk."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (number, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_no_room_leaves_what_was_there(tmp_path: Path) -> None:
    path = tmp_path / "kept.json"
    path.write_text("old")
    with (
        pytest.raises(OutputError, match=r"kept.json: cannot be written \(File too large\)"),
        most_bytes(1000),
    ):
        put(path, "x" * 100_000)
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["kept.json"]


def test_what_cannot_be_written_is_told_before_any_work(
    here: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    real = os.access
    monkeypatch.setattr(
        os, "access", lambda path, mode: "locked" not in str(path) and real(path, mode)
    )  # the superuser may everything
    (here / "locked").mkdir()
    (here / "locked.json").write_text("old")
    for command in WAYS:
        way = next(w for w in reversed(WAYS[command]) if not w.stdin)
        (here / way.where).write_text(way.content, encoding="utf-8")
        for param in outputs_of(command):
            assert isinstance(param.type, OutputPath)
            if param.type.folder or param.type.collection:
                continue
            for name, why in (
                ("locked/out.html", "Permission denied"),
                ("locked.json", "Permission denied"),
                ("none/out.html", "there is no folder none"),
                ("games", "is a folder"),
            ):
                if param.type.pages and name in ("locked.json", "games"):
                    continue  # the name of a folder of pages
                more = [option(param), name] + (["--format", "pgn"] if command == "lesson" else [])
                code, out, err = run(words_of(command, way, way.where, more), capsys)
                assert (code, out, err.count("\n")) == (2, "", 1), err
                assert name in err
                assert why in err
    assert (here / "locked.json").read_text() == "old"


def test_data_on_standard_output_are_utf8(monkeypatch: pytest.MonkeyPatch) -> None:
    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding="ascii"))
    put("-", "½ \x1b ♞\n")
    assert raw.getvalue() == "½ \x1b ♞\n".encode()
