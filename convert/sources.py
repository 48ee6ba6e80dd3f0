"""Games and positions in: PGN, EPD and FEN, record by record, troubles kept with their place.

PGN is read as the *Portable Game Notation Specification and Implementation Guide* (1994) asks of
an import (section 3: be lax in what is read).  Nothing here prints or logs.  A file is streamed:
what is held in memory is a game or two, whatever the size of the file.

Containers and text
    Plain, gzip and zstd files are told apart by their first bytes, so a wrong name does no harm;
    ``-`` is standard input and may be compressed too.  zstd needs the ``zstandard`` package, or the
    standard library's ``compression.zstd`` (Python 3.14).  A game is UTF-8 (a byte order mark is
    skipped) or else, as the 1994 text has it (section 4.1), ISO 8859-1, decided game by game.
    UTF-16, archives, binary files, EPD and text without any game are refused with a `SourceError`.
    A file that unpacks to far more than its size (`unpacking_limit`) is refused at that place.
    If a compressed file breaks off, the games before the break are given, the game at the break is
    given with ``complete=False``, and then a `SourceError` says that the file is damaged.

Where a game ends
    At its termination token outside comments and variations, or where a tag pair starts a line
    after moves.  Blank lines do not end a game.  Comments behind the token on its line belong to
    the game.  A brace comment before the tags becomes the game's opening comment.  Lines that start
    with ``%`` (section 6) and ``;`` comments between games are skipped; a ``%`` inside a brace
    comment is text.  If a comment is still open when a tag pair of the Seven Tag Roster follows a
    blank line (or two such tag pairs follow each other), it is taken as unclosed: reported, and the
    next game starts.  Comments behind the last game are skipped.  A game of more than
    `MAX_GAME_BYTES` is refused and reading goes on at the next tags.

What is reported (a `Problem` each) and what it does
    ======================================  ====================================================
    illegal or ambiguous move, null move    main line: ends before it, ``complete=False``;
    where one cannot be, or a token that    variation: the whole variation is dropped, the main
    must have been meant as a move          line is untouched
    null move (``--``, ``Z0``, ``0000``)    main line: ends before it, ``complete=False``;
                                            variation: allowed unless the side is in check
    any other unknown token                 left out, reading goes on
    ``)`` without ``(``, stray ``}``        left out, reading goes on
    ``(`` without ``)``, unclosed comment   closed at the end of the game, ``complete=False``
    variation before the first move of      dropped
    its line, or nested deeper than
    `MAX_DEPTH`
    variation without moves                 its comments go to the move before it
    NAG without a move, or above 255        left out
    wrong move number                       noted once a game
    malformed, repeated tag pair            noted; the last of repeated ones counts
    no result, or Result tag and            noted; the tag counts unless it is missing or ``*``
    termination token differ
    no moves                                noted
    FEN without halfmove clock              noted: the clock is assumed to be 0
    SetUp "0" beside another start          noted, the FEN is used
    broken FEN, illegal start position,     ``game=None``, fatal
    SetUp "1" without FEN, malformed FEN,
    SetUp or Variant tag, any variant
    Chess960 castling rights, a
    game that is too long
    text without tags and moves             noted with the next game; at the end: ``game=None``
    ======================================  ====================================================
"""

from __future__ import annotations

import importlib
import io
import math
import os
import re
import sys
import zlib
from collections.abc import Callable, Iterator, MutableMapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, BinaryIO, TypeVar

import chess
import chess.pgn

from convert.fen import SourceError, clock_notes, one_line, parse_fen
from convert.safe_text import file_text

__all__ = [
    "MAX_DEPTH",
    "MAX_GAME_BYTES",
    "MAX_PROBLEMS",
    "DamagedSource",
    "GameRead",
    "LineRead",
    "PositionRead",
    "Problem",
    "SourceError",
    "game_stops",
    "games_of",
    "is_packed",
    "parse_fen",
    "read_games",
    "read_positions",
    "refuse_other_text",
    "text_chunks",
    "unpacking_limit",
]

MAX_GAME_BYTES = 4 << 20
"""Longest text of one game, in bytes; a longer one is refused."""

MAX_DEPTH = 100
"""Deepest nesting of variations that is read; a deeper variation is dropped."""

MAX_PROBLEMS = 50
"""Most problems kept for one game; the last of them then counts the others."""

MAX_RETRIES = 200
"""Most variations of one game that are dropped one by one; then all the others are."""

MAX_UNPACKED = 100 * 10**9
"""Most bytes that a compressed file may unpack to, unless the user says otherwise."""

MAX_SWELLING = 100
"""How many times its size a compressed file may unpack to; files of games shrink to a fifth or so.
The first `FREE_UNPACKED` bytes do not count: a short file may repeat itself."""

FREE_UNPACKED = 64 << 20

LIMIT_NAME = "FULLPOINT_UNPACK_GB"
"""Environment variable: GB (10^9 bytes) that a file may unpack to, in place of both limits."""

_RETRY_WORK = 20_000_000  # bytes: a long game is not read anew as often as a short one
_CHUNK = 1 << 16
_STDIN = "standard input"


@dataclass(frozen=True)
class Problem:
    """Something wrong in a source, with its place.

    Attributes:
        source: name of the source.
        game: number of the game in its source, from 1; None outside games.
        line: line number in the (decompressed) source, from 1.
        ply: plies from the start of the game, 1 = first move, of the move concerned or of the
            last main-line move before the trouble; None where no move is concerned.
        reason: what is wrong and what was done about it, in words.
        fatal: True where nothing of the game or position can be used.
        at: the move concerned with its number, as "7...Nf6".
    """

    source: str
    game: int | None
    line: int | None
    ply: int | None
    reason: str
    fatal: bool = False
    at: str | None = None

    def __str__(self) -> str:
        place = []
        if self.game is not None:
            place.append(f"game {self.game}")
        if self.line is not None:
            place.append(f"line {self.line}")
        if self.at is not None:
            place.append(f"at {self.at}" + (f" (ply {self.ply})" if self.ply is not None else ""))
        elif self.ply is not None:
            place.append(f"ply {self.ply}")
        return ": ".join([self.source, *([", ".join(place)] if place else []), self.reason])


@dataclass(frozen=True)
class GameRead:
    """One game of a source.

    Attributes:
        source: name of the source.
        number: number of the game in its source, from 1.
        line: line on which its text starts, from 1.
        game: the game with its variations, comments and NAGs, tag values unescaped; None where
            nothing can be reviewed.
        moves: the main line, up to the first move that cannot be used.
        problems: everything that was found wrong, by line.
        complete: True if the main line was read to its end.
    """

    source: str
    number: int
    line: int
    game: chess.pgn.Game | None
    moves: tuple[chess.Move, ...]
    problems: tuple[Problem, ...]
    complete: bool


