"""Solved slices kept on disk, so that the next question about them is answered at once.

An *entry* is what the solver found out about one slice (piece set, pawn structure, question): a
few named numpy arrays and a small table of facts that JSON can hold. Entries are files in one
folder, by default in the user's cache folder; they may be deleted at any time.

Layout of a file, all numbers little-endian:

    8 bytes    magic
    4          ``FORMAT``
    4          length of the header
    8          length of the whole file
    16         BLAKE2b digest of the 24 bytes before and of the header
    header     JSON: key, meta, digest of the body, and of each array its name, dtype, shape,
               coding ("raw" or "zstd") and stored length
    body       the arrays one after the other

Nothing that fails a digest is handed out. A file is written under a passing name and renamed, so
that other processes, and the next run after a crash, find a whole entry or none.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib
import io
import json
import math
import os
import re
import struct
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Final, TypeAlias

import numpy as np
import numpy.typing as npt

from tablebases.folders import cache_folder, write_whole

__all__ = ["FORMAT", "JSON", "Entry", "Shape", "Store"]

JSON: TypeAlias = "bool | int | float | str | Sequence[JSON] | Mapping[str, JSON] | None"
Array: TypeAlias = "npt.NDArray[Any]"
Shape: TypeAlias = tuple[str, tuple[int, ...]]
"""Type of an array as numpy writes it, little-endian ("<u8"), and its shape."""

FORMAT: Final = 1
"""Number of the file layout; files with another number are left alone and count as absent."""

_MAGIC: Final = b"\x89FPslice"
_FRONT: Final = struct.Struct("<8sIIQ")  # magic, FORMAT, header length, file length
_DIGEST: Final = 16
_BLOCK: Final = 4096
_COMPRESS_ABOVE: Final = 64 * 1024
_STALE: Final = 3600.0
_MOST_AXES: Final = 8
_ENTRY_NAME: Final = re.compile(r"[0-9a-f]{32}\.slice")
_PASSING_NAME: Final = re.compile(r"[0-9a-f]{32}\.\d+-[0-9a-f]{16}\.part")
# What is read back is never more than plain numbers, whatever a header says.
_DTYPES: Final = frozenset(
    "|b1 |i1 |u1 <i2 <u2 <i4 <u4 <i8 <u8 <f2 <f4 <f8 <c8 <c16".split()  # noqa: SIM905
)


class _DamagedError(Exception):
    """The file is not a whole entry."""


class _OtherError(Exception):
    """The file is sound, as far as can be told, but not what was asked for."""


@dataclass(frozen=True, eq=False)
class Entry:
    """What was kept under a key.

    Attributes:
        meta: facts as they were put, with lists for tuples.
        arrays: by name; writable, C-contiguous, little-endian, shared with nobody.
    """

    meta: dict[str, JSON]
    arrays: dict[str, Array]


@dataclass(frozen=True)
class _Part:
    """One stored array; ``stored`` is its length in the file in bytes."""

    name: str
    dtype: str
    shape: tuple[int, ...]
    coding: str
    stored: int


@dataclass(frozen=True)
class _Header:
    key: str
    meta: dict[str, JSON]
    body: bytes
    parts: tuple[_Part, ...]


@dataclass(frozen=True)
class _Found:
    """An entry's file; ``used`` in nanoseconds since the epoch, ``room`` in bytes on disk."""

    path: str
    used: int
    room: int


