"""A campaign against odd input: texts, entries and tables with chance damage, and sudden ends.

Every case is made from its own number, so a case that fails can be made again alone:
``random.Random(f"{kind} {number}")``.  The short tests take the first cases of each kind, the long
ones all of them: 10^6 changed inputs and 200 ends in all.  What a long test counted it prints.

    pytest tests/test_campaign.py -m long
"""

from __future__ import annotations

import gzip
import io
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import cast

import chess
import chess.pgn
import chess.syzygy
import msgspec
import numpy as np
import pytest
from solver_strategies import random_ep, random_legal
from test_fastread import both

# Imported before any test changes the cache folder: the machine code is kept there.
import tablebases.solver  # noqa: F401
from convert.cli import main
from convert.judging.judges import EFFORTS, Bench, EffortName
from convert.model import Side, Verdict
from convert.reading.epd import read_positions
from convert.reading.fen import SourceError, parse_fen
from convert.rim.safe_text import safe_line
from convert.wording.verdicts import verdict_words
from tablebases import (
    MissingTable,
    Outcome,
    SyzygyProber,
    TableFile,
    bundled_folder,
    find_tables,
)
from tablebases.files import fault
from tablebases.seal import seal_problem
from tablebases.solver import Budget, Store, solve, solve_class
from tablebases.solver.prober import SolverProber

HERE = Path(__file__).parent
ROOT = HERE.parent

# How many cases the long tests take; 10^6 changed inputs in all.
PGN, FEN, EPD, VERDICTS, ENTRIES, TABLE_FILES = 150_000, 450_000, 150_000, 50_000, 150_000, 50_000
ENDS = 200
PARTS = 5
"""Each long test is cut into parts, so that a few processes can share them."""
COMMAND_EVERY = 2000
"""One of so many texts of positions goes through the command."""


def chance(kind: str, number: int) -> random.Random:
    """What a case draws from."""
    return random.Random(f"{kind} {number}")