@dataclass(frozen=True)
class LineRead:
    """One game of a source without its variations, comments and NAGs (`convert.fastread`).

    Attributes:
        source: name of the source.
        number: number of the game in its source, from 1.
        line: line on which its text starts, from 1.
        headers: tag values unescaped, the Seven Tag Roster complete, as in the headers of
            `GameRead.game`; None where nothing can be reviewed.
        start: the start position, shared between games and not to be changed; None where
            ``headers`` is.
        moves: the main line, up to the first move that cannot be used.
        problems: everything that was found wrong, by line.
        complete: True if the main line was read to its end.
    """

    source: str
    number: int
    line: int
    headers: dict[str, str] | None
    start: chess.Board | None
    moves: tuple[chess.Move, ...]
    problems: tuple[Problem, ...]
    complete: bool


@dataclass(frozen=True)
class PositionRead:
    """One position of an EPD or FEN file.

    Attributes:
        source: name of the source.
        line: its line, from 1.
        board: the position, clocks from the FEN or from ``hmvc`` and ``fmvn``; None if unusable.
        operations: EPD operations by opcode; moves as `chess.Move` (``bm``, ``am``, ``pv``: lists).
        problems: everything that was found wrong.
    """

    source: str
    line: int
    board: chess.Board | None
    operations: dict[str, Any]
    problems: tuple[Problem, ...]


# --- bytes in -----------------------------------------------------------------------------------


class _DamagedError(Exception):
    """The source breaks off or its compression is broken; args[0] says how."""


class _TooMuchError(_DamagedError):
    """It unpacks to more than is allowed."""


_GZIP = b"\x1f\x8b"
_ZSTD_FRAME = re.compile(rb"\x28\xb5\x2f\xfd|[\x50-\x5f]\x2a\x4d\x18")
_ARCHIVES = {
    b"PK\x03\x04": "a zip archive",
    b"PK\x05\x06": "a zip archive",
    b"BZh": "a bzip2 file",
    b"\xfd7zXZ\x00": "an xz file",
    b"7z\xbc\xaf\x27\x1c": "a 7z archive",
    b"Rar!\x1a\x07": "a rar archive",
    b"%PDF-": "a PDF file",
}
_UTF16 = (b"\xff\xfe", b"\xfe\xff")
_BOM = b"\xef\xbb\xbf"


@dataclass
class _Bytes:
    """Decompressed lines of an open stream, without their line ends; `damage` is set on a break."""

    source: str
    stream: BinaryIO
    damage: str | None = None

    def lines(self) -> Iterator[bytes]:
        """Lines at LF, CR LF or CR; of one much longer than `MAX_GAME_BYTES` the start.

        Raises:
            SourceError: empty, binary, UTF-16 or archive.
        """
        rest = b""
        first = True
        overlong = False  # the start of the present line was given already
        try:
            for chunk in self._chunks():
                if first:
                    first = False
                    _refuse_foreign(self.source, chunk)
                    chunk = chunk.removeprefix(_BOM)
                data = rest + chunk
                if b"\r" in data:
                    held = data.endswith(b"\r")  # its LF may come with the next chunk
                    data = data[:-1] if held else data
                    data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
                    *parts, rest = data.split(b"\n")
                    rest += b"\r" if held else b""
                else:
                    *parts, rest = data.split(b"\n")
                if overlong and parts:
                    overlong = False
                    del parts[0]
                yield from parts
                if len(rest) > MAX_GAME_BYTES:
                    if not overlong:
                        yield rest
                    overlong = True
                    rest = b""
        except _DamagedError as error:
            self.damage = str(error)
            rest = rest[: len(rest) - len(re.split(rb"[ \t]", rest)[-1])]  # O-O may have been O-O-O
        if first and self.damage is None:
            raise SourceError(self.source, "empty file")
        rest = rest.removesuffix(b"\r")
        if rest and not overlong:
            yield rest

    def _chunks(self) -> Iterator[bytes]:
        raw = self._raw()
        head = b""
        for chunk in raw:
            head += chunk
            if len(head) >= 512:
                break
        if head.startswith(_GZIP):
            packed = _Counted(_chain(head, raw))
            yield from _limited_to_size(packed, _gunzip(packed))
        elif _ZSTD_FRAME.match(head):
            packed = _Counted(_chain(head, raw))
            unpacked = _unzstd(packed, _zstd_factory(self.source))
            yield from _limited_to_size(packed, unpacked)
        else:
            yield from _chain(head, raw)

    def _raw(self) -> Iterator[bytes]:
        read = getattr(self.stream, "read1", self.stream.read)
        while True:
            try:
                chunk = read(_CHUNK)
            except OSError as error:
                raise _DamagedError(f"cannot be read further: {error.strerror or error}") from error
            if not chunk:
                return
            yield chunk


def _chain(head: bytes, rest: Iterator[bytes]) -> Iterator[bytes]:
    if head:
        yield head
        yield from rest


class _Counted:
    """Passes pieces on and counts their bytes."""

    def __init__(self, chunks: Iterator[bytes]) -> None:
        self.chunks = chunks
        self.bytes = 0

    def __iter__(self) -> Iterator[bytes]:
        return self

    def __next__(self) -> bytes:
        chunk = next(self.chunks)
        self.bytes += len(chunk)
        return chunk


def unpacking_limit() -> int | None:
    """Bytes that the user lets a compressed file unpack to; None if nothing is said.

    Raises:
        SourceError: what is said is not a number above 0.
    """
    text = os.environ.get(LIMIT_NAME, "").strip()
    if not text:
        return None
    try:
        number = float(text) * 10**9
    except ValueError:
        number = math.nan
    if not 0 < number < math.inf:
        raise SourceError(LIMIT_NAME, f"{text!r} is not a number of GB above 0")
    return int(number)


def _limited_to_size(packed: _Counted, unpacked: Iterator[bytes]) -> Iterator[bytes]:
    """What a file unpacks to, as long as that is a text of games and no trap.

    Raises:
        SourceError: what the user says of the limit is not understood.
        _TooMuchError: it has become too much.
    """
    allowed = unpacking_limit()
    most = MAX_UNPACKED if allowed is None else allowed
    total = 0
    for chunk in unpacked:
        limit, reason = most, f"more than {most / 10**9:g} GB"
        swollen = max(FREE_UNPACKED, MAX_SWELLING * packed.bytes)
        if allowed is None and swollen < most:
            limit, reason = swollen, f"more than {MAX_SWELLING} times its size"
        if total + len(chunk) > limit:
            yield chunk[: max(0, limit - total)]
            raise _TooMuchError(f"unpacks to {reason}; {LIMIT_NAME} sets the GB allowed")
        total += len(chunk)
        yield chunk


def _gunzip(chunks: Iterator[bytes]) -> Iterator[bytes]:
    """Members of a gzip file one after the other (RFC 1952, section 2.2)."""
    inflate = zlib.decompressobj(wbits=31)
    for chunk in chunks:
        while chunk:
            if inflate.eof:
                chunk = chunk.lstrip(b"\0")  # padding after the last member is allowed
                if not chunk:
                    break
                inflate = zlib.decompressobj(wbits=31)
            try:
                data = inflate.decompress(chunk, 16 * _CHUNK)
            except zlib.error as error:
                raise _DamagedError(f"gzip data damaged ({error})") from error
            chunk = inflate.unused_data if inflate.eof else inflate.unconsumed_tail
            if data:
                yield data
    if not inflate.eof:
        raise _DamagedError("gzip data breaks off before its end")


