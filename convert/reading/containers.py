"""Files opened and unpacked: lines of bytes out of plain, gzip and zstd files.

Plain, gzip and zstd files are told apart by their first bytes, so a wrong name does no harm;
``-`` is standard input and may be compressed too.  zstd needs the ``zstandard`` package, or the
standard library's ``compression.zstd`` (Python 3.14).  A game is UTF-8 (a byte order mark is
skipped) or else, as the 1994 text has it (section 4.1), ISO 8859-1, decided game by game.
UTF-16, archives and binary files are refused with a `SourceError`.  A file that unpacks to far more
than its size (`unpacking_limit`) is refused at that place.
"""

from __future__ import annotations

import importlib
import math
import os
import re
import sys
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from convert.reading.fen import SourceError
from convert.rim.safe_text import file_text

__all__ = [
    "BOM",
    "LIMIT_NAME",
    "MAX_GAME_BYTES",
    "DamagedSource",
    "Unpacked",
    "decoded",
    "encoding_of",
    "is_packed",
    "open_source",
    "refuse_foreign",
    "text_chunks",
    "unpacking_limit",
]

MAX_GAME_BYTES = 4 << 20
"""Longest text of one game, in bytes; a longer one is refused."""

MAX_UNPACKED = 100 * 10**9
"""Most bytes that a compressed file may unpack to, unless the user says otherwise."""

MAX_SWELLING = 100
"""How many times its size a compressed file may unpack to; files of games shrink to a fifth or so.
The first `FREE_UNPACKED` bytes do not count: a short file may repeat itself."""

FREE_UNPACKED = 64 << 20

LIMIT_NAME = "FULLPOINT_UNPACK_GB"
"""Environment variable: GB (10^9 bytes) that a file may unpack to, in place of both limits."""

_CHUNK = 1 << 16
_STDIN = "standard input"


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
BOM = b"\xef\xbb\xbf"


@dataclass
class Unpacked:
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
            for chunk in self.chunks():
                if first:
                    first = False
                    refuse_foreign(self.source, chunk)
                    chunk = chunk.removeprefix(BOM)
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

    def chunks(self) -> Iterator[bytes]:
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


def refuse_foreign(source: str, head: bytes) -> None:
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


def open_source(path: str | Path, stdin: BinaryIO | None) -> tuple[str, BinaryIO, bool]:
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
        data = getattr(error, "strerror", None) or error
        raise SourceError(source, f"cannot be opened: {data}") from error


def decoded(raw: bytes) -> str:
    return raw.decode(encoding_of(raw))


def encoding_of(raw: bytes) -> str:
    if raw.isascii():
        return "ascii"
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        return "iso-8859-1"
    return "utf-8"


def text_chunks(path: str | Path, stdin: BinaryIO | None = None) -> Iterator[bytes]:
    """The text of a file as it stands there, unpacked if it is compressed, piece by piece.

    Raises:
        SourceError: cannot be opened, or is empty, binary, UTF-16 or an archive; after the last
            piece: breaks off, or its compression is damaged (`DamagedSource`, ``reason`` is how,
            in words), or it unpacks to more than is allowed.
    """
    source, stream, ours = open_source(path, stdin)
    first = True
    try:
        for chunk in Unpacked(source, stream).chunks():
            if first:
                refuse_foreign(source, chunk)
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
