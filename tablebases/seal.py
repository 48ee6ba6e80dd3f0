"""The seal of a table file: 16 bytes at its end that sum up all bytes before them.

Table files carry their own sum. It is a CityHash 1.0 (Pike and Alakuijala, 2011): the bytes before
the seal are cut into parts of 2^24 bytes, each part gives the four words of *CityHashCrc256*, and
the seal is *CityHashCrc128* of all these words. The size of a part stands in the public source of
the tables' generator (``bundled/SOURCES.md`` names it); all 70 files of the package agree.
None of them is longer than one part, so the order of parts in longer files was not tried: there a
seal that fits is taken as a sign that all is well, one that does not is not taken as damage.

A seal tells damage, not ill will: whoever changes a file on purpose can seal it again.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from tablebases.errors import DamagedTable

__all__ = ["PART", "SEAL", "held_seal", "seal_of", "seal_problem"]

PART: Final = 1 << 24
"""Bytes in one part."""

SEAL: Final = 16
"""Bytes of the seal itself."""

_MASK: Final = (1 << 64) - 1
_K0: Final = 0xC3A5C85C97CB3127
_K1: Final = 0xB492B66FBE98F273
_K2: Final = 0x9AE16A3B2F90404F
_K3: Final = 0xC949D7C7509E6557
_MURMUR: Final = 0x9DDFEA08EB382D69
# Up to so many bytes CityHashCrc128 is CityHash128.
_SHORT: Final = 900


def held_seal(path: Path) -> bytes:
    """The seal that a file carries: its last 16 bytes.

    Raises:
        DamagedTable: if the file cannot be read or is shorter.
    """
    try:
        with path.open("rb") as file:
            file.seek(-SEAL, 2)
            return file.read(SEAL)
    except OSError as error:
        raise DamagedTable(path, f"cannot be read ({error.strerror})") from error


def seal_of(path: Path, tell: Callable[[float], None] | None = None) -> bytes:
    """The seal that fits what stands in a file before its last 16 bytes.

    Reads the whole file, one part at a time.

    Args:
        path: a table file whose size is 16 more than a multiple of 64.
        tell: hears the share done, 0 to 1, after each part.

    Raises:
        DamagedTable: if the file cannot be read.
    """
    try:
        size = path.stat().st_size - SEAL
        words: list[int] = []
        with path.open("rb") as file:
            for start in range(0, size, PART):
                words += _part_words(file.read(min(PART, size - start)))
                if tell is not None:
                    tell(min(1.0, (start + PART) / size))
    except OSError as error:
        raise DamagedTable(path, f"cannot be read ({error.strerror})") from error
    data = struct.pack(f"<{len(words)}Q", *words)
    pair = _city128(data) if len(data) <= _SHORT else tuple(_part_words(data)[2:])
    return struct.pack("<2Q", *pair)


def seal_problem(path: Path, tell: Callable[[float], None] | None = None) -> str | None:
    """What is wrong with the seal of a file, in one phrase; None if it fits.

    Raises:
        DamagedTable: if the file cannot be read.
    """
    if seal_of(path, tell) == held_seal(path):
        return None
    return "damaged: its bytes do not fit the sum at its end"


def _part_words(data: bytes) -> list[int]:
    """CityHashCrc256 of some bytes, a multiple of 8 of them: four words of 64 bits."""
    import numpy as np

    seed = 0
    if len(data) < 240:
        seed = ~len(data) & 0xFFFFFFFF
        data = data + bytes(240 - len(data))
    words = np.frombuffer(data, "<u8").astype(np.uint64, copy=False)
    return [int(word) for word in _kernel()(words, np.uint64(seed))]


def _kernel() -> Callable[[Any, Any], Any]:
    # Compiled code is only loaded by those who bring files of their own.
    from tablebases._seal_kernel import crc256

    kernel: Callable[[Any, Any], Any] = crc256
    return kernel


# --- CityHash128, for the few bytes at the end ----------------------------------------------------


def _city128(data: bytes) -> tuple[int, int]:
    """CityHash128 of 16 bytes or more."""
    return _city128_seeded(data[16:], _word(data, 0) ^ _K3, _word(data, 8))


def _word(data: bytes, at: int) -> int:
    return int.from_bytes(data[at : at + 8], "little")


def _turn(word: int, by: int) -> int:
    return (word >> by | word << (64 - by)) & _MASK


def _mix(word: int) -> int:
    return word ^ word >> 47


def _hash16(low: int, high: int) -> int:
    a = (low ^ high) * _MURMUR & _MASK
    a ^= a >> 47
    b = (high ^ a) * _MURMUR & _MASK
    b ^= b >> 47
    return b * _MURMUR & _MASK


def _weak32(data: bytes, at: int, a: int, b: int) -> tuple[int, int]:
    w, x, y, z = struct.unpack_from("<4Q", data, at)
    a = a + w & _MASK
    b = _turn(b + a + z & _MASK, 21)
    c = a
    a = a + x + y & _MASK
    b = b + _turn(a, 44) & _MASK
    return a + z & _MASK, b + c & _MASK


def _murmur(data: bytes, a: int, b: int) -> tuple[int, int]:
    """CityMurmur: for 16 bytes up to 127."""
    size = len(data)
    if size <= 16:
        first, last = _word(data, 0), _word(data, size - 8)
        a = _mix(a * _K1 & _MASK) * _K1 & _MASK
        c = b * _K1 + (_hash16(first, _turn(last + size & _MASK, size)) ^ last) & _MASK
        d = _mix(a + first & _MASK)
    else:
        c = _hash16(_word(data, size - 8) + _K1 & _MASK, a)
        d = _hash16(b + size & _MASK, c + _word(data, size - 16) & _MASK)
        a = a + d & _MASK
        for at in range(0, size - 16, 16):
            a ^= _mix(_word(data, at) * _K1 & _MASK) * _K1 & _MASK
            a = a * _K1 & _MASK
            b ^= a
            c ^= _mix(_word(data, at + 8) * _K1 & _MASK) * _K1 & _MASK
            c = c * _K1 & _MASK
            d ^= c
    a, b = _hash16(a, c), _hash16(d, b)
    return a ^ b, _hash16(b, a)


def _city128_seeded(data: bytes, x: int, y: int) -> tuple[int, int]:
    left = len(data)
    if left < 128:
        return _murmur(data, x, y)
    z = left * _K1 & _MASK
    v = (_turn(y ^ _K1, 49) * _K1 + _word(data, 0) & _MASK, 0)
    v = (v[0], _turn(v[0], 42) * _K1 + _word(data, 8) & _MASK)
    w = (
        _turn(y + z & _MASK, 35) * _K1 + x & _MASK,
        _turn(x + _word(data, 88) & _MASK, 53) * _K1 & _MASK,
    )
    at = 0
    while left >= 128:
        for _ in range(2):
            x = _turn(x + y + v[0] + _word(data, at + 16) & _MASK, 37) * _K1 & _MASK
            y = _turn(y + v[1] + _word(data, at + 48) & _MASK, 42) * _K1 & _MASK
            x ^= w[1]
            y ^= v[0]
            z = _turn(z ^ w[0], 33)
            v = _weak32(data, at, v[1] * _K1 & _MASK, x + w[0] & _MASK)
            w = _weak32(data, at + 32, z + w[1] & _MASK, y)
            x, z = z, x
            at += 64
        left -= 128
    y = y + _turn(w[0], 37) * _K0 + z & _MASK
    x = x + _turn(v[0] + z & _MASK, 49) * _K0 & _MASK
    done = 0
    while done < left:
        done += 32
        here = at + left - done
        y = _turn(y - x & _MASK, 42) * _K0 + v[1] & _MASK
        w = (w[0] + _word(data, here + 16) & _MASK, w[1])
        x = _turn(x, 49) * _K0 + w[0] & _MASK
        w = (w[0] + v[0] & _MASK, w[1])
        v = _weak32(data, here, *v)
    x, y = _hash16(x, v[0]), _hash16(y, w[0])
    return (
        _hash16(x + v[1] & _MASK, w[1]) + y & _MASK,
        _hash16(x + w[1] & _MASK, y + v[1] & _MASK),
    )