def _unzstd(chunks: Iterator[bytes], factory: Callable[[], Any]) -> Iterator[bytes]:
    """Frames of a zstd file one after the other (RFC 8878, section 3)."""
    unpack = factory()
    for chunk in chunks:
        for start in range(0, len(chunk), 4096):  # small bites: one bite can unpack to much
            bite = chunk[start : start + 4096]
            while bite:
                if unpack.eof:
                    unpack = factory()
                try:
                    data = unpack.decompress(bite)
                except Exception as error:  # two libraries, each with its own error class
                    raise _DamagedError(f"zstd data damaged ({error})") from error
                bite = unpack.unused_data if unpack.eof else b""
                if data:
                    yield data
    if not unpack.eof:
        raise _DamagedError("zstd data breaks off before its end")


def _zstd_factory(source: str) -> Callable[[], Any]:
    try:
        stdlib = importlib.import_module("compression.zstd")
    except ImportError:
        pass
    else:
        decompressor: Callable[[], Any] = stdlib.ZstdDecompressor
        return decompressor
    try:
        package = importlib.import_module("zstandard")
    except ImportError as error:
        raise SourceError(
            source, "zstd compressed: reading it needs the zstandard package or Python 3.14"
        ) from error
    return lambda: package.ZstdDecompressor().decompressobj()


def _refuse_foreign(source: str, head: bytes) -> None:
    if head.startswith(_UTF16):
        raise SourceError(source, "UTF-16 text: save it as UTF-8")
    for magic, name in _ARCHIVES.items():
        if head.startswith(magic):
            raise SourceError(source, f"{name}, not a text file of games or positions")
    sample = head[:4096]
    if b"\0" in sample:
        halves = sample[0::2].count(b"\0"), sample[1::2].count(b"\0")
        if max(halves) > len(sample) // 3 and min(halves) == 0:
            raise SourceError(source, "UTF-16 text: save it as UTF-8")
        raise SourceError(source, "a binary file, not text")


def _open(path: str | Path, stdin: BinaryIO | None) -> tuple[str, BinaryIO, bool]:
    """Name, stream, and whether the stream is ours to close."""
    if str(path) == "-":
        return _STDIN, stdin if stdin is not None else sys.stdin.buffer, False
    source = file_text(path)
    try:
        return source, open(path, "rb", buffering=0), True
    except FileNotFoundError as error:
        raise SourceError(source, "no such file") from error
    except IsADirectoryError as error:
        raise SourceError(source, "a folder, not a file") from error
    except PermissionError as error:
        reason = "a folder, not a file" if Path(path).is_dir() else "no permission to read it"
        raise SourceError(source, reason) from error
    except (OSError, ValueError) as error:
        told = getattr(error, "strerror", None) or error
        raise SourceError(source, f"cannot be opened: {told}") from error


def _decoded(raw: bytes) -> str:
    return raw.decode(_encoding(raw))


def _encoding(raw: bytes) -> str:
    if raw.isascii():
        return "ascii"
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        return "iso-8859-1"
    return "utf-8"


# --- splitting a file into games ----------------------------------------------------------------


@dataclass
class _Block:
    """The text of one game: tag lines, comment before them, movetext with its first line."""

    head: list[tuple[int, bytes]] = field(default_factory=list)
    names: set[bytes] = field(default_factory=set)
    preface: bytes = b""
    body_line: int = 0
    body: list[bytes] = field(default_factory=list)
    size: int = 0
    too_long: int = 0
    ended: bool = True  # False: the source ended first
    # The next game starts on the line after this one; 0: within a line, or a line is left open.
    stop: int = 0

    @property
    def line(self) -> int:
        return self.head[0][0] if self.head else self.too_long or self.body_line

    def __bool__(self) -> bool:
        return bool(self.head or self.body or self.too_long)


_BLANK = b" \t\r\f\v\x1a"  # 0x1A: end-of-file mark of old systems
_NAME = rb"[A-Za-z0-9][A-Za-z0-9_+#=:-]*"
_TAG_START = re.compile(rb"\s*\[\s*(" + _NAME + rb')\s*"')
_ROSTER_TAG = re.compile(
    rb'\[\s*(Event|Site|Date|Round|White|Black|Result)\s*"[^\n]*"\s*\]\s*$', re.DOTALL
)
_ONLY_COMMENTS = re.compile(rb"\s*(?:\{[^}]*\}\s*)+")
# A termination token stands alone, or right behind a comment, a variation or a move number.
_RESULT_AT = re.compile(rb"(?<![^ \t\r\f\v)}.])(?:1-0|0-1|1/2-1/2|\*)(?=[ \t\r\f\v(){};]|\Z)")
# Everything up to the next byte that matters, closed comments included, in one call.
_PLAIN = re.compile(rb"(?:[^{;()*01]++|\{[^}]*+\}|(?!1-0|0-1|1/2-1/2)[01])*+")
_TRAILER = re.compile(rb"(?:[ \t\r\f\v\x1a]++|\{[^}]*+\})*+")