def part_of(cases: int, part: int) -> range:
    return range(part * cases // PARTS, (part + 1) * cases // PARTS)


@pytest.fixture
def tell(capsys: pytest.CaptureFixture[str]) -> Callable[[str, Counter[str]], None]:
    """Print what was counted, past the capturing."""

    def show(kind: str, counts: Counter[str]) -> None:
        with capsys.disabled():
            told = ", ".join(f"{name} {counts[name]}" for name in sorted(counts))
            sys.stdout.write(f"\n{kind}: {told}\n")

    return show


# --- games ----------------------------------------------------------------------------------------

_FILES = sorted([*(ROOT / "demo_games").glob("*.pgn"), *(HERE / "data").rglob("*.pgn")])
_ODD = [
    b"{",
    b"}",
    b"(",
    b")",
    b"{ (",
    b"{{",
    b"}}",
    b"((",
    b"))",
    b";",
    b"\n%",
    b"[",
    b"]",
    b'"',
    b"\\",
    b"$",
    b"$999",
    b"--",
    b"O-O",
    b"0-0-0",
    b"e8=Q",
    b"1-0",
    b"*",
    b"1...",
    b"\x00",
    b"\x1a",
    b"\x85",
    b"\xa0",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b"\r",
    b"\r\n",
    b"\n\n",
    b"\t",
    b"\x1b[2J",
    "\u202e".encode(),
    "\u2028".encode(),
    "é".encode(),
    b"\xe9",
    b"1/2",
    b"1/2-1/2",
    b"?!",
    b"!!",
    b'\n[FEN "8/8/8/4k3/8/4K3/4P3/8 w - - 0 1"]\n',
    b'\n[SetUp "1"]\n',
    b'[Variant "?"]\n',
    b'\n\n[Event "x"]\n',
    b"99999999999999999999.",
    b"Z0",
    b"e2e4",
    b"Ng1f3",
    b"(1. d4 {x (y} d5)",
]


def _games() -> list[bytes]:
    """The text of every game here, one by one, the longest left out."""
    found: list[bytes] = []
    for path in _FILES:
        found += re.split(rb"\n(?=\[Event )", path.read_bytes())
    return [game for game in found if game.strip() and len(game) < 2000]


GAMES = _games()


def changed_bytes(data: bytes, others: list[bytes], rng: random.Random) -> bytes:
    """One accident that may happen to any bytes."""
    at = rng.randrange(len(data) + 1)
    to = min(len(data), at + rng.choice((1, 1, 2, 5, 20, 100)))
    match rng.randrange(6):
        case 0 if at < len(data):
            return data[:at] + bytes([data[at] ^ 1 << rng.randrange(8)]) + data[at + 1 :]
        case 1:
            return data[:at] + data[to:]
        case 2:
            return data[:to] + data[at:to] * rng.choice((1, 1, 3, 30)) + data[to:]
        case 3:
            other = rng.choice(others)
            cut = rng.randrange(len(other) + 1)
            return data[:at] + other[cut:]
        case 4:
            return data[:at]
        case _:
            return data[:at] + bytes([rng.randrange(256)]) + data[at:]


def _swapped(data: bytes, rng: random.Random) -> bytes:
    words = data.split(b" ")
    one, two = rng.randrange(len(words)), rng.randrange(len(words))
    words[one], words[two] = words[two], words[one]
    return b" ".join(words)


def _inserted(data: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(data) + 1)
    return data[:at] + rng.choice(_ODD) * rng.choice((1, 1, 1, 2, 120)) + data[at:]


def _wrapped(data: bytes, rng: random.Random) -> bytes:
    """Part of it in brackets of some kind, which may stand in others already."""
    at, to = sorted((rng.randrange(len(data) + 1), rng.randrange(len(data) + 1)))
    left, right = rng.choice(((b"{", b"}"), (b"(", b")"), (b"(", b""), (b"{", b""), (b";", b"\n")))
    return data[:at] + left + data[at:to] + right + data[to:]


def _recoded(data: bytes, rng: random.Random) -> bytes:
    text = data.decode("utf-8", "replace")
    match rng.randrange(6):
        case 0:
            return text.encode("iso-8859-1", "replace")
        case 1:
            return text.encode(rng.choice(("utf-16", "utf-16-le", "utf-16-be", "utf-8-sig")))
        case 2:
            return text.encode("cp1252", "replace") + b"\x81\x8d"
        case 3:
            return data.replace(b"\n", rng.choice((b"\r", b"\r\n", b"\n\r", b" ", b"\x0b")))
        case 4:
            packed = gzip.compress(data, mtime=0)
            return packed[: rng.randrange(len(packed))]
        case _:
            return changed_bytes(gzip.compress(data, mtime=0), GAMES, rng)


def odd_games(rng: random.Random) -> bytes:
    """A game or two with a few accidents."""
    data = rng.choice(GAMES)
    if rng.random() < 0.2:
        data += b"\n" + rng.choice(GAMES)
    for _ in range(rng.choice((1, 1, 2, 3, 8))):
        draw = rng.random()
        if draw < 0.55:
            data = changed_bytes(data, GAMES, rng)
        elif draw < 0.7:
            data = _swapped(data, rng)
        elif draw < 0.85:
            data = _inserted(data, rng)
        elif draw < 0.95:
            data = _wrapped(data, rng)
        else:
            data = _recoded(data, rng)
    return data


def is_one_line(text: str) -> bool:
    return bool(text) and text.splitlines() == [text]


def read_odd_games(numbers: range) -> Counter[str]:
    """Both readers find the same, nothing but their own errors comes, and moves are legal."""
    counts: Counter[str] = Counter()
    for number in numbers:
        data = odd_games(chance("game", number))
        try:
            reads, error = both(data)
            assert error is None or is_one_line(error)
            for read in reads:
                assert all(is_one_line(safe_line(str(problem))) for problem in read.problems)
                if read.start is None:
                    continue
                board = read.start.copy()
                for move in read.moves:
                    assert board.is_legal(move)
                    board.push(move)
                counts["moves"] += len(read.moves)
                counts["games whole" if read.complete else "games in part"] += 1
        except BaseException as err:
            err.add_note(f"game {number}: {data!r}")
            raise
        counts["inputs"] += 1
        counts["refused" if error else "read"] += 1
    return counts


def test_odd_games_are_read_alike() -> None:
    counts = read_odd_games(range(300))
    assert min(counts["refused"], counts["games whole"], counts["games in part"]) > 5


@pytest.mark.long
@pytest.mark.parametrize("part", range(PARTS))
def test_many_odd_games_are_read_alike(
    part: int, tell: Callable[[str, Counter[str]], None]
) -> None:
    tell("games", read_odd_games(part_of(PGN, part)))


# --- positions ------------------------------------------------------------------------------------

_FEN_CHARACTERS = (
    "pnbrqkPNBRQK0123456789/ -wbKQkqabcdefgh[]~+.:;\"'\t\x00\x1b\xa0\u0663\u00b2\u202e\u2028"
)
_CLOCKS = [
    "0",
    "1",
    "49",
    "98",
    "99",
    "100",
    "149",
    "150",
    "99999",
    "100000",
    "-1",
    "1e3",
    "nan",
    "\u0663",
    "00",
    "9" * 20,
    "",
]
_OPERATIONS = [
    "hmvc 12;",
    "fmvn 3;",
    'id "x";',
    "bm Nf3;",
    "pv e4 e5;",
    "ce -1;",
    "acn 1e999;",
    "hmvc -1;",
    "hmvc 99999999999999999999;",
    'c0 "a;b";',
    "dm;",
    ";",
    '"',
    "hmvc x;",
    "fmvn 0;",
    "am Kd2 Kd3;",
    "id;",
    "hmvc 1.5;",
    'id "\u202e";',
]


def _fens() -> list[str]:
    """Positions of the games here, and of small endings."""
    found = [
        chess.STARTING_FEN,
        "r3k2r/pppppppp/8/8/8/8/PPPPPPPP/R3K2R w KQkq - 0 1",
        "4k3/8/8/2pP4/8/8/8/4K3 w - c6 0 1",
    ]
    for path in (HERE / "data" / "classic_games.pgn", *(ROOT / "demo_games").glob("*.pgn")):
        with open(path, encoding="utf-8") as file:
            while (game := chess.pgn.read_game(file)) is not None:
                board = game.board()
                for ply, move in enumerate(game.mainline_moves()):
                    board.push(move)
                    if ply % 7 == 0:
                        found.append(board.fen())
    rng = random.Random(12)
    found += [random_legal(name, rng).fen() for name in ("KPvK", "KRvKP", "KQRvKR", "KRPvKR")]
    return found


FENS = _fens()


def odd_fen(rng: random.Random) -> str:
    """A FEN with an accident or some."""
    text = rng.choice(FENS)
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        fields = text.split(" ")
        at = rng.randrange(len(text) + 1)
        match rng.randrange(9):
            case 0:
                text = text[:at] + rng.choice(_FEN_CHARACTERS) + text[at + 1 :]
            case 1:
                text = text[:at] + text[at + rng.choice((1, 1, 2, 8)) :]
            case 2:
                text = text[:at] + rng.choice(_FEN_CHARACTERS) + text[at:]
            case 3:
                rng.shuffle(fields)
                text = " ".join(fields)
            case 4:
                other = rng.choice(FENS).split(" ")
                which = rng.randrange(6)
                if which < len(fields):
                    fields[which] = other[which]
                text = " ".join(fields)
            case 5:
                fields[rng.randrange(len(fields))] = rng.choice(
                    (*_CLOCKS, "-", "KQkq", "Kq", "HAha", "e3", "c6", "w", "b")
                )
                text = " ".join(fields)
            case 6:
                fields = fields[: rng.randrange(len(fields) + 1)]
                text = " ".join(fields)
            case 7:  # two ranks, or men within one, change places
                ranks = fields[0].split("/")
                one, two = rng.randrange(len(ranks)), rng.randrange(len(ranks))
                ranks[one], ranks[two] = ranks[two], ranks[one]
                text = " ".join(["/".join(ranks), *fields[1:]])
            case _:
                text = text.swapcase() if rng.random() < 0.3 else text[at:] + text[:at]
    return text


def odd_epd(rng: random.Random) -> bytes:
    """A line of an EPD file with an accident or some."""
    text = odd_fen(rng) if rng.random() < 0.5 else rng.choice(FENS)
    if rng.random() < 0.7:
        text = " ".join(text.split(" ")[:4])
    for _ in range(rng.randrange(4)):
        text += " " + rng.choice(_OPERATIONS)
    data = text.encode()
    if rng.random() < 0.5:
        data = changed_bytes(data, [data[::-1], b"# x", b"\xff\xfe"], rng)
    return data


def beside_the_diagram(text: str) -> str:
    """What stands at the right of the diagram, as one line."""
    return " ".join(" ".join(line[30:] for line in text.splitlines()[:12]).split())


def through_the_command(fen: str, capsys: pytest.CaptureFixture[str]) -> int:
    """The exit code of ``position`` for a FEN; text and JSON begin with the same verdict."""
    told = []
    capsys.readouterr()
    for more in ([], ["--json", "-"]):
        with pytest.raises(SystemExit) as left:
            main(["position", "--no-solve", "--no-variants", "--effort", "quick", *more, "--", fen])
        out, err = capsys.readouterr()
        told.append((left.value.code or 0, out, err))
        assert left.value.code in (None, 0, 1, 2)
        assert "unforeseen" not in err
        assert "Traceback" not in err
    (code, text, err), (same_code, document, same_err) = told
    assert (code, err) == (same_code, same_err)
    if code:
        assert text == document == ""
        assert is_one_line(err.removesuffix("\n")) or "Usage:" in err
    else:
        facts = json.loads(document)["verdict"]
        verdict = msgspec.convert(facts, Verdict)
        words = verdict_words(verdict)
        assert f"{words[:1].upper()}{words[1:]}." in beside_the_diagram(text)
    assert isinstance(code, int)
    return code


def read_odd_fens(numbers: range, capsys: pytest.CaptureFixture[str], every: int) -> Counter[str]:
    """A FEN gives a valid position, or one line that says what is wrong."""
    counts: Counter[str] = Counter()
    for number in numbers:
        fen = odd_fen(chance("fen", number))
        try:
            try:
                board, notes = parse_fen(fen)
            except SourceError as error:
                assert is_one_line(str(error))
                board = None
                counts["refused"] += 1
            else:
                assert board.is_valid()
                assert parse_fen(board.fen())[0] == board
                assert all(map(is_one_line, notes))
                counts["read"] += 1
            if number % every == 0 and "\x00" not in fen:
                code = through_the_command(fen, capsys)
                assert (code == 0) == (board is not None)
                counts["through the command"] += 1
        except BaseException as err:
            err.add_note(f"fen {number}: {fen!r}")
            raise
        counts["inputs"] += 1
    return counts


def read_odd_epds(
    numbers: range, capsys: pytest.CaptureFixture[str], every: int, folder: Path
) -> Counter[str]:
    """A line of EPD gives a valid position, or one line that says what is wrong."""
    counts: Counter[str] = Counter()
    for number in numbers:
        data = odd_epd(chance("epd", number))
        try:
            try:
                reads = list(read_positions("-", stdin=io.BytesIO(data)))
            except SourceError as error:
                assert is_one_line(str(error))
                reads = []
            for read in reads:
                assert all(is_one_line(safe_line(str(problem))) for problem in read.problems)
                if read.board is None:
                    assert any(problem.fatal for problem in read.problems)
                else:
                    assert read.board.is_valid()
            sound = bool(reads) and all(read.board is not None for read in reads)
            counts["read" if sound else "refused"] += 1
            if number % every == 0:
                path = folder / "odd.epd"
                path.write_bytes(data)
                capsys.readouterr()
                with pytest.raises(SystemExit) as left:
                    main(
                        [
                            "position",
                            "--no-solve",
                            "--no-variants",
                            "--effort",
                            "quick",
                            "--epd",
                            str(path),
                        ]
                    )
                err = capsys.readouterr().err
                assert (left.value.code or 0) == (0 if sound else 2)
                assert "unforeseen" not in err
                assert "Traceback" not in err
                counts["through the command"] += 1
        except BaseException as err:
            err.add_note(f"epd {number}: {data!r}")
            raise
        counts["inputs"] += 1
    return counts


def test_odd_fens(capsys: pytest.CaptureFixture[str]) -> None:
    counts = read_odd_fens(range(3000), capsys, 500)
    assert min(counts["refused"], counts["read"]) > 100


@pytest.mark.long
@pytest.mark.parametrize("part", range(PARTS))
def test_many_odd_fens(
    part: int,
    capsys: pytest.CaptureFixture[str],
    tell: Callable[[str, Counter[str]], None],
) -> None:
    tell("FEN", read_odd_fens(part_of(FEN, part), capsys, COMMAND_EVERY))


def test_odd_lines_of_epd(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    counts = read_odd_epds(range(1500), capsys, 500, tmp_path)
    assert min(counts["refused"], counts["read"]) > 100


@pytest.mark.long
@pytest.mark.parametrize("part", range(PARTS))
def test_many_odd_lines_of_epd(
    part: int,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    tell: Callable[[str, Counter[str]], None],
) -> None:
    tell("EPD", read_odd_epds(part_of(EPD, part), capsys, COMMAND_EVERY, tmp_path))


# --- verdicts -------------------------------------------------------------------------------------

_SMALL = sorted({table.material for table in find_tables()})


def odd_small_fen(rng: random.Random) -> str:
    """A position of up to four men with a man moved, taken off or changed, or another clock."""
    name = rng.choice(_SMALL)
    board = random_ep("KPvKP", rng) if rng.random() < 0.03 else random_legal(name, rng)
    for _ in range(rng.randrange(3)):
        square = rng.choice(list(board.piece_map()))
        piece = board.piece_at(square)
        assert piece is not None
        match rng.randrange(4):
            case 0:
                board.remove_piece_at(square)
                board.set_piece_at(rng.randrange(64), piece)
            case 1 if piece.symbol() not in "Kk":
                board.set_piece_at(square, chess.Piece(rng.randrange(1, 6), rng.random() < 0.5))
            case 2:
                board.turn = not board.turn
            case _:
                board.apply_mirror()
    fields = board.fen(en_passant="fen").split(" ")
    if rng.random() < 0.5:
        fields[4] = str(rng.choice((rng.randrange(1, 160), rng.randrange(60, 100), 98, 100, 150)))
    return " ".join(fields)


def told_by_python_chess(board: chess.Board, tables: chess.syzygy.Tablebase) -> set[int] | None:
    """Outcomes (2 to -2) that python-chess's probing of the tables leaves; None: not probed there.

    A win takes no more than 100 plies with those gone; what is stored may be one too few, so at
    that edge both are left.
    """
    clock = board.halfmove_clock
    if not any(board.legal_moves):
        return {-2} if board.is_check() else {0}
    if clock >= 150 or board.is_insufficient_material():
        return {0}
    if clock >= 99:  # a claim, or one to be announced
        return {0, 1, 2} if clock >= 100 else None
    value = tables.probe_wdl(board)
    if abs(value) < 2 or not clock:
        return {value}
    plies = abs(tables.probe_dtz(board))
    sign = 1 if value > 0 else -1
    return {sign * (2 if true + clock <= 100 else 1) for true in (plies, plies + 1)}


def hold_verdicts(numbers: range) -> Counter[str]:
    """The bench says what the built-in tables say when python-chess asks them itself."""
    counts: Counter[str] = Counter()
    bench = Bench(SyzygyProber(), effort=EFFORTS[EffortName.QUICK])
    with chess.syzygy.open_tablebase(str(bundled_folder())) as tables:
        for number in numbers:
            fen = odd_small_fen(chance("verdict", number))
            counts["inputs"] += 1
            try:
                try:
                    board, _ = parse_fen(fen)
                except SourceError as error:
                    assert is_one_line(str(error))
                    counts["refused"] += 1
                    continue
                if board.occupied.bit_count() > 4:
                    continue
                expected = told_by_python_chess(board, tables)
                verdict = bench.kept(board).verdict
                assert verdict is not None
                assert verdict.side is Side.of(board.turn)
                if expected is None:
                    continue
                told = set(range(verdict.low, verdict.high + 1))
                if len(expected) == 1:
                    assert told == expected
                    counts[f"exactly {verdict.low.word}"] += 1
                else:  # moves may tell more than the table, never something else
                    assert told <= expected
                    counts["within the rounding or a claim"] += 1
            except BaseException as err:
                err.add_note(f"verdict {number}: {fen}")
                raise
            if bench.remembered > 20_000:
                bench.forget()
    return counts


@pytest.mark.slow
def test_verdicts_of_odd_positions() -> None:
    counts = hold_verdicts(range(800))
    for outcome in (Outcome.WIN, Outcome.DRAW, Outcome.LOSS):
        assert counts[f"exactly {outcome.word}"] > 20


@pytest.mark.long
@pytest.mark.parametrize("part", range(PARTS))
def test_verdicts_of_many_odd_positions(
    part: int, tell: Callable[[str, Counter[str]], None]
) -> None:
    tell("verdicts", hold_verdicts(part_of(VERDICTS, part)))


# --- the solver's store ---------------------------------------------------------------------------

CLASSES = ("KPvK", "KPvKP", "KRvK")
PAWNS = chess.Board("8/5p2/8/4k3/8/4K3/4P3/8 w - - 0 1")


@dataclass(frozen=True)
class Sound:
    """What a store holds: the bytes of each file by its key, and the arrays read from it."""

    store: Store
    files: dict[str, bytes]
    arrays: dict[str, dict[str, np.ndarray]]


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Sound:
    store = Store(tmp_path_factory.mktemp("sound"))
    for name in CLASSES:
        solve_class(name, store=store)
    solve(PAWNS, Budget(seconds=60.0), store=store)
    keys = sorted(store.keys())
    files = {key: Path(store._path(key)).read_bytes() for key in keys}
    arrays = {}
    for key in keys:
        entry = store.get(key)
        assert entry is not None
        arrays[key] = entry.arrays
    return Sound(store, files, arrays)


def odd_entry(sound: Sound, keys: list[str], rng: random.Random) -> tuple[str, bytes]:
    """The key under whose name a file lies, and what is in it."""
    key = rng.choice(keys)
    data = sound.files[key]
    draw = rng.random()
    if draw < 0.15:  # a sound file under another's name
        return rng.choice(keys), data
    if draw < 0.3:
        other = sound.files[rng.choice(keys)]
        at = rng.randrange(min(len(data), len(other)))
        return key, data[:at] + other[at:]
    for _ in range(rng.choice((1, 1, 2, 5))):
        data = changed_bytes(data, [data[::-1]], rng)
    return key, data


def read_odd_entries(numbers: range, sound: Sound, folder: Path, every: int) -> Counter[str]:
    """An entry is what it was, or absent; answers from such a store are right, or none."""
    counts: Counter[str] = Counter()
    keys = sorted(sound.files)
    odd = Store(folder)
    folder.mkdir(exist_ok=True)
    tables = SyzygyProber()
    kinds = [("KPvK", 20), ("KPvKP", 20), ("KRvK", 5)]
    for number in numbers:
        rng = chance("entry", number)
        key, data = odd_entry(sound, keys, rng)
        path = Path(odd._path(key))
        path.write_bytes(data)
        try:
            entry = odd.get(key)
            if data == sound.files[key]:
                assert entry is not None
            if entry is None:
                counts["refused"] += 1
            else:
                arrays = sound.arrays[key]
                assert entry.arrays.keys() == arrays.keys()
                assert all(np.array_equal(entry.arrays[name], arrays[name]) for name in arrays)
                assert all(entry.arrays[name].dtype == arrays[name].dtype for name in arrays)
                counts["as it was"] += 1
        except BaseException as err:
            err.add_note(f"entry {number}: {key}")
            raise
        path.unlink(missing_ok=True)
        counts["inputs"] += 1
        if number % every == 0:
            counts += _answers_of_odd_store(sound, keys, rng, folder / "asked", tables, kinds)
    return counts


def _answers_of_odd_store(
    sound: Sound,
    keys: list[str],
    rng: random.Random,
    folder: Path,
    tables: SyzygyProber,
    kinds: list[tuple[str, int]],
) -> Counter[str]:
    """Ask a store of which about half the entries are damaged."""
    counts: Counter[str] = Counter()
    odd = Store(folder)
    folder.mkdir(exist_ok=True)
    for key, data in sound.files.items():
        Path(odd._path(key)).write_bytes(data)
    for _ in range(len(keys) // 2):
        key, data = odd_entry(sound, keys, rng)
        Path(odd._path(key)).write_bytes(data)
    prober = SolverProber(odd)
    for name, number in kinds:
        for _ in range(number):
            board = random_legal(name, rng)
            try:
                told = prober.wdl_after_zeroing(board)
            except MissingTable:
                counts["answers missing"] += 1
            else:
                assert told == tables.wdl_after_zeroing(board), board.fen()
                counts["answers right"] += 1
    interval = solve(PAWNS, Budget(seconds=60.0), store=odd).interval(PAWNS)
    assert interval == (tables.outcome(PAWNS).low, tables.outcome(PAWNS).high)
    counts["solved right"] += 1
    return counts


def test_odd_entries_of_a_store(sound: Sound, tmp_path: Path) -> None:
    counts = read_odd_entries(range(600), sound, tmp_path / "odd", 600)
    assert counts["refused"] > 300
    assert min(counts["answers right"], counts["answers missing"]) > 5


@pytest.mark.long
@pytest.mark.parametrize("part", range(PARTS))
def test_many_odd_entries_of_a_store(
    part: int, sound: Sound, tmp_path: Path, tell: Callable[[str, Counter[str]], None]
) -> None:
    tell("store", read_odd_entries(part_of(ENTRIES, part), sound, tmp_path / "odd", 2000))


# --- table files ----------------------------------------------------------------------------------


def odd_table(table: TableFile, rng: random.Random) -> bytes:
    """What a table file holds, with bits turned over, cut short, or with another's bytes."""
    data = bytearray(table.path.read_bytes())
    match rng.randrange(5):
        case 0 | 1:
            for _ in range(rng.choice((1, 1, 2, 8))):
                data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
        case 2:  # in the head, where sizes and lists of men stand
            data[rng.randrange(min(len(data), 64))] = rng.randrange(256)
        case 3:
            del data[rng.choice((rng.randrange(len(data)), len(data) // 64 * 64 - 48)) :]
        case _:
            data = bytearray(changed_bytes(bytes(data), [bytes(data[::-1])], rng))
    return bytes(data)


def read_odd_tables(numbers: range, folder: Path, every: int) -> Counter[str]:
    """A damaged file is refused, and the answers are those of a sound one."""
    counts: Counter[str] = Counter()
    files = [table for table in find_tables() if table.bytes < 20_000]
    assert len(files) > 20
    right = SyzygyProber()
    for number in numbers:
        rng = chance("table", number)
        table = rng.choice(files)
        data = odd_table(table, rng)
        # A folder for each: what was found out of a file is remembered by path, size and time.
        own = folder / str(number) if number % every == 0 else folder
        own.mkdir(parents=True, exist_ok=True)
        path = own / table.path.name
        path.write_bytes(data)
        same = data == table.path.read_bytes()
        try:
            found = fault(path)
            problem = None if found is not None else seal_problem(path)
            assert (found is None and problem is None) == same
            assert found is None or is_one_line(str(found))
            counts["inputs"] += 1
            counts["as it was" if same else "refused by the head" if found else "by the sum"] += 1
            if own != folder:
                # Not built in, so that the damaged file stands in front of a sound one.
                with SyzygyProber([own, bundled_folder()], bundled=False) as prober:
                    for _ in range(10):
                        board = random_legal(table.material, rng)
                        assert prober.wdl_after_zeroing(board) == right.wdl_after_zeroing(board)
                        assert prober.table_dtz(board) == right.table_dtz(board)
                        board.halfmove_clock = rng.randrange(100)
                        assert prober.outcome(board) == right.outcome(board)
                        counts["answers right"] += 1
                    named = {result.path for result in prober.problems}
                    assert named <= {path}
                    counts["set aside"] += len(named)
        except BaseException as err:
            err.add_note(f"table {number}: {table.path.name}")
            raise
        path.unlink()
    return counts


def test_odd_table_files(tmp_path: Path) -> None:
    counts = read_odd_tables(range(300), tmp_path, 50)
    assert min(counts["refused by the head"], counts["by the sum"]) > 50
    assert counts["set aside"] > 0


@pytest.mark.long
@pytest.mark.parametrize("part", range(PARTS))
def test_many_odd_table_files(
    part: int, tmp_path: Path, tell: Callable[[str, Counter[str]], None]
) -> None:
    tell("tables", read_odd_tables(part_of(TABLE_FILES, part), tmp_path, 200))


# --- sudden ends ----------------------------------------------------------------------------------

# Runs a command and counts the calls of functions while it works.  At the call whose number is
# given it sends itself a signal.  With 0 it writes down how many there were, and at which of
# them files were written; with -1 nothing is counted.
TICKING = """
import os, sys
from convert.cli import quiet
number, at = int(sys.argv[1]), int(sys.argv[2])
ticks, marks = 0, []
WRITES = {"mkstemp", "replace", "fsync", "unlink", "rename", "whole_file", "_write"}
def tick(frame, event, what):
    global ticks
    if event not in ("call", "c_call"):
        return
    ticks += 1
    if not at:
        name = frame.f_code.co_name if event == "call" else what.__name__
        if name in WRITES:
            marks.append(ticks)
    elif ticks == at:
        os.kill(os.getpid(), number)
def counted(run, real=quiet._code_of):
    if at >= 0:
        sys.setprofile(tick)
    try:
        return real(run)
    finally:
        sys.setprofile(None)
quiet._code_of = counted
from convert.cli import main
try:
    main(sys.argv[3:])
finally:
    if not at:
        with open(os.environ["TEST_TICKS"], "w") as file:
            file.write(repr((ticks, marks)))
"""
SIGNALS = [(signal.SIGKILL, -9), (signal.SIGTERM, 143), (signal.SIGINT, 130)]
# Short, so that most of the calls are about reading and writing.
GAME = """[Event "Club evening"]
[White "Marrin"]
[Black "Osgood"]
[Result "1/2-1/2"]
[SetUp "1"]
[FEN "8/8/8/4k3/8/4K3/4P3/8 w - - 0 1"]

1. Kd3 Kd5 2. e3 Ke5 3. e4 Ke6 1/2-1/2
"""
KRK = "7k/8/8/8/8/8/8/KR6 w - - 0 1"
COMMANDS: dict[str, list[str]] = {
    "game --json": ["game", "games.pgn", "-q", "--effort", "quick", "--json", "out.json"],
    "game --pgn": ["game", "games.pgn", "-q", "--effort", "quick", "--pgn", "out.pgn"],
    "game --html": ["game", "games.pgn", "-q", "--effort", "quick", "--html", "out.html"],
    "lesson": ["lesson", "-o", "out.html"],
    "collection": ["collection", "games.pgn", "-o", "out", "--effort", "walk", "--jobs", "1", "-q"],
    "solve": ["solve", PAWNS.fen(), "--json", "out.json"],
    "play": ["play", KRK, "--moves", "moves.txt", "-o", "out.pgn"],
}


def _as_a_shell_does() -> None:
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)


def run_ticking(folder: Path, name: str, number: int, at: int) -> subprocess.CompletedProcess[str]:
    """Run a command of ``COMMANDS``, with a signal at a call (0 and -1: to its end)."""
    environment = {
        **os.environ,
        "FULLPOINT_SOLVE": "0",
        "PYTHONPATH": str(ROOT),
        "XDG_CACHE_HOME": str(folder / "cache"),
        "NUMBA_CACHE_DIR": os.environ["NUMBA_CACHE_DIR"],
        "TEST_TICKS": str(folder / "ticks"),
    }
    return subprocess.run(
        [sys.executable, "-c", TICKING, str(int(number)), str(at), *COMMANDS[name]],
        cwd=folder / "desk",
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=_as_a_shell_does,
        timeout=300,
    )


def output_of(folder: Path) -> Path | None:
    """The output of a command, where there is one."""
    found = sorted((folder / "desk").glob("out*"))
    assert len(found) <= 1
    return found[0] if found else None


def content_of(path: Path | None) -> object:
    """What an output tells, without what differs from run to run; None: it is absent."""
    if path is None:
        return None
    if path.is_dir():
        from convert.rim import collection_folder as collections

        return collections.owner_of(str(path / "games")) is not None
    text = path.read_text(encoding="utf-8")
    if path.suffix == ".json":
        document = json.loads(text)
        document.pop("cost", None)
        return document
    if path.suffix == ".html":
        assert text.rstrip().endswith("</html>")
    return text


def leftovers(folder: Path) -> list[Path]:
    """Files with passing names, wherever they lie."""
    return [
        path
        for path in folder.rglob("*")
        if path.name.startswith(".fullpoint-") or path.name.endswith((".part", ".tmp"))
    ]


@dataclass(frozen=True)
class Scene:
    """A command with what it gives when nothing disturbs it, and when it writes."""

    name: str
    folder: Path
    whole: object
    ticks: int
    marks: tuple[int, ...]


def set_scene(folder: Path, name: str) -> Scene:
    desk = folder / "desk"
    desk.mkdir(parents=True)
    (desk / "games.pgn").write_text(GAME, encoding="utf-8")
    (desk / "moves.txt").write_text("Kb2\nKc3\nRb6\nmoves\n", encoding="utf-8")
    # A review finds part of its work done the second time: calls are counted then, or many a
    # signal would come too late.
    for _ in range(2 if name.startswith("game") else 1):
        done = run_ticking(folder, name, 0, 0)
        assert done.returncode == 0, done.stderr
    ticks, marks = eval((folder / "ticks").read_text())
    return Scene(name, folder, content_of(output_of(folder)), ticks, tuple(marks))


def remove_output(scene: Scene) -> None:
    path = output_of(scene.folder)
    if path is not None and path.is_dir():
        shutil.rmtree(path)
    elif path is not None:
        path.unlink()


def store_is_right(scene: Scene, sound: Sound) -> int:
    """Every entry is whole and as in a store that nobody disturbed; their number."""
    store = Store(scene.folder / "cache" / "fullpoint" / "solver")
    keys = store.keys()
    for key in keys:
        entry = store.get(key)
        assert entry is not None, key
        if key in sound.arrays:
            expected = sound.arrays[key]
            assert all(np.array_equal(entry.arrays[name], expected[name]) for name in expected)
    return len(keys)


def end_at(scene: Scene, rng: random.Random, sound: Sound) -> Counter[str]:
    """End a command by chance, look at what it left, and run it again to its end."""
    counts: Counter[str] = Counter()
    number, code = rng.choice(SIGNALS)
    near = bool(scene.marks) and rng.random() < 0.6
    at = rng.choice(scene.marks) + rng.randrange(-30, 31) if near else rng.randrange(scene.ticks)
    at = max(1, at)
    old = rng.random() < 0.5  # else there is no output yet
    if not old:
        remove_output(scene)
    if scene.name == "solve" and rng.random() < 0.7:
        Store(scene.folder / "cache" / "fullpoint" / "solver").clear()
    if scene.name == "collection":
        remove_output(scene)
        old = False
    before = set(leftovers(scene.folder))
    done = run_ticking(scene.folder, scene.name, number, at)
    where = f"{scene.name}: {signal.Signals(number).name} at call {at}: {done.stderr}"
    try:
        assert done.returncode in (code, 0), done.returncode
        assert "Traceback" not in done.stderr
        assert "unforeseen" not in done.stderr
        assert "Exception ignored" not in done.stderr
        counts["ended" if done.returncode == code else "was done before"] += 1
        counts[signal.Signals(number).name] += done.returncode == code
        path = output_of(scene.folder)
        content = content_of(path)
        if scene.name == "collection":
            counts["left in part" if content else "nothing left"] += 1
        elif scene.name == "play" and content not in (None, scene.whole):
            assert isinstance(content, str)
            game = chess.pgn.read_game(io.StringIO(content))
            assert game is not None
            assert not game.errors
            assert content.rstrip().endswith(("*", "1-0"))
            counts["game saved in part"] += 1
        elif scene.name == "solve" and isinstance(content, dict) and content["stopped"]:
            # Settled, then stopped: what was found out is told as ever.
            assert content == {**cast("dict[str, object]", scene.whole), "stopped": True}
            counts["told, though stopped"] += 1
        else:
            assert content == scene.whole or (content is None and not old)
            counts["output whole" if content is not None else "no output"] += 1
        strays = set(leftovers(scene.folder)) - before
        if number == signal.SIGKILL:
            # A collection writes its five tables side by side.
            assert len(strays) <= (5 if scene.name == "collection" else 1)
            counts["passing files left by SIGKILL"] += len(strays)
        else:
            assert not strays
        if scene.name == "solve":
            counts["store entries read"] += store_is_right(scene, sound)
        again = run_ticking(scene.folder, scene.name, 0, -1)
        assert again.returncode == 0, again.stderr
        assert content_of(output_of(scene.folder)) == scene.whole
        # What a killed writer left the next one takes away.
        assert not leftovers(scene.folder / "desk")
        counts["run again"] += 1
    except BaseException as err:
        err.add_note(where)
        raise
    return counts


def end_many(name: str, numbers: range, folder: Path, sound: Sound) -> Counter[str]:
    counts: Counter[str] = Counter()
    scene = set_scene(folder, name)
    for number in numbers:
        counts += end_at(scene, chance(f"end {name}", number), sound)
    return counts


@pytest.mark.slow
@pytest.mark.parametrize("name", ["lesson", "play"])
def test_sudden_ends(name: str, sound: Sound, tmp_path: Path) -> None:
    assert end_many(name, range(2), tmp_path / "scene", sound)["run again"] == 2


@pytest.mark.long
@pytest.mark.parametrize("part", range(PARTS))
@pytest.mark.parametrize("name", COMMANDS)
def test_many_sudden_ends(
    name: str,
    part: int,
    sound: Sound,
    tmp_path: Path,
    tell: Callable[[str, Counter[str]], None],
) -> None:
    times = -(-ENDS * 21 // 20 // len(COMMANDS))  # some come too late
    tell(f"ends of {name}", end_many(name, part_of(times, part), tmp_path / "scene", sound))