class Store:
    """A folder of entries with a limit on its size.

    Several processes may use one folder at once. Nothing here raises because of the disk: an
    entry that cannot be read is absent, one that cannot be written is not kept.

    The folder is looked over when an entry is put that might pass the limit, and the entries used
    longest ago make way, down to seven eighths of the limit. What other processes put in between
    is seen at the next look, so together they may pass the limit for a while.

    Args:
        folder: where the entries lie; None for the user's cache folder. Made by the first ``put``.
        limit: most bytes on disk, each file counted in blocks of 4096.
        enabled: False makes a store that keeps nothing and finds nothing.
        compress: whether entries above 64 KiB are compressed (zstd, level 1). Without a zstd
            module they are kept as they are.
    """

    def __init__(
        self,
        folder: Path | None = None,
        *,
        limit: int = 2 * 2**30,
        enabled: bool = True,
        compress: bool = True,
    ) -> None:
        self.folder: Final = cache_folder("solver") if folder is None else Path(folder)
        self.limit: Final = limit
        self.enabled: Final = enabled
        self.compress: Final = compress
        self._unseen = 0  # bytes that may be put before the folder is looked over again

    def get(
        self,
        key: str,
        fits: Callable[[Mapping[str, JSON], Mapping[str, Shape]], bool] | None = None,
    ) -> Entry | None:
        """The entry kept under ``key``.

        Args:
            key: as it was put.
            fits: told meta and the shapes of the arrays before anything is unpacked; False if
                the entry cannot be what its key says. It then counts as damaged.

        Returns:
            None if there is none, if its file is damaged (it is then removed), of another
            ``FORMAT``, or cannot be read just now.
        """
        if not self.enabled:
            return None
        path = self._path(key)
        try:
            with open(path, "rb") as handle:
                entry = _read(handle, key, fits)
        except _DamagedError:
            _remove(path)
            return None
        except (_OtherError, OSError, MemoryError):
            return None
        with contextlib.suppress(OSError):
            os.utime(path)  # the time of last use, for the choice of what makes way
        return entry

    def put(self, key: str, arrays: Mapping[str, Array], meta: Mapping[str, JSON]) -> bool:
        """Keep an entry, in place of any that has the same key.

        Args:
            key: any text; equal keys must mean equal questions, the solver's version included.
            arrays: arrays of numbers or truth values.
            meta: what JSON can hold, without NaN or infinities.

        Returns:
            False if it could not be written: disk full, folder not writable, larger than the
            limit. Then nothing new is left behind.

        Raises:
            TypeError: an array of another kind, or meta that JSON cannot hold.
            ValueError: NaN or an infinity in meta.
        """
        plain = {name: _plain(name, array) for name, array in arrays.items()}
        json.dumps(dict(meta), allow_nan=False)
        if not self.enabled:
            return False
        path = self._path(key)
        try:
            pieces = _pieces(key, plain, meta, compress=self.compress)
            room = _room(sum(len(piece) for piece in pieces))
            if room > self.limit:
                return False
            self.folder.mkdir(parents=True, exist_ok=True)
            self._make_room(path, room)
            write_whole(path, pieces)
        except (OSError, MemoryError):
            return False
        return True

    def get_json(self, key: str) -> Any:
        """What ``put_json`` kept; None if there is nothing that can be read."""
        entry = self.get(key)
        with contextlib.suppress(KeyError, ValueError):
            return None if entry is None else json.loads(entry.arrays["text"].tobytes())
        return None

    def put_json(self, key: str, value: Any) -> bool:
        """Keep what JSON can hold, as ``put`` keeps arrays."""
        text = json.dumps(value, separators=(",", ":"))
        return self.put(key, {"text": np.frombuffer(text.encode(), np.uint8)}, {})

    def discard(self, key: str) -> None:
        """Remove an entry that is not what its key says, if it can be removed."""
        if self.enabled:
            _remove(self._path(key))

    def keys(self) -> list[str]:
        """Keys of all entries whose headers are sound, in no order that matters."""
        found = (_key_of(file.path) for file in self._files())
        return [key for key in found if key is not None]

    def __contains__(self, key: object) -> bool:
        """Whether there is an entry with a sound header; its arrays are not checked."""
        return self.enabled and isinstance(key, str) and _key_of(self._path(key)) == key

    def size(self) -> int:
        """Bytes that the entries take on disk, each file counted in blocks of 4096."""
        return sum(file.room for file in self._files())

    def clear(self) -> int:
        """Remove every entry, and whatever interrupted writers left.

        Files with other names are not touched.

        Returns:
            how many entries were removed.
        """
        removed = sum(_remove(file.path) for file in self._files())
        if self.enabled:
            for found in _scan(self.folder, _PASSING_NAME):
                _remove(found.path)
        self._unseen = 0
        return removed

    def _path(self, key: str) -> str:
        digest = hashlib.blake2b(key.encode("utf-8", "surrogatepass"), digest_size=16)
        return os.path.join(self.folder, digest.hexdigest() + ".slice")

    def _files(self) -> list[_Found]:
        return list(_scan(self.folder, _ENTRY_NAME)) if self.enabled else []

    def _make_room(self, path: str, room: int) -> None:
        """Remove what was used longest ago until ``room`` more bytes are within the limit."""
        if room <= self._unseen:
            self._unseen -= room
            return
        passing = 0
        for found in _scan(self.folder, _PASSING_NAME):
            stale = time.time() - found.used / 1e9 > _STALE
            if not (stale and _remove(found.path)):
                passing += found.room
        others = (file for file in self._files() if file.path != path)
        files = sorted(others, key=lambda file: (file.used, file.path))
        total = passing + room + sum(file.room for file in files)
        if total > self.limit:
            for file in files:
                if total <= self.limit - self.limit // 8:
                    break
                _remove(file.path)
                total -= file.room
        # A share only, since other processes write too.
        self._unseen = max(0, self.limit - total) // 4