def _split(lines: Iterator[bytes], lines_before: int = 0) -> Iterator[_Block]:
    """Blocks of text, one a game, from the lines of a PGN file or of a part of one."""
    head, body, tail, comment, resync = range(5)
    block = _Block()
    state = head
    depth = 0
    blank = True  # the line before was blank (or there was none)
    over = False  # the open comment stands behind the termination token
    candidate: tuple[int, bytes] | None = None  # tag line inside an open comment

    for number, line in enumerate(lines, lines_before + 1):
        start = pos = 0
        block.size += len(line) + 1
        if block.size > MAX_GAME_BYTES and state != resync:
            block = _Block(too_long=block.line or number)
            state = resync
            blank = not line.strip(_BLANK)
            continue
        while True:
            if state == body:
                if pos == 0:
                    if line[:1] == b"%":
                        block.body.append(line)
                        break
                    if b"[" in line and _TAG_START.match(line):
                        text = b"\n".join(block.body)
                        if not block.head and _ONLY_COMMENTS.fullmatch(text):
                            block.preface += text
                            block.body, block.body_line = [], 0
                        else:
                            block.stop = number - 1
                            yield block
                            block = _Block(size=len(line) + 1)
                        state, depth, blank = head, 0, False
                        continue
                pos = _PLAIN.match(line, pos).end()  # type: ignore[union-attr]
                mark = line[pos : pos + 1]
                if mark == b"(":
                    depth += 1
                    pos += 1
                elif mark == b")":
                    depth = max(0, depth - 1)
                    pos += 1
                elif mark == b"{":
                    block.body.append(line[start:])
                    state, over, blank, candidate = comment, False, False, None
                    break
                elif not mark or mark == b";":
                    block.body.append(line[start:])
                    break
                else:
                    found = None if depth else _RESULT_AT.match(line, pos)
                    if found:
                        state, pos = tail, found.end()
                    else:
                        pos += 1
            elif state == tail:
                pos = _TRAILER.match(line, pos).end()  # type: ignore[union-attr]
                mark = line[pos : pos + 1]
                if mark == b"{":
                    block.body.append(line[start:])
                    state, over, blank, candidate = comment, True, False, None
                    break
                if mark == b";":
                    pos = len(line)
                if start < pos:
                    block.body.append(line[start:pos])
                block.stop = number if pos == len(line) else 0
                yield block
                block = _Block(size=len(line) - pos)
                state, depth, blank = head, 0, False
                start = pos
                if pos == len(line):
                    break
            elif state == head:
                text = line[start:].strip(_BLANK)
                if start == 0 and text[:3] == _BOM:
                    line = line.replace(_BOM, b"", 1)
                    text = text[3:].strip(_BLANK)
                if not text:
                    blank = True
                    break
                if line[:1] == b"%" and start == 0:
                    break
                if text[:1] == b";" and not block.head:
                    break
                if text[:1] == b"[":
                    tag = _TAG_START.match(text)
                    name = tag[1] if tag else b""
                    if blank and name in block.names:
                        block.stop = number - 1
                        yield block
                        block = _Block(size=len(line) + 1)
                    if tag:
                        block.names.add(name)
                    block.head.append((number, text))
                    blank = False
                    break
                if text[:1] == b'"' and block.head and not block.head[-1][1].endswith(b"]"):
                    first, before = block.head[-1]  # a tag pair over several lines
                    block.head[-1] = (first, before + b" " + text)
                    break
                block.body_line = block.body_line or number
                state, pos = body, start
            elif state == comment:
                if pos == 0:
                    if not line.strip(_BLANK):
                        blank, candidate = True, None
                        block.body.append(line)
                        break
                    tag = _ROSTER_TAG.match(line) if line[:1] == b"[" else None
                    if tag and (blank or candidate):
                        earlier = candidate
                        if earlier:
                            block.body.pop()
                        block.stop = 0 if earlier else number - 1
                        yield block
                        block = _Block(size=len(line) + 1)
                        if earlier:
                            block.head.append(earlier)
                        state, depth, blank, candidate = head, 0, False, None
                        continue
                    candidate = (number, line) if tag else None
                    blank = False
                close = line.find(b"}", pos)
                if close < 0:
                    block.body.append(line[start:])
                    break
                state, pos, candidate = (tail if over else body), close + 1, None
            else:  # resync
                tag = _ROSTER_TAG.match(line)
                if tag and (blank or tag[1] == b"Event"):
                    block.stop = number - 1
                    yield block
                    block = _Block(size=len(line) + 1)
                    state, depth, blank = head, 0, False
                    continue
                blank = not line.strip(_BLANK)
                break
    if block:
        block.ended = False
        yield block


# --- one game -----------------------------------------------------------------------------------

_TAG = re.compile(r'\[\s*([A-Za-z0-9][A-Za-z0-9_+#=:-]*)\s*"((?:[^"\\]|\\.)*)"\s*\]')
_LOOSE_TAG = re.compile(r'\[\s*([A-Za-z0-9][A-Za-z0-9_+#=:-]*)\s*"(.*)"\s*\]\Z')
_ESCAPED = re.compile(r'\\(["\\])')
_START_TAGS = re.compile(r"\[\s*(FEN|SetUp|Variant)\b", re.IGNORECASE)
_RESULTS = ("1-0", "0-1", "1/2-1/2", "*")
_STANDARD = frozenset({"", "standard", "chess", "classical", "normal", "from position"})

_SAN = r"(?:[NBKRQ]?[a-h]?[1-8]?x?[a-h][1-8](?:=[NBRQ])?|O-O(?:-O)?)[+#]?"
# Movetext of numbers, moves and a result alone, as most games have it.
_SIMPLE = re.compile(rf"\s*+(?:(?:[0-9]{{1,4}}\.\s++)?{_SAN}\s++)*+(1-0|0-1|1/2-1/2|\*)\s*+")
_COUNT = [f"{number}." for number in range(1, 501)]
_TOKEN = re.compile(
    r"""
    (?P<move>(?:[NBKRQP]?[a-h]?[1-8]?[-x]?[a-h][1-8](?:=?[nbrqkNBRQK])?
        |O-O(?:-O)?|0-0(?:-0)?)(?![A-Za-z0-9]|-[O0])[+\#]{0,2})
    |(?P<result>(?<![^\s)}.])(?:1-0|0-1|1/2-1/2|\*)(?=[\s(){};]|\Z))
    |(?P<null>(?:--|Z0|0000)(?![\w-]))
    |(?P<number>[0-9]{1,4})(?:\.+|…|(?=[\s{;]|\Z))
    |(?P<plain>\{\ ?[^\s}](?:[^}\n]*[^\s}])?\ ?\})
    |(?P<comment>\{[^}]*\}?)
    |(?P<nag>\$[0-9]{1,3}(?![0-9]))
    |(?P<glyph>[!?]+)
    |(?P<open>\()
    |(?P<close>\))
    |(?P<line>;[^\n]*)
    |(?P<skip>^%[^\n]*|\.+|…|e\.p\.|ep\b)
    |(?P<unknown>\}|[^\s(){};$!?]+|\$)
    """,
    re.VERBOSE | re.MULTILINE,
)
_COMMENT = re.compile(r"\{[^}]*\}")
_SPACE = " \t\n\r\f\v"  # not the no-break space, which is part of a comment
_MOVE_LIKE = re.compile(r"[a-h][1-8]|[a-h]x[a-h]|^[oO0](?:[-\u2013\u2014]?[oO0]){1,2}[+#]*$|^@@@@$")
_GLYPHS = frozenset({"!", "?", "!!", "??", "!?", "?!"})


@dataclass
class _Scan:
    """Movetext after the strict look: `text` holds only what python-chess reads as we do."""

    text: str = ""
    # offsets of the moves, in the order of `text`
    moves_at: list[int] = field(default_factory=list)
    # variations: index of the first move, of the one after the last, offset of the "("
    spans: list[tuple[int, int, int]] = field(default_factory=list)
    main: int = 0  # moves of the main line
    result: str | None = None
    cut: bool = False  # the main line had to be ended
    open_end: bool = False  # a comment or variation was not closed
    unknown: int = 0  # tokens
    # offset, ply or None, move with its number or None, reason
    notes: list[tuple[int, int | None, str | None, str]] = field(default_factory=list)


# open variations: moves before, index in the text written, offset of the "(", first move
_Stack = list[tuple[int, int, int, int]]


def _scan_simple(text: str) -> _Scan | None:
    """What `_scan` finds, but for `moves_at`, where a game has nothing that needs a closer look.

    That is: numbers, moves and a result alone, White first, numbered "1." from 1 on, each White
    move.  Such text is checked at the speed of the regular expressions.
    """
    simple = _SIMPLE.fullmatch(text)
    if simple is None:
        return None
    words = text.split()
    numbers = words[:-1:3]
    if numbers != _COUNT[: len(numbers)]:
        return None
    return _Scan(text=" ".join(words), main=len(words) - 1 - len(numbers), result=simple[1])


