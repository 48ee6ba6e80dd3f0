"""Cuts files of games into parts: byte ranges that begin and end where a game does.

The games of all parts of a file, one part after the other, are the games of the file: same
numbers, lines, tags, moves and problems (`games_in`).  So a worker reads only what it works on.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from convert.reading.containers import MAX_GAME_BYTES, DamagedSource, text_chunks
from convert.reading.fastread import main_lines_of
from convert.reading.fen import SourceError
from convert.reading.games import game_stops, games_of, refuse_other_text
from convert.reading.records import GameRead, LineRead
from convert.rim.safe_text import file_text

PART_BYTES = {"walk": 1 << 20, "quick": 64 << 10, "normal": 16 << 10, "deep": 4 << 10}
"""Size of a part in bytes of text by effort: what is lost when the work is cut off."""
CUT_BYTES = 256 << 20
"""Bytes of text that are cut in one piece of work."""
MOST_PARTS = 1000
"""Parts, of as many files at most, whose rows stand together."""

_WINDOW = 4 << 20  # bytes looked at together
_MARGIN = 1 << 20  # no game is looked for so near to the end of a window
_BOM = b"\xef\xbb\xbf"


@dataclass(frozen=True)
class Begin:
    """Where in a file to go on cutting: byte, games and lines before it; a game begins there."""

    offset: int = 0
    games: int = 0
    lines: int = 0


START = Begin()


@dataclass(frozen=True)
class FilePart:
    """A byte range of a file of games, unpacked, that begins and ends where a game does.

    Attributes:
        file: the file's name as it stands in the rows.
        path: where the text is read: the file itself, or its unpacked copy.
        start: first byte, from 0.
        end: byte after the last one.
        games_before: games of the file before the part; the first of the part has the next number.
        games: games in the part.
        lines_before: lines of the file before the part.
        digest: hash of the text, hexadecimal.
        last: nothing follows the part in its file.
        damage: how the file breaks off at the end of the part, in words; None where it does not.
        trouble: why nothing of the file can be used, in words (then the range is empty).
    """

    file: str
    path: str
    start: int
    end: int
    games_before: int
    games: int
    lines_before: int
    digest: str
    last: bool = False
    damage: str | None = None
    trouble: str | None = None

    @property
    def id(self) -> str:
        """Names the part: the same as long as the same games stand at the same place."""
        facts = (self.file, self.start, self.games_before, self.digest, self.damage, self.trouble)
        return hashlib.blake2b(repr(facts).encode(), digest_size=10).hexdigest()


@dataclass(frozen=True)
class Unit:
    """What a worker does at a time: parts whose rows stand together, of one file or of several.

    A file that is shorter than a part, or the end of a longer one, stands with what comes next.
    """

    parts: tuple[FilePart, ...]

    @property
    def id(self) -> str:
        """Names the rows: the same as long as the same parts stand in it."""
        if len(self.parts) == 1:
            return self.parts[0].id
        ids = "".join(part.id for part in self.parts)
        return hashlib.blake2b(ids.encode(), digest_size=10).hexdigest()

    @property
    def games(self) -> int:
        """Games in it."""
        return sum(part.games for part in self.parts)


class Packing:
    """Puts parts together into units of at least ``size`` bytes, in the order they come."""

    def __init__(self, size: int):
        self.size = size
        self._parts: list[FilePart] = []
        self._bytes = 0

    def add(self, part: FilePart) -> Unit | None:
        """Take a part in; a unit when it is full."""
        self._parts.append(part)
        self._bytes += part.end - part.start
        full = self._bytes >= self.size or len(self._parts) >= MOST_PARTS
        return self.rest() if full else None

    @property
    def waiting(self) -> bool:
        """Are there parts that are in no unit yet?"""
        return bool(self._parts)

    def rest(self) -> Unit | None:
        """What is there so far."""
        parts, self._parts, self._bytes = tuple(self._parts), [], 0
        return Unit(parts) if parts else None


def cut(
    path: str | Path, size: int, *, name: str | None = None, damage: str | None = None
) -> Iterator[FilePart]:
    """Parts of a plain file, in the order of the file.

    Args:
        path: file with the unpacked text.
        size: bytes of text after which a part ends with the next game that ends with a line.
        name: the file's name as it stands in the rows; ``path`` if None.
        damage: how the text breaks off at its end, if it does.

    Yields:
        Parts that follow each other without a gap; a file without any game is one part with its
        `trouble`.
    """
    name = file_text(path) if name is None else name
    begin: Begin | None = Begin()
    while begin is not None:
        parts, begin = cut_from(begin, path, size, name=name, damage=damage)
        yield from parts


def cut_from(
    begin: Begin,
    path: str | Path,
    size: int,
    *,
    name: str,
    damage: str | None = None,
    most: int = CUT_BYTES,
) -> tuple[tuple[FilePart, ...], Begin | None]:
    """The parts of a stretch of a file, as `cut` makes them, and where the next one begins.

    Args:
        begin: where to begin.
        most: bytes of text after which the stretch ends with a part.
    """
    parts: list[FilePart] = []
    try:
        with open(path, "rb", buffering=0) as stream:
            if not begin.offset:
                refuse_other_text(name, stream.read(1 << 16))
            for part, after in _cut(stream, path, size, name, damage, begin):
                parts.append(part)
                if not part.last and part.end - begin.offset >= most:
                    return tuple(parts), after
    except SourceError as error:
        parts.append(troubled(name, error.reason))
    except OSError as error:
        parts.append(troubled(name, f"cannot be read: {error.strerror or error}"))
    return tuple(parts), None


def troubled(name: str, reason: str) -> FilePart:
    """The part of a file of which nothing can be used."""
    return FilePart(name, "", 0, 0, 0, 0, 0, "", last=True, trouble=reason)


def _cut(
    stream: BinaryIO, path: str | Path, size: int, name: str, damage: str | None, begin: Begin
) -> Iterator[tuple[FilePart, Begin]]:
    """The parts from a place on, each with the place behind it."""
    start, games_before, lines_before = begin.offset, begin.games, begin.lines
    stop, stop_games, stop_lines = start, games_before, lines_before  # where a part may end
    games = games_before

    def part(end: int, count: int, last: bool) -> FilePart:
        return FilePart(
            name,
            str(path),
            start,
            end,
            games_before,
            count - games_before,
            lines_before,
            _digest(path, start, end),
            last,
            damage if last else None,
        )

    for result in _stops(stream, name, begin):
        if result.offset >= 0 and stop - start >= size:
            # Not before the next game: what stands behind the last one belongs to the last part.
            yield part(stop, stop_games, False), Begin(stop, stop_games, stop_lines)
            start, games_before, lines_before = stop, stop_games, stop_lines
        games = result.games
        if result.offset > 0:
            stop, stop_games, stop_lines = result.offset, result.games, result.lines
    end = Begin(0)
    if games:
        yield part(stream.seek(0, os.SEEK_END), games, True), end
    else:
        reason = f"damaged: {damage}" if damage else "no game found: not a PGN file"
        yield troubled(name, reason), end


def _digest(path: str | Path, start: int, end: int) -> str:
    digest = hashlib.blake2b(digest_size=10)
    with open(path, "rb", buffering=0) as stream:
        stream.seek(start)
        while start < end:
            chunk = stream.read(min(1 << 20, end - start))
            if not chunk:
                break
            digest.update(chunk)
            start += len(chunk)
    return digest.hexdigest()


def games_in(part: FilePart, *, light: bool = False) -> Iterator[tuple[GameRead | LineRead, int]]:
    """The games of a part as they are in the whole file, and at which byte each begins.

    Args:
        part: what to read.
        light: main lines will do.

    Raises:
        SourceError: after the last game, if the file breaks off there.
        OSError: the text cannot be read.
    """
    with open(part.path, "rb", buffering=0) as stream:
        lines = Lines(stream, part.start, part.end, part.lines_before)
        reader: Callable[..., Iterator[GameRead | LineRead]] = main_lines_of if light else games_of
        for read in reader(
            part.file,
            iter(lines),
            games_before=part.games_before,
            lines_before=part.lines_before,
            damage=lambda: part.damage,
        ):
            yield read, lines.offset_of(read.line)


def unpack(path: str, target: Path, stdin: BinaryIO | None = None) -> str | None:
    """Write the text of a compressed file, or of standard input, to a file.

    Returns:
        How it breaks off after text that can be used, in words; None if it does not.

    Raises:
        SourceError: nothing of it can be used.
        OSError: the target cannot be written.
    """
    damage = None
    try:
        with open(target, "wb") as file:
            try:
                for chunk in text_chunks(path, stdin):
                    file.write(chunk)
            except DamagedSource as error:
                damage = error.reason
    except BaseException as error:
        target.unlink(missing_ok=True)  # its room is wanted
        if isinstance(error, OSError):
            raise OSError(error.errno, error.strerror, str(target)) from error
        raise
    if damage is not None:
        _drop_last_word(target)
    return damage


def _drop_last_word(path: Path) -> None:
    """Take away what may be the beginning of a longer word: O-O may have been O-O-O."""
    with open(path, "r+b") as file:
        end = file.seek(0, os.SEEK_END)
        begin = max(0, end - MAX_GAME_BYTES)
        file.seek(begin)
        word = re.split(rb"[ \t\r\n]", file.read())[-1]
        file.truncate(end - len(word))


class Lines:
    """Lines of a range of a file, without their ends, and where they begin.

    A line ends at LF, CR LF or CR; of one much longer than a game may be, only the start is given.
    """

    def __init__(self, stream: BinaryIO, start: int, end: int | None, lines_before: int = 0):
        self.stream = stream
        self.start = start
        self.end = end
        self.begun: deque[int] = deque()
        self.first = lines_before + 1  # number of the line at begun[0]
        self.next = start  # byte after the last line given

    def __iter__(self) -> Iterator[bytes]:
        """The lines in order."""
        rest = b""
        at = here = self.start
        overlong = False
        self.stream.seek(at)
        while True:
            wish = 1 << 16 if self.end is None else min(1 << 16, self.end - at)
            chunk = self.stream.read(wish) if wish > 0 else b""
            at += len(chunk)
            data = rest + chunk
            held = b""
            if chunk and data.endswith(b"\r"):  # its LF may come with the next chunk
                data, held = data[:-1], b"\r"
            pieces = data.splitlines(keepends=True)
            rest = held
            if chunk and pieces and not pieces[-1].endswith((b"\n", b"\r")):
                rest = pieces.pop() + held
            for raw in pieces:
                line = raw.rstrip(b"\r\n")
                if here == 0:
                    line = line.removeprefix(_BOM)
                if overlong:
                    overlong = False
                    here += len(raw)
                    self.next = here
                    continue
                self.begun.append(here)
                here += len(raw)
                self.next = here
                yield line
            if len(rest) > MAX_GAME_BYTES:
                if not overlong:
                    self.begun.append(here)
                    self.next = here + len(rest)
                    yield rest
                overlong = True
                here += len(rest)
                rest = b""
            if not chunk:
                return

    def byte_after(self, line: int) -> int:
        """Byte after a line: the last one given, or the one before it."""
        index = line + 1 - self.first
        return self.begun[index] if index < len(self.begun) else self.next

    def forget(self) -> None:
        """Forget where lines began, but for the last one."""
        while len(self.begun) > 1:
            self.begun.popleft()
            self.first += 1

    def offset_of(self, line: int) -> int:
        """Byte at which a line begins, not before the last one asked for; forgets earlier lines."""
        while self.first < line and len(self.begun) > 1:
            self.begun.popleft()
            self.first += 1
        return self.begun[0] if self.begun else self.next


# --- where games end ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Stop:
    """The end of a game: games and lines so far, and the byte after it.

    0: no part may end there; -1: text that is no game, after the last one.
    """

    games: int
    lines: int
    offset: int


_NL = rb"\r?\n"
_TAG = rb'\[[A-Za-z0-9][A-Za-z0-9_]*+ "[^"\\\r\n]*+"\]'
# A game as most files have it: tags, a blank line, moves with comments, and the result at the end
# of its line.  Nothing is left open behind it, so what follows can be looked at afresh.
_GAME = re.compile(
    rb"(?:" + _NL + rb")*+"
    rb"(?:" + _TAG + _NL + rb")++"
    rb"(?:" + _NL + rb")++"
    rb"(?=[1-9{*])"
    rb"(?:[^{}();*01\[\]%\r\n]++|" + _NL + rb"(?![%\[])"
    rb"|\{(?:[^}\r\n]++|" + _NL + rb"(?!\[))*+\}|(?!1-0|0-1|1/2-1/2)[01])*+"
    rb"(?<=[ \n})])(?:1-0|0-1|1/2-1/2|\*)" + _NL
)


def _stops(stream: BinaryIO, name: str, begin: Begin) -> Iterator[_Stop]:
    """The ends of all games of a file from a place on, in order."""
    games, lines, offset = begin.games, begin.lines, begin.offset
    base = offset
    window = b""

    while True:
        if offset - base > len(window) - _MARGIN and not (window and len(window) < _WINDOW):
            base = offset
            window = _read(stream, base, _WINDOW)
        match = _GAME.match(window, offset - base)
        if match and match.end() - match.start() < _MARGIN:
            games += 1
            lines += window.count(b"\n", match.start(), match.end())
            offset = base + match.end()
            yield _Stop(games, lines, offset)
            continue
        # Something else: line by line, to the end of a game behind which one can look afresh.
        source = Lines(stream, offset, None, lines)
        for line in game_stops(name, iter(source), lines):
            games += 1
            if line > 0:
                offset, lines = source.byte_after(line), line
                yield _Stop(games, lines, offset)
                break
            source.forget()
            yield _Stop(games, lines, line)
        else:
            return


def _read(stream: BinaryIO, start: int, size: int) -> bytes:
    """Bytes of a file, fewer only where it ends."""
    stream.seek(start)
    chunks = []
    while size > 0 and (chunk := stream.read(size)):
        chunks.append(chunk)
        size -= len(chunk)
    return b"".join(chunks)
