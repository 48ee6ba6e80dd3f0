"""What reaches the terminal: safe whatever a file says, and in whatever encoding it has."""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from convert.cli import main
from convert.cli.common import StatusLine, out_console
from convert.cli.streams import Safe, degraded, note, safe_streams
from convert.rim.safe_text import file_text

#: Every way to say something to a terminal, and to turn round what follows.
EVIL = "\x1b]0;owned\x07\x1b[31mred\x9b1m\u202e\u2067"
PGN = f"""[Event "Club {EVIL}"]
[Site "Łódź {EVIL}"]
[Round "{EVIL}"]
[White "Müller {EVIL}"]
[Black "\u05d0\u05d1 中 ♞"]
[Annotator "{EVIL}"]
[Result "1-0"]
[SetUp "1"]
[FEN "8/8/8/4k3/8/4K3/4P3/8 w - - 0 1"]

1. Kd3 {{White is winning {EVIL} ½}} Kd5 2. e3 {{drawn {EVIL}}} Ke5 1-0

[Event "Broken {EVIL}"]
[Result "*"]

1. e4 e5 2. Qxh7{EVIL} Nc6 {EVIL} *
"""
FEN = "8/8/8/4k3/8/4K3/4P3/8 w - - 0 1"
ODD_NAME = os.fsdecode(b"caf\xe9\x1b[31m\n.pgn")
QUICK = ("--no-solve", "--effort", "quick")

#: Styling of our own, which must pass: colours and weights of rich, and the status line's return.
STYLED = re.compile(r"\x1b\[[0-9;]*m")
UNSAFE = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u200e\u200f\u061c\u202a-\u202e\u2066-\u2069]")


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a hostile game in a file with a hostile name, and others."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.delenv("COLUMNS", raising=False)
    (tmp_path / "games").mkdir()
    for name in ("evil.pgn", f"games/{ODD_NAME}"):
        (tmp_path / name).write_text(PGN, encoding="utf-8")
    odd = os.fsdecode(b"caf\xe9\x1b.epd")
    (tmp_path / odd).write_text(f'{FEN[:-4]} id "{EVIL}"; c0 "{EVIL}";\nno{EVIL}sense\n')
    (tmp_path / "moves").write_text(f"how\nhint\nrules\nboard\nno{EVIL}move\n", encoding="utf-8")
    return tmp_path


COMMANDS: dict[str, list[str]] = {
    "game": ["game", "evil.pgn", f"games/{ODD_NAME}", "--figures", *QUICK],
    "game, number": ["game", "evil.pgn", "--game", "9", *QUICK],
    "game, no file": ["game", f"no{EVIL}{ODD_NAME}"],
    "game, pages": ["game", "evil.pgn", "--html", f"pages{EVIL}", *QUICK],
    "proofread": ["proofread", f"games/{ODD_NAME}", *QUICK],
    "position": ["position", "--epd", os.fsdecode(b"caf\xe9\x1b.epd"), "--figures", *QUICK],
    "position, nonsense": ["position", "8/8\x1b\u202e\udce9 w - - 0 1"],
    "lesson": ["lesson", "games", "--answers", "--figures", "--count", "1", *QUICK],
    "lesson, title": ["lesson", FEN, "--title", f"Title {EVIL}", *QUICK],
    "play": ["play", FEN, "--moves", "moves", "--figures", *QUICK],
    "play, no file": ["play", FEN, "--moves", f"no{EVIL}", *QUICK],
    "tables": ["tables", "--for", f"games/{ODD_NAME}"],
    "tables check": ["tables", "check", f"no{EVIL}"],
    "tables make": ["tables", "make", f"K{EVIL}vK"],
    "tables, fen": ["tables", "--fen", EVIL],
    "collection, none": ["collection", f"no{EVIL}", "-o", "oc"],
    "report, none": ["collection", "report", f"no{EVIL}"],
    "no command": [f"no{EVIL}\nError: all is well"],
    "no second name": ["tables", "make", "KPvK", f"no{EVIL}\nError: all is well"],
    "no option": ["game", f"--no{EVIL}"],
    "no choice": ["game", "--side", f"no{EVIL}\nError: all is well"],
    "no number": ["game", "--game", f"no{EVIL}"],
    "no settings": ["--config", f"no{EVIL}\n{ODD_NAME}", "tables"],
    "no output": ["game", "evil.pgn", "--json", f"no{EVIL}/{ODD_NAME}"],
}
FAIL = {name for name in COMMANDS if re.search("no |nonsense|none|make|check|, fen|number", name)}