def _scan(text: str, first_number: int, black_first: bool, dropped: frozenset[int]) -> _Scan:
    """Check movetext token by token and write it anew without what cannot be used.

    Args:
        text: movetext.
        first_number: fullmove number of the start position.
        black_first: True if Black moves first.
        dropped: offsets of the "(" of variations to leave out.
    """
    scan = _Scan()
    out: list[str] = []
    moves_at = scan.moves_at
    notes = scan.notes
    stack: _Stack = []
    here = 0  # moves in the present line
    skip = 0  # depth inside a variation that is left out
    numbered = True
    inside: tuple[int, re.Match[str]] | None = None  # last result in a variation, and its note
    reason = ""
    tokens = _TOKEN.finditer(text)

    for token in tokens:
        kind = token.lastgroup
        if kind == "move":
            if skip:
                continue
            san = token[0]
            out.append(san[1:] if san[0] == "P" else san)
            moves_at.append(token.start())
            here += 1
        elif kind == "number":
            if numbered and not stack and not skip:
                due = first_number + (here + black_first) // 2
                if int(token["number"]) != due:
                    numbered = False
                    reason = f"move number {token['number']} where {due} is due"
        elif kind == "plain":
            if not skip:
                out.append(token[0])
        elif kind == "comment":
            if skip:
                continue
            inner = token[0][1:]
            if inner.endswith("}"):
                inner = inner[:-1]
            else:
                scan.open_end = True
                reason = "comment without '}': what follows it is not read"
            _add_comment(out, inner)
        elif kind == "open":
            if skip:
                skip += 1
            elif token.start() in dropped:
                skip = 1
            elif not here:
                reason = "variation before the first move of its line: dropped"
                skip = 1
            elif len(stack) >= MAX_DEPTH:
                reason = f"variation nested deeper than {MAX_DEPTH}: dropped"
                skip = 1
            else:
                stack.append((here, len(out), token.start(), len(moves_at)))
                out.append("(")
                here = 0
        elif kind == "close":
            if skip:
                skip -= 1
            elif not stack:
                reason = "')' without '('"
            else:
                here = _close(scan, out, stack, here)
        elif skip or kind == "skip":
            continue
        elif kind == "nag":
            if not here:
                reason = f"NAG {token[0]} without a move: left out"
            elif int(token[0][1:]) > 255:
                reason = f"NAG {token[0]} above $255: left out"
            else:
                out.append(token[0])
        elif kind == "glyph" and token[0] in _GLYPHS:
            if here:
                out.append(token[0])
            else:
                reason = f"{token[0]!r} without a move: left out"
        elif kind == "line":
            _add_comment(out, token[0][1:].replace("}", ")"))
        elif kind == "result":
            if stack or scan.result:
                inside = (len(notes), token)
                reason = f"result {token[0]} inside the moves: left out"
            else:
                scan.result = token[0]
        elif kind == "null" and stack:
            out.append("--")
            moves_at.append(token.start())
            here += 1
        else:  # a token we do not know, or a null move in the main line
            scan.unknown += kind != "null"
            what = "null move" if kind == "null" else "unknown move"
            if kind != "null" and not _MOVE_LIKE.search(token[0]):
                shown = f"{token[0][:30]!r}" + (" ..." if len(token[0]) > 30 else "")
                reason = f"unknown token {shown}: left out"
            elif stack:
                reason = f"{what} {token[0]!r}: the variation is dropped"
                here = _drop(scan, out, stack)
                skip = 1
            else:
                ply = here + 1
                label = _label(first_number, black_first, ply, token[0])
                cut = f"{what} {token[0]!r}: the main line ends before it"
                notes.append((token.start(), ply, label, cut))
                scan.cut = True
                break
        if reason:
            notes.append((token.start(), _main_ply(stack, here), None, reason))
            reason = ""
    if scan.cut:
        scan.result = _result_in(tokens)
    if stack and inside and not scan.result and not text[inside[1].end() :].strip():
        scan.result = inside[1][0]  # it ends the game, and only a ")" is missing
        del notes[inside[0]]
    if stack or (skip and not scan.cut):
        scan.open_end = True
        offset = stack[-1][2] if stack else len(text.rstrip()) - 1
        reason = "'(' without ')': moves of the main line may be missing"
        notes.append((offset, _main_ply(stack, here), None, reason))
    while stack:
        here = _close(scan, out, stack, here)
    scan.main = here
    out.append("*")
    # python-chess copies the rest of the line at each comment: keep lines short in long games
    scan.text = (
        " ".join(out)
        if len(out) < 1000
        else "\n".join(" ".join(out[i : i + 100]) for i in range(0, len(out), 100))
    )
    return scan


def _main_ply(stack: _Stack, here: int) -> int | None:
    return (stack[0][0] if stack else here) or None


def _add_comment(out: list[str], inner: str) -> None:
    inner = inner.strip(_SPACE)
    if "\n" in inner:  # a line end in a comment is white space, and a blank line would end the game
        inner = " ".join(filter(None, [line.strip(_SPACE) for line in inner.split("\n")]))
    if inner:
        out.append("{" + inner + "}")


def _close(scan: _Scan, out: list[str], stack: _Stack, here: int) -> int:
    """End the innermost variation; returns the number of moves in the line around it."""
    before, index, offset, first = stack.pop()
    if here:
        out.append(")")
        scan.spans.append((first, len(scan.moves_at), offset))
    else:
        comments = out[index + 1 :]
        out[index:] = comments
        reason = "variation without moves" + (
            ": its comment is kept with the move before" if comments else ": left out"
        )
        scan.notes.append((offset, (stack[0][0] if stack else before) or None, None, reason))
    return before


def _drop(scan: _Scan, out: list[str], stack: _Stack) -> int:
    """Take the innermost variation back; returns the number of moves in the line around it."""
    before, index, _, first = stack.pop()
    del out[index:]
    del scan.moves_at[first:]
    while scan.spans and scan.spans[-1][1] > first:
        scan.spans.pop()
    return before


def _result_in(tokens: Iterator[re.Match[str]]) -> str | None:
    depth = 0
    for token in tokens:
        kind = token.lastgroup
        if kind == "open":
            depth += 1
        elif kind == "close":
            depth = max(0, depth - 1)
        elif kind == "result" and not depth:
            return token[0]
    return None


def _label(first_number: int, black_first: bool, ply: int, san: str) -> str:
    number, black = divmod(ply - 1 + black_first, 2)
    return f"{first_number + number}{'...' if black else '.'}{san}"


class _BadMoveError(Exception):
    """A move that cannot be played; stops python-chess at once."""

    def __init__(self, index: int, ply: int, at: str, reason: str) -> None:
        super().__init__(reason)
        self.index = index
        self.ply = ply
        self.at = at
        self.reason = reason


