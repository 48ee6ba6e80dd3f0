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

from convert.fastread import main_lines_of
from convert.safe_text import file_text
from convert.sources import (
    MAX_GAME_BYTES,
    DamagedSource,
    GameRead,
    LineRead,
    SourceError,
    game_stops,
    games_of,
    refuse_other_text,
    text_chunks,
)

PART_BYTES = {"walk": 1 << 20, "quick": 64 << 10, "normal": 16 << 10, "deep": 4 << 10}
"""Size of a part in bytes of text by effort: what is lost when the work is cut off."""

_WINDOW = 4 << 20  # bytes looked at together
_MARGIN = 1 << 20  # no game is looked for so near to the end of a window
_BOM = b"\xef\xbb\xbf"


@dataclass(frozen=True)
class Part:
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


def cut(
    path: str | Path, size: int, *, name: str | None = None, damage: str | None = None
) -> Iterator[Part]:
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
    try:
        with open(path, "rb", buffering=0) as stream:
            refuse_other_text(name, stream.read(1 << 16))
            yield from _cut(stream, path, size, name, damage)
    except SourceError as error:
        yield troubled(name, error.reason)
    except OSError as error:
        yield troubled(name, f"cannot be read: {error.strerror or error}")


def troubled(name: str, reason: str) -> Part:
    """The part of a file of which nothing can be used."""
    return Part(name, "", 0, 0, 0, 0, 0, "", last=True, trouble=reason)


def _cut(
    stream: BinaryIO, path: str | Path, size: int, name: str, damage: str | None
) -> Iterator[Part]:
    start = games_before = lines_before = 0
    stop = stop_games = stop_lines = 0  # the last place where a part may end
    games = 0

    def part(end: int, count: int, last: bool) -> Part:
        return Part(
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

    for found in _stops(stream, name):
        if found.offset >= 0 and stop - start >= size:
            # Not before the next game: what stands behind the last one belongs to the last part.
            yield part(stop, stop_games, False)
            start, games_before, lines_before = stop, stop_games, stop_lines
        games = found.games
        if found.offset > 0:
            stop, stop_games, stop_lines = found.offset, found.games, found.lines
    if games:
        yield part(stream.seek(0, os.SEEK_END), games, True)
    else:
        yield troubled(name, f"damaged: {damage}" if damage else "no game found: not a PGN file")


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


def games_in(part: Part, *, light: bool = False) -> Iterator[tuple[GameRead | LineRead, int]]:
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


def _stops(stream: BinaryIO, name: str) -> Iterator[_Stop]:
    """The ends of all games of a file, in order."""
    games = lines = offset = base = 0
    window = b""

    while True:
        if offset - base > len(window) - _MARGIN and not (window and len(window) < _WINDOW):
            base = offset
            window = _read(stream, base, _WINDOW)
        found = _GAME.match(window, offset - base)
        if found and found.end() - found.start() < _MARGIN:
            games += 1
            lines += window.count(b"\n", found.start(), found.end())
            offset = base + found.end()
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