class Stream(io.TextIOWrapper):
    """A standard stream in some encoding; a terminal if wanted."""

    def __init__(self, encoding: str, terminal: bool = False):
        self.raw_bytes = io.BytesIO()
        self.terminal = terminal
        super().__init__(self.raw_bytes, encoding=encoding)

    def isatty(self) -> bool:
        return self.terminal

    def text(self) -> str:
        self.flush()
        return self.raw_bytes.getvalue().decode(self.encoding)


def run(
    words: list[str], monkeypatch: pytest.MonkeyPatch, encoding: str, terminal: bool = False
) -> tuple[int, str, str]:
    """Exit code and what came out on each stream."""
    out, err = Stream(encoding, terminal), Stream(encoding, terminal)
    with monkeypatch.context() as patched:
        patched.setattr(sys, "stdout", out)
        patched.setattr(sys, "stderr", err)
        with pytest.raises(SystemExit) as left:
            main(words)
        assert sys.stdout is out
    return int(left.value.code or 0), out.text(), err.text()


@pytest.mark.parametrize(
    ("name", "encoding"),
    [
        (name, encoding)
        for name in COMMANDS
        for encoding in ("utf-8", "cp1252", "ascii", "utf-16")
        if name != "lesson" or encoding == "cp1252"  # takes seconds
    ],
)
def test_both_streams_are_safe_in_every_encoding(
    name: str, encoding: str, here: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if COMMANDS[name][0] == "collection":
        pytest.importorskip("pyarrow")
    code, out, err = run(COMMANDS[name], monkeypatch, encoding)
    assert not UNSAFE.search(out + err), out + err
    assert "unforeseen" not in err
    assert "Traceback" not in err
    assert "\nError: all is well" not in err
    if name in FAIL:
        assert code == 2
        assert "x1b" in err or name in ("game, number", "tables, fen")
    elif name not in ("play", "play, no file"):
        assert out or "pages" in name
        assert code == (0 if name.startswith(("lesson", "tables")) else 2) or name == "lesson"
    if name == "game":
        player = {"utf-8": "Müller", "utf-16": "Müller", "cp1252": "Müller", "ascii": "Muller"}
        assert player[encoding] in out
        assert "\\x1b]0;owned\\x07\\x1b[31mred\\u009b1m\\u202e\\u2067" in out
        assert "caf\\xe9\\x1b[31m\\x0a.pgn, game 1" in out
        assert ("♞" in out) == encoding.startswith("utf")


@pytest.mark.parametrize("name", ["game", "position", "play", "proofread"])
def test_our_own_styling_reaches_a_terminal_and_nothing_else_does(
    name: str, here: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TERM", "xterm-256color")
    _, out, err = run(COMMANDS[name], monkeypatch, "utf-8", terminal=True)
    if name not in ("play",):
        assert "\x1b[1m" in out
    left = STYLED.sub("", out)
    assert not UNSAFE.search(left), left
    assert "\x1b[31m" not in out
    assert not UNSAFE.search(err.replace("\r", "")), err


def test_a_script_on_standard_input_is_utf8(here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever the encoding of the terminal; what is no UTF-8 is told."""
    for raw, told in (
        ("Kd3\nKé4\n".encode(), "line 2: 'Ké4' is neither"),
        (b"Kd3\nK\xe94\n", "not UTF-8"),
    ):
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(raw), encoding="ascii"))
        code, _, err = run(["play", FEN, *QUICK], monkeypatch, "utf-8")
        assert code == 2
        assert told in err


def test_data_for_a_terminal_are_shown_safely_and_for_a_pipe_as_they_are(
    here: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    words = ["game", "evil.pgn", "--game", "1", "--json", "-", *QUICK]
    _, out, _ = run(words, monkeypatch, "utf-8", terminal=True)
    assert "\u202e" not in out
    assert "Müller" in out
    piped = Stream("ascii")
    monkeypatch.setattr(sys, "stdout", piped)
    with pytest.raises(SystemExit):
        main(words)
    piped.flush()
    document = json.loads(piped.raw_bytes.getvalue().decode("utf-8"))
    assert document["reviews"][0]["tags"]["White"].endswith("\u202e\u2067")


def test_progress_and_remarks_are_safe(monkeypatch: pytest.MonkeyPatch) -> None:
    err = Stream("ascii", terminal=True)
    monkeypatch.setattr(sys, "stderr", err)
    with safe_streams():
        line = StatusLine()
        line.show(f"game {EVIL}")
        line.wipe()
        note(f"{ODD_NAME}: two\nlines")
        sys.stderr.writelines(["\x1b[31m", "\n"])
    shown = err.text()
    assert shown.startswith("\rgame \\x1b]0;owned\\x07")
    assert shown.count("\r") == 3
    assert shown.endswith("fullpoint: caf\\xe9\\x1b[31m\\x0a.pgn: two\\x0alines\n\\x1b[31m\n")


def test_progress_bars_are_safe_and_still_bars(monkeypatch: pytest.MonkeyPatch) -> None:
    from types import SimpleNamespace

    from convert.cli.tables import _bar

    monkeypatch.setenv("TERM", "xterm-256color")
    err = Stream("utf-8", terminal=True)
    monkeypatch.setattr(sys, "stderr", err)
    with safe_streams(), _bar("KRPvKN") as show:
        show(SimpleNamespace(question=EVIL, done=1, slices=2, share=0.5))  # type: ignore[arg-type]
    shown = err.text()
    assert "\x1b[?25l" in shown  # the cursor is hidden,
    assert "\x1b[?25h" in shown  # and shown again
    assert "owned" in shown
    assert "\x1b]0;" not in shown
    assert "\u202e" not in shown


def test_a_console_shows_what_it_would_drop(monkeypatch: pytest.MonkeyPatch) -> None:
    out = Stream("utf-8")
    monkeypatch.setattr(sys, "stdout", out)
    out_console().print(f"bell\x07 {EVIL}\r", style="bold")
    assert out.text().startswith("bell\\x07 \\x1b]0;owned\\x07")
    assert out.text().endswith("\\x0d\n")


def test_streams_are_as_they_were_afterwards(monkeypatch: pytest.MonkeyPatch) -> None:
    out = Stream("ascii")
    monkeypatch.setattr(sys, "stdout", out)
    with safe_streams():
        assert isinstance(sys.stdout, Safe)
        sys.stdout.writelines(["½\n", "♞ 中\n"])
    assert sys.stdout is out
    assert out.errors == "strict"
    assert out.text() == "1/2\nn \\u4e2d\n"


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ("♔♞", "Kn"),
        ("─│", "-|"),
        ("Łódź", "Lodz"),
        ("“a” – b…", '"a" - b...'),
        ("½", "1/2"),
        ("ﬁ", "fi"),
        ("中\U0001f600\xa4", "\\u4e2d\\U0001f600\\xa4"),
    ],
)
def test_what_an_encoding_lacks_is_written_otherwise(text: str, plain: str) -> None:
    made = "".join(
        degraded(UnicodeEncodeError("ascii", sign, 0, 1, ""))[0] if not sign.isascii() else sign
        for sign in text
    )
    assert made == plain


# --- names of files -------------------------------------------------------------------------------


def in_c(words: list[str | bytes], here: Path, **more: str) -> subprocess.CompletedProcess[bytes]:
    """Run where the system knows ASCII only."""
    plain = {name: value for name, value in os.environ.items() if not name.startswith("LC_")}
    return subprocess.run(
        [sys.executable, "-m", "convert", *words],
        env={**plain, "LC_ALL": "C", "PYTHONPATH": str(Path(__file__).parent.parent), **more},
        cwd=here,
        capture_output=True,
        check=False,
    )


@pytest.mark.parametrize(
    "settings",
    [{}, {"PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}, {"PYTHONIOENCODING": "cp1252"}],
    ids=lambda settings: " ".join(f"{k}={v}" for k, v in settings.items()) or "LC_ALL=C",
)
def test_a_report_comes_out_in_the_c_locale(settings: dict[str, str], here: Path) -> None:
    name = "größe".encode() + b"\xe9.pgn"
    (here / os.fsdecode(name)).write_text(PGN.partition("\n[Event")[0], encoding="utf-8")
    done = in_c(["game", name, "--json", b"\xe9.json", *QUICK], here, **settings)
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"1-0" in done.stdout
    assert b"\x1b" not in done.stdout
    document = json.loads((here / os.fsdecode(b"\xe9.json")).read_text(encoding="utf-8"))
    # The same text whatever the locale.
    assert document["reviews"][0]["file"] == "größe\\xe9.pgn"


def test_standard_streams_that_are_closed(here: Path) -> None:
    """``>&-``: nobody to report to is trouble; no stream for errors is none."""
    for words, closing, code in (
        (["position", FEN, *QUICK], ">&-", 2),
        (["position", FEN, *QUICK], "2>&-", 0),
        (["game", "none.pgn"], "2>&-", 2),
        (["position", FEN, "--json", "out.json", *QUICK], "<&-", 0),
    ):
        quoted = " ".join(f"'{word}'" for word in words)
        done = subprocess.run(
            f"{sys.executable} -m convert {quoted} {closing}",
            shell=True,
            cwd=here,
            env={**os.environ, "PYTHONPATH": str(Path(__file__).parent.parent)},
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == code, (words, closing, done.stderr)
        assert "unforeseen" not in done.stderr
        assert "Traceback" not in done.stderr


@pytest.fixture
def season(here: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A collection, in a folder with an odd name, of a file with an odd name."""
    pytest.importorskip("pyarrow")
    out = here / os.fsdecode(b"season\xe9")
    drawn = PGN.replace("1-0", "1/2-1/2")
    (here / "games" / ODD_NAME).write_text(drawn, encoding="utf-8")
    code, _, err = run(
        ["collection", "games", "-o", str(out), "--effort", "walk", "--jobs", "1"],
        monkeypatch,
        "ascii",
    )
    assert code == 0, err
    return out


def test_a_collection_of_files_with_odd_names(
    season: Path, here: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import pyarrow.parquet as pq

    name = file_text(f"games/{ODD_NAME}")
    (part,) = (season / "games").glob("part-*.parquet")
    with open(part, "rb") as file:
        assert set(pq.read_table(file)["file"].to_pylist()) == {name}
    with contextlib.closing(sqlite3.connect(season / "ledger/files.sqlite")) as ledger:
        assert ledger.execute("SELECT name FROM files").fetchall() == [(name,)]
    before = part.stat().st_mtime_ns
    _, _, err = run(
        ["collection", "games", "-o", str(season), "--effort", "walk"], monkeypatch, "utf-8"
    )
    assert "nothing was left to do" in err  # known again by its name and its place
    assert part.stat().st_mtime_ns == before

    code, out, err = run(
        [
            "collection",
            "report",
            str(season),
            "--pages",
            os.fsdecode(b"pages\xe9"),
            "--html",
            "report.html",
            "--json",
            "report.json",
            *QUICK,
        ],
        monkeypatch,
        "cp1252",
    )
    assert (code, err) == (0, "")
    assert "Collection season\\xe9" in out
    document = json.loads((here / "report.json").read_text(encoding="utf-8"))
    (pick,) = document["picks"]
    assert pick["file"] == name
    assert pick["page"].startswith("pages\\xe9/0001-")
    page = (here / "report.html").read_text(encoding="utf-8")
    assert 'href="pages%E9/0001-' in page
    assert list((here / os.fsdecode(b"pages\xe9")).glob("0001-*.html"))
    assert not UNSAFE.search(out)


def test_the_command_for_a_file_with_an_odd_name_works_in_a_shell(tmp_path: Path) -> None:
    from convert.wording.collections import quoted

    for raw in (b"plain.pgn", b"with space's.pgn", b"caf\xe9's\\n.pgn", b"two\nlines\\xe9.pgn"):
        done = subprocess.run(
            ["bash", "-c", f"printf %s {quoted(file_text(os.fsdecode(raw)))}"],
            capture_output=True,
            check=True,
        )
        assert done.stdout == raw


def test_odd_names_in_every_command_that_reads(here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Read, named in what is written, and what is written is UTF-8."""
    source = f"games/{ODD_NAME}"
    for words in (
        ["game", source, "--json", "o.json", "--pgn", "o.pgn", "--html", "o"],
        ["proofread", source, "--json", "o.json", "--pgn", "o.pgn"],
        ["lesson", source, "-o", "o.html", "--count", "1"],
        ["lesson", source, "-o", "o.pgn", "--count", "1"],
        ["position", "--epd", os.fsdecode(b"caf\xe9\x1b.epd"), "--json", "o.json"],
    ):
        for old in here.glob("o.*"):
            old.unlink()
        _, _, err = run([*words, *QUICK], monkeypatch, "ascii")
        assert "unforeseen" not in err, (words, err)
        written = list(here.glob("o.*"))
        assert written, err
        for path in written:
            path.read_text(encoding="utf-8")


def test_a_text_that_is_none_is_refused(here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for words in (
        ["game", "evil.pgn", "--annotator", "\udcff", "--pgn", "o.pgn"],
        ["lesson", FEN, "--title", "\udcff", "-o", "o.html"],
    ):
        code, _, err = run(words, monkeypatch, "utf-8")
        assert (code, err.count("\n")) == (2, 1)
        assert f"{words[2]} \\xff: not text" in err
    assert not list(here.glob("o.*"))