class _Builder(chess.pgn.GameBuilder[chess.pgn.Game]):
    """python-chess's builder with our tags, stopping at the first bad move instead of logging.

    python-chess goes on after a bad move in a variation, but with the variation's board for the
    rest of the main line, so it must not get that far.
    """

    def __init__(self, tags: dict[str, str]) -> None:
        super().__init__(Game=chess.pgn.Game)
        self.tags = tags
        self.index = -1

    def begin_headers(self) -> chess.pgn.Headers:
        self.game.headers.update(self.tags)
        return self.game.headers

    def parse_san(self, board: chess.Board, san: str) -> chess.Move:
        self.index += 1
        try:
            move = board.parse_san(san)
        except ValueError as error:
            raise self._bad(board, san, _why(board, san, error)) from error
        if san == "--" and board.is_check():
            raise self._bad(board, san, "null move in check")
        return move

    def handle_error(self, error: Exception) -> None:
        raise error

    def _bad(self, board: chess.Board, san: str, reason: str) -> _BadMoveError:
        ply = 1
        node: chess.pgn.GameNode | None = self.variation_stack[-1]
        while node is not None and node.parent is not None:
            node = node.parent
            ply += 1
        dots = "." if board.turn == chess.WHITE else "..."
        return _BadMoveError(self.index, ply, f"{board.fullmove_number}{dots}{san}", reason)


def _why(board: chess.Board, san: str, error: ValueError) -> str:
    """In words, why a move cannot be played."""
    match = chess.SAN_REGEX.match(san)
    if match is None:
        return f"illegal move {san}"
    piece = chess.PIECE_SYMBOLS.index((match[1] or "p").lower())
    to_square = chess.parse_square(match[4])
    there = [
        move
        for move in board.legal_moves
        if move.to_square == to_square and board.piece_type_at(move.from_square) == piece
    ]
    if isinstance(error, chess.AmbiguousMoveError):
        return f"ambiguous move {san}: " + " or ".join(sorted(board.san(move) for move in there))
    if not match[5] and any(move.promotion for move in there):
        return f"move {san} without a promotion piece"
    return f"illegal move {san}"


@dataclass
class _Tags:
    values: dict[str, str] = field(default_factory=dict)
    notes: list[tuple[int, str]] = field(default_factory=list)
    fatal: tuple[int, str] | None = None
    lines: dict[str, int] = field(default_factory=dict)


def _read_tags(head: list[tuple[int, bytes]], encoding: str) -> _Tags:
    tags = _Tags()
    for line, raw in head:
        text = raw.decode(encoding)
        match = _TAG.fullmatch(text)
        if match:
            pairs = [(match[1], match[2])]
        else:
            pairs = [(found[1], found[2]) for found in _TAG.finditer(text)]
            if not pairs or _TAG.sub("", text).strip():
                loose = _LOOSE_TAG.match(text)
                start = _START_TAGS.search(text)
                pairs = []
                if loose:
                    pairs = [(loose[1], loose[2])]
                    reason = f"tag {loose[1]}: quotes inside the value are not escaped"
                    tags.notes.append((line, reason))
                elif start:
                    tags.fatal = (line, f"malformed {start[1]} tag: start position unknown")
                else:
                    shown = text if len(text) <= 60 else text[:57] + "..."
                    tags.notes.append((line, f"malformed tag pair left out: {shown}"))
        for name, value in pairs:
            if name in tags.values:
                tags.notes.append((line, f"tag {name} given twice: the last one is used"))
            tags.values[name] = _ESCAPED.sub(r"\1", value) if "\\" in value else value
            tags.lines[name] = line
    return tags


def _start(tags: _Tags) -> tuple[chess.Board | None, list[tuple[int, str]]]:
    """Start position (None: the usual one) and notes; raises SourceError with the reason."""
    values = tags.values
    variant = values.get("Variant", "").strip()
    if variant.lower() not in _STANDARD:
        raise SourceError("Variant", f"variant {variant!r}: only orthodox chess can be reviewed")
    if variant:
        values["Variant"] = variant
    else:
        values.pop("Variant", None)  # python-chess refuses a game with an empty one
    fen = values.get("FEN")
    setup = values.get("SetUp", "").strip()
    if fen is None:
        if setup == "1":
            raise SourceError("SetUp", "SetUp is 1 but there is no FEN: start position unknown")
        return None, []
    board, remarks = parse_fen(fen)
    line = tags.lines["FEN"]
    notes = [(line, f"FEN tag: {remark}") for remark in remarks]
    if setup == "0" and board != chess.Board():
        notes.append((line, "SetUp is 0 beside a FEN that is not the usual start: the FEN is used"))
    elif setup not in ("", "0", "1"):
        notes.append((tags.lines["SetUp"], f"SetUp {setup!r} is neither 0 nor 1: the FEN is used"))
    return board, notes