def _room(length: int) -> int:
    """Bytes on disk of a file of this length: file systems hand out whole blocks."""
    return -(-length // _BLOCK) * _BLOCK


def _scan(folder: Path, name: re.Pattern[str]) -> Iterator[_Found]:
    """Files of the folder with such a name; those that vanish meanwhile are passed over."""
    try:
        with os.scandir(folder) as listing:
            for item in listing:
                if not name.fullmatch(item.name):
                    continue
                with contextlib.suppress(OSError):
                    if item.is_file(follow_symlinks=False):
                        # Not item.stat(): on Windows its length may be out of date.
                        status = os.stat(item.path)
                        yield _Found(item.path, status.st_mtime_ns, _room(status.st_size))
    except OSError:
        return


def _remove(path: str) -> bool:
    """Whether the file was there and is gone."""
    try:
        os.unlink(path)
    except OSError:
        return False
    return True


def _plain(name: str, array: Array) -> Array:
    """The array C-contiguous and little-endian; a copy only where needed.

    Raises:
        TypeError: not an array of plain numbers or truth values.
    """
    array = np.asarray(array)
    dtype = array.dtype.newbyteorder("<")
    if dtype.str not in _DTYPES:
        raise TypeError(f"array {name!r} has dtype {array.dtype}, which cannot be kept")
    return np.asarray(array, dtype=dtype, order="C")


def _octets(array: Array) -> memoryview:
    """The memory of a C-contiguous array as bytes."""
    flat: Any = array.reshape(-1).view(np.uint8)
    return memoryview(flat)


def _digest(*pieces: bytes | memoryview) -> bytes:
    # Measured on sets of positions of 2 MiB: CRC-32 0.5 ms, BLAKE2b 2.2 ms, but only 0.6 ms
    # for the compressed bytes, against 2 ms to decompress them: the stronger one costs little.
    state = hashlib.blake2b(digest_size=_DIGEST)
    for piece in pieces:
        state.update(piece)
    return state.digest()


def _pieces(
    key: str, arrays: Mapping[str, Array], meta: Mapping[str, JSON], *, compress: bool
) -> list[bytes | memoryview]:
    """What the file of an entry consists of, in order; ``len`` of each is its bytes."""
    squeeze = None
    if compress and sum(array.nbytes for array in arrays.values()) > _COMPRESS_ABOVE:
        squeeze = _compressor()
    body: list[bytes | memoryview] = []
    parts = []
    for name, array in arrays.items():
        stored: bytes | memoryview = _octets(array)
        coding = "raw"
        if squeeze is not None:
            squeezed = squeeze(stored)
            if len(squeezed) < len(stored):
                stored, coding = squeezed, "zstd"
        body.append(stored)
        parts.append([name, array.dtype.str, list(array.shape), coding, len(stored)])
    header = json.dumps(
        {"key": key, "meta": dict(meta), "body": _digest(*body).hex(), "arrays": parts},
        allow_nan=False,
        separators=(",", ":"),
    ).encode("ascii")
    whole = _FRONT.size + _DIGEST + len(header) + sum(len(piece) for piece in body)
    front = _FRONT.pack(_MAGIC, FORMAT, len(header), whole)
    return [front, _digest(front, header), header, *body]


def _read_header(handle: BinaryIO) -> _Header:
    """The header, its digest and the length of the file checked.

    Raises:
        _DamagedError: not a whole entry.
        _OtherError: another ``FORMAT``.
    """
    size = os.fstat(handle.fileno()).st_size
    front = handle.read(_FRONT.size)
    if len(front) < _FRONT.size or not front.startswith(_MAGIC):
        raise _DamagedError
    _, number, length, whole = _FRONT.unpack(front)
    if number != FORMAT:
        raise _OtherError
    rest = size - _FRONT.size - _DIGEST - length
    if whole != size or rest < 0:
        raise _DamagedError
    digest = handle.read(_DIGEST)
    text = handle.read(length)
    if digest != _digest(front, text):
        raise _DamagedError
    try:
        facts = json.loads(text)
        parts = tuple(
            _Part(name, dtype, tuple(shape), coding, stored)
            for name, dtype, shape, coding, stored in facts["arrays"]
        )
        header = _Header(facts["key"], facts["meta"], bytes.fromhex(facts["body"]), parts)
        fits = all(_possible(part) for part in parts) and _consistent(header)
        fits = fits and sum(part.stored for part in parts) == rest
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise _DamagedError from error
    if not fits:
        raise _DamagedError
    return header


def _possible(part: _Part) -> bool:
    numbers = (*part.shape, part.stored)
    return (
        isinstance(part.name, str)
        and part.dtype in _DTYPES
        and part.coding in ("raw", "zstd")
        and len(part.shape) <= _MOST_AXES
        and all(type(number) is int and 0 <= number < 1 << 62 for number in numbers)
    )


def _consistent(header: _Header) -> bool:
    names = {part.name for part in header.parts}
    return (
        isinstance(header.key, str)
        and isinstance(header.meta, dict)
        and len(names) == len(header.parts)
    )


def _key_of(path: str) -> str | None:
    """The key in the header of an entry's file; None if there is no sound header."""
    try:
        with open(path, "rb") as handle:
            return _read_header(handle).key
    except (_DamagedError, _OtherError, OSError, MemoryError):
        return None


def _read(
    handle: BinaryIO,
    key: str,
    fits: Callable[[Mapping[str, JSON], Mapping[str, Shape]], bool] | None = None,
) -> Entry:
    """The whole entry, everything checked before anything is decompressed.

    Raises:
        _DamagedError: not a whole entry, or not one that ``fits``.
        _OtherError: another ``FORMAT``, another key, or compressed and no zstd module.
    """
    header = _read_header(handle)
    if header.key != key:
        raise _OtherError
    shapes = {part.name: (part.dtype, part.shape) for part in header.parts}
    if fits is not None and not fits(header.meta, shapes):
        raise _DamagedError
    stored = [_read_array(handle, part) for part in header.parts]
    if _digest(*(_octets(array) for array in stored)) != header.body:
        raise _DamagedError
    arrays = {}
    for index, part in enumerate(header.parts):
        arrays[part.name] = stored[index] if part.coding == "raw" else _expand(part, stored[index])
        stored[index] = np.empty(0, np.uint8)  # frees the compressed bytes
    return Entry(header.meta, arrays)


def _empty(part: _Part) -> Array:
    return np.empty(part.shape, np.dtype(part.dtype))


def _read_array(handle: BinaryIO, part: _Part) -> Array:
    """A raw array as it is, a compressed one as the bytes that are in the file."""
    if part.coding == "raw":
        if math.prod(part.shape) * np.dtype(part.dtype).itemsize != part.stored:
            raise _DamagedError
        array = _empty(part)
    else:
        array = np.empty(part.stored, np.uint8)
    _fill(handle, _octets(array))
    return array


def _fill(source: Any, target: memoryview) -> None:
    """Read exactly as many bytes as ``target`` has."""
    done = 0
    while done < len(target):
        count = source.readinto(target[done:])
        if not count:
            raise _DamagedError
        done += count


def _expand(part: _Part, squeezed: Array) -> Array:
    opener = _expander()
    if opener is None:
        raise _OtherError
    try:
        array = _empty(part)
        with opener(squeezed.tobytes()) as source:
            _fill(source, _octets(array))
            over = source.read(1)
    except (OSError, MemoryError, _DamagedError):
        raise
    except Exception as error:  # the error classes of the zstd modules have no common base
        raise _DamagedError from error
    if over:
        raise _DamagedError
    return array


def _zstd() -> tuple[str, Any] | None:
    """The zstd module there is: the standard library's (Python 3.14) or ``zstandard``."""
    for name in ("compression.zstd", "zstandard"):
        with contextlib.suppress(ImportError):
            return name, importlib.import_module(name)
    return None


def _compressor() -> Callable[[bytes | memoryview], bytes] | None:
    found = _zstd()
    if found is None:
        return None
    name, module = found
    if name == "zstandard":
        package: Callable[[bytes | memoryview], bytes] = module.ZstdCompressor(level=1).compress
        return package
    return lambda data: bytes(module.compress(data, level=1))


def _expander() -> Callable[[bytes], Any] | None:
    """Opens compressed bytes for reading, as a context manager with ``readinto``."""
    found = _zstd()
    if found is None:
        return None
    name, module = found
    if name == "zstandard":
        return lambda data: module.ZstdDecompressor().stream_reader(data)
    return lambda data: module.ZstdFile(io.BytesIO(data))