def _read_block(block: _Block, source: str, number: int) -> tuple[GameRead, bool]:
    """The game in a block, and whether it is a game at all."""

    def problem(
        line: int | None,
        reason: str,
        ply: int | None = None,
        at: str | None = None,
        fatal: bool = False,
    ) -> Problem:
        return Problem(source, number, line, ply, reason, fatal, at)

    def refused(line: int, reason: str, others: list[Problem]) -> tuple[GameRead, bool]:
        found = (*others, problem(line, reason, fatal=True))
        return GameRead(source, number, block.line, None, (), _limited(found), False), True

    if block.too_long:
        limit = f"{MAX_GAME_BYTES / (1 << 20):g} MB"
        return refused(block.too_long, f"text of one game longer than {limit}: skipped", [])
    raw = b"\n".join(block.body)
    encoding = _encoding(b"\n".join([text for _, text in block.head] + [block.preface, raw]))
    text = raw.decode(encoding)
    tags = _read_tags(block.head, encoding)
    problems = [problem(line, reason) for line, reason in tags.notes]
    if tags.fatal:
        return refused(*tags.fatal, problems)
    try:
        board, remarks = _start(tags)
    except SourceError as error:
        reason = f"FEN tag: {error.reason}" if error.source == "FEN" else error.reason
        return refused(tags.lines.get(error.source, block.line), reason, problems)
    problems += [problem(line, reason) for line, reason in remarks]

    number_due = board.fullmove_number if board else 1
    black_first = bool(board) and board is not None and board.turn == chess.BLACK
    dropped: frozenset[int] = frozenset()
    bad: list[Problem] = []
    cut = False
    preface = [comment[0] for comment in _COMMENT.finditer(block.preface.decode(encoding))]

    def line_of(offset: int) -> int:
        return block.body_line + text.count("\n", 0, offset)

    while True:
        scan = (None if board else _scan_simple(text)) or _scan(
            text, number_due, black_first, dropped
        )
        builder = _Builder(tags.values)
        movetext = scan.text
        if preface:
            opening: list[str] = []
            for comment in preface:
                _add_comment(opening, comment[1:-1])
            movetext = " ".join([*opening, movetext])
        cut = scan.cut
        try:
            chess.pgn.read_game(io.StringIO(movetext), Visitor=lambda: builder)  # noqa: B023
        except _BadMoveError as error:
            if not scan.moves_at:
                scan = _scan(text, number_due, black_first, dropped)
            inside = [s for s in scan.spans if s[0] <= error.index < s[1]]
            line = line_of(scan.moves_at[error.index])
            if inside and len(dropped) < min(MAX_RETRIES, _RETRY_WORK // (len(text) + 1)):
                start = max(inside)[2]
                dropped |= {start}
                reason = f"{error.reason}: the variation is dropped"
                bad.append(problem(line, reason, error.ply, error.at))
                continue
            if inside:
                dropped |= {span[2] for span in scan.spans}
                bad.append(problem(line, "too many bad variations: all others are dropped"))
                continue
            reason = f"{error.reason}: the main line ends before it"
            bad.append(problem(line, reason, error.ply, error.at))
            cut = True
            end = scan.moves_at[error.index]
            scan.notes = [found for found in scan.notes if found[0] < end]
        break

    problems += bad
    problems += [  # beyond the limit they are only counted: no time is spent on their lines
        problem(line_of(offset) if index < MAX_PROBLEMS else None, reason, ply, at)
        for index, (offset, ply, at, reason) in enumerate(scan.notes)
    ]
    game = builder.game
    moves = _main_line(game)
    if not cut and len(moves) != scan.main:
        problems.append(
            problem(line_of(0), f"{len(moves)} of {scan.main} main-line moves could be read")
        )
        cut = True
    last = line_of(len(text.rstrip())) if block.body else block.line
    remarks_on_result = _settle_result(game.headers, tags, scan.result)
    problems += [problem(last, reason) for reason in remarks_on_result]
    if not moves and not cut:
        problems.append(problem(block.line, "no moves"))
    problems.sort(key=lambda found: (found.line is None, found.line or 0))
    is_game = bool(tags.values) or (
        bool(scan.main or scan.result) and scan.unknown < max(1, len(scan.moves_at))
    )
    complete = not cut and not scan.open_end
    return GameRead(source, number, block.line, game, moves, _limited(problems), complete), is_game


def _main_line(game: chess.pgn.Game) -> tuple[chess.Move, ...]:
    moves = []
    variations = game.variations
    while variations:
        moves.append(variations[0].move)
        variations = variations[0].variations
    return tuple(moves)


def _settle_result(
    headers: MutableMapping[str, str], tags: _Tags, token: str | None
) -> list[str]:
    """Set the game's Result tag (section 8.1.1.7) and say where tag and token disagree."""
    tag = tags.values.get("Result")
    notes = []
    if tag is not None and tag not in _RESULTS:
        notes.append(f"Result tag {tag!r} is not a result")
    if token is None:
        notes.append("no result after the moves")
    elif tag is not None and tag in _RESULTS and tag != token:
        notes.append(f"Result tag {tag} but {token} after the moves")
    if token is not None and (tag is None or tag == "*" or tag not in _RESULTS):
        headers["Result"] = token
    return notes


def _limited(problems: list[Problem] | tuple[Problem, ...]) -> tuple[Problem, ...]:
    if len(problems) <= MAX_PROBLEMS:
        return tuple(problems)
    fatal = [found for found in problems if found.fatal]
    kept = [found for found in problems if not found.fatal][: MAX_PROBLEMS - 1 - len(fatal)]
    more = len(problems) - len(kept) - len(fatal)
    last = replace(kept[-1], line=None, ply=None, at=None, reason=f"{more} more problems")
    return (*kept, last, *fatal)


_FEN_LINE = re.compile(rb"\s*(?:[pnbrqkPNBRQK1-8]{1,8}/){7}[pnbrqkPNBRQK1-8]{1,8}\s+[wb](?:\s|$)")


def read_games(path: str | Path, *, stdin: BinaryIO | None = None) -> Iterator[GameRead]:
    """Games of a PGN file, one by one, in the order of the file.

    Args:
        path: a plain, gzip or zstd file, or "-" for standard input.
        stdin: binary stream to read for "-"; the process's standard input if None.

    Yields:
        One record a game; what is wrong with a game is in its ``problems``.

    Raises:
        SourceError: at the first step if the file cannot be opened or is empty, binary, UTF-16, EPD
            or no PGN at all; after the last game if the file breaks off or its compression is
            damaged.
    """
    yield from _file_records(path, stdin, _read_block, _nothing_read)


def games_of(
    source: str,
    lines: Iterator[bytes],
    *,
    games_before: int = 0,
    lines_before: int = 0,
    damage: Callable[[], str | None] = lambda: None,
) -> Iterator[GameRead]:
    """Games of a source, or of a part of it, from its lines.

    A part gives the games that the whole source gives if it begins at the beginning of the source
    or on a line where `game_stops` says that the next game may be looked for, and ends likewise.

    Args:
        source: name of the source.
        lines: lines without their ends.
        games_before: games of the source before the part.
        lines_before: lines of the source before the part.
        damage: asked when the lines have ended: how the source breaks off there, if it does.

    Raises:
        SourceError: after the last game if there is none or if the source breaks off.
    """
    yield from _records(
        source, lines, _read_block, _nothing_read, games_before, lines_before, damage
    )


_Record = TypeVar("_Record", GameRead, LineRead)


def _nothing_read(source: str, number: int, line: int, found: tuple[Problem, ...]) -> GameRead:
    return GameRead(source, number, line, None, (), found, False)


def _file_records(
    path: str | Path,
    stdin: BinaryIO | None,
    read_block: Callable[[_Block, str, int], tuple[_Record, bool]],
    nothing_read: Callable[[str, int, int, tuple[Problem, ...]], _Record],
) -> Iterator[_Record]:
    """What `read_games` says, with the reading of one game's text as a parameter."""
    source, stream, ours = _open(path, stdin)
    data = _Bytes(source, stream)
    lines = _not_epd(source, data.lines())
    try:
        yield from _records(source, lines, read_block, nothing_read, damage=lambda: data.damage)
    finally:
        if ours:
            stream.close()


def _records(
    source: str,
    lines: Iterator[bytes],
    read_block: Callable[[_Block, str, int], tuple[_Record, bool]],
    nothing_read: Callable[[str, int, int, tuple[Problem, ...]], _Record],
    games_before: int = 0,
    lines_before: int = 0,
    damage: Callable[[], str | None] = lambda: None,
) -> Iterator[_Record]:
    """What `games_of` says, with the reading of one game's text as a parameter."""
    number = games_before
    stray: tuple[Problem, ...] = ()  # of text that is no game, for the next game
    last: _Record | None = None  # read but not yet given: it may be the one at the break
    ended = True
    for block in _split(lines, lines_before):
        read, is_game = read_block(block, source, number + 1)
        if not is_game:
            if _ONLY_COMMENTS.fullmatch(b"\n".join(block.body)):
                continue
            line = block.line
            stray += (Problem(source, number + 1, line, None, "text that is no game: left out"),)
            continue
        number += 1
        if last is not None:
            yield last
        last = replace(read, problems=_limited(stray + read.problems)) if stray else read
        stray = ()
        ended = block.ended
    broken_off = damage()
    if last is not None:
        if broken_off and not ended:
            broken = Problem(source, number, None, None, f"the file ends here: {broken_off}")
            last = _broken_off(last, broken)
        yield last
    if broken_off:
        raise SourceError(source, f"damaged after {number} games: {broken_off}")
    if last is None:
        raise SourceError(source, "no game found: not a PGN file")
    if stray:
        reason = "text after the last game that is no game"
        found = Problem(source, number + 1, stray[0].line, None, reason, True)
        yield nothing_read(source, number + 1, stray[0].line or 0, (found,))


def _broken_off(read: _Record, problem: Problem) -> _Record:
    return replace(read, problems=(*read.problems, problem), complete=False)


def game_stops(source: str, lines: Iterator[bytes], lines_before: int = 0) -> Iterator[int]:
    """Where the games of a source end: a number for each game, without reading its moves.

    Args:
        source: name of the source.
        lines: lines without their ends, from a place where a game may be looked for.
        lines_before: lines of the source before them.

    Yields:
        For each record of `games_of` the number of the last line that belongs to it, from 1, if
        the next game may be looked for from the line after it as if the source began there;
        otherwise 0, and -1 for the record of text after the last game that is no game.
    """
    after_game = lines_before > 0
    stray = False
    for block in _split(lines, lines_before):
        # Text without a tag may be no game: that takes a closer look.
        if any(_TAG.match(raw.decode("iso-8859-1")) for _, raw in block.head[:1]) or _read_block(
            block, source, 1
        )[1]:
            after_game, stray = True, False
            yield block.stop
        elif not _ONLY_COMMENTS.fullmatch(b"\n".join(block.body)):
            stray = after_game
    if stray:
        yield -1


def text_chunks(path: str | Path, stdin: BinaryIO | None = None) -> Iterator[bytes]:
    """The text of a file as it stands there, unpacked if it is compressed, piece by piece.

    Raises:
        SourceError: cannot be opened, or is empty, binary, UTF-16 or an archive; after the last
            piece: breaks off, or its compression is damaged (`DamagedSource`, ``reason`` is how,
            in words), or it unpacks to more than is allowed.
    """
    source, stream, ours = _open(path, stdin)
    first = True
    try:
        for chunk in _Bytes(source, stream)._chunks():
            if first:
                _refuse_foreign(source, chunk)
            first = False
            yield chunk
    except _TooMuchError as error:
        raise SourceError(source, str(error)) from error
    except _DamagedError as error:
        raise DamagedSource(source, str(error)) from error
    finally:
        if ours:
            stream.close()
    if first:
        raise SourceError(source, "empty file")


class DamagedSource(SourceError):
    """A source that breaks off after text that can be used."""


def is_packed(head: bytes) -> bool:
    """Do the first bytes of a file (four are enough) say that it is compressed?"""
    return head.startswith(_GZIP) or _ZSTD_FRAME.match(head) is not None


def refuse_other_text(source: str, head: bytes) -> None:
    """Look at the first bytes of an unpacked text (some kB) for what is no file of games.

    Raises:
        SourceError: empty, binary, UTF-16, an archive, or positions.
    """
    if not head:
        raise SourceError(source, "empty file")
    _refuse_foreign(source, head)
    for _ in _not_epd(source, iter(head.removeprefix(_BOM).splitlines()[:1000])):
        pass


def _not_epd(source: str, lines: Iterator[bytes]) -> Iterator[bytes]:
    for line in lines:
        if _FEN_LINE.match(line):
            raise SourceError(source, "positions (EPD or FEN lines), not games in PGN")
        yield line
        if line.strip(_BLANK) and line[:1] not in b"%;#":
            break
    yield from lines


# --- positions ----------------------------------------------------------------------------------


def read_positions(path: str | Path, *, stdin: BinaryIO | None = None) -> Iterator[PositionRead]:
    """Positions of a file with one EPD record or FEN a line, in the order of the file.

    Blank lines and lines that start with "#" are skipped.  A record has four fields and EPD
    operations (section 16.2), or four or six FEN fields (section 16.1).  A bad line is given with
    ``board=None`` and a fatal problem; bad operations cost only the operations.  Without a halfmove
    clock (``hmvc`` in EPD) it is assumed to be 0, and a problem that is not fatal says so.

    Args:
        path: a plain, gzip or zstd file, or "-" for standard input.
        stdin: binary stream to read for "-"; the process's standard input if None.

    Raises:
        SourceError: at the first step if the file cannot be opened or is empty, binary, UTF-16 or
            PGN, or holds no position line; after the last position if the file is damaged.
    """
    source, stream, ours = _open(path, stdin)
    data = _Bytes(source, stream)
    found = 0
    try:
        for number, raw in enumerate(data.lines(), 1):
            raw = raw.removeprefix(_BOM).strip(_BLANK)
            if not raw or raw[:1] == b"#":
                continue
            if not found and _TAG_START.match(raw):
                raise SourceError(source, "games in PGN, not positions (EPD or FEN lines)")
            found += 1
            yield _read_position(source, number, _decoded(raw))
    finally:
        if ours:
            stream.close()
    if data.damage:
        raise SourceError(source, f"damaged after {found} positions: {data.damage}")
    if not found:
        raise SourceError(source, "no position found")


def _read_position(source: str, line: int, text: str) -> PositionRead:
    def problem(reason: str, fatal: bool = False) -> Problem:
        return Problem(source, None, line, None, reason, fatal)

    fields = text.split(None, 4)
    # FEN has a digit where EPD has an opcode, which starts with a letter (section 16.2).
    is_fen = len(fields) < 5 or fields[4][:1] in "-+0123456789"
    try:
        board, notes = parse_fen(text.rstrip("; ") if is_fen else " ".join(fields[:4]))
    except SourceError as error:
        return PositionRead(source, line, None, {}, (problem(error.reason, True),))
    if is_fen:
        return PositionRead(source, line, board, {}, tuple(problem(note) for note in notes))
    whole = chess.Board(None)
    try:
        operations = whole.set_epd(text)
    except (ValueError, AssertionError, IndexError, ArithmeticError, TypeError) as error:
        reason = f"EPD operations left out: {one_line(error)}"
        return PositionRead(source, line, board, {}, (problem(reason), *map(problem, notes)))
    for name, value in (("hmvc", whole.halfmove_clock), ("fmvn", whole.fullmove_number)):
        if name in operations and not (isinstance(value, int) and 0 <= value < 100_000):
            reason = f"EPD operations left out: {name} is not a number from 0 to 99999"
            return PositionRead(source, line, board, {}, (problem(reason), *map(problem, notes)))
    board.halfmove_clock, board.fullmove_number = whole.halfmove_clock, whole.fullmove_number
    if "hmvc" in operations:
        notes = clock_notes(board)
    return PositionRead(source, line, board, dict(operations), tuple(map(problem, notes)))
