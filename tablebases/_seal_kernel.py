"""CityHashCrc256 (version 1.0), compiled: the sum over one part of a table file."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

import tablebases.solver  # noqa: F401  (says where compiled code is kept, before numba is imported)

from numba import njit  # isort: skip

U = np.uint64
_K0: Final = U(0xC3A5C85C97CB3127)
_MURMUR: Final = U(0x9DDFEA08EB382D69)
_LOW32: Final = U(0xFFFFFFFF)


def _crc_tables() -> Any:
    """CRC-32C (polynomial 0x1EDC6F41, reflected) of each byte, followed by 0 to 7 zero bytes."""
    tables = np.zeros((8, 256), np.uint64)
    for byte in range(256):
        value = byte
        for _ in range(8):
            value = value >> 1 ^ (0x82F63B78 if value & 1 else 0)
        tables[0, byte] = value
    for row in range(1, 8):
        before = tables[row - 1]
        tables[row] = (before >> U(8)) ^ tables[0][(before & U(255)).astype(np.int64)]
    return tables


_CRC: Final = _crc_tables()


@njit(cache=True, inline="always")
def _crc(value, word):  # type: ignore[no-untyped-def]
    x = (value & _LOW32) ^ word
    return (
        _CRC[7, x & U(255)]
        ^ _CRC[6, (x >> U(8)) & U(255)]
        ^ _CRC[5, (x >> U(16)) & U(255)]
        ^ _CRC[4, (x >> U(24)) & U(255)]
        ^ _CRC[3, (x >> U(32)) & U(255)]
        ^ _CRC[2, (x >> U(40)) & U(255)]
        ^ _CRC[1, (x >> U(48)) & U(255)]
        ^ _CRC[0, x >> U(56)]
    )


@njit(cache=True, inline="always")
def _turn(word, by):  # type: ignore[no-untyped-def]
    return (word >> by) | (word << (U(64) - by))


@njit(cache=True, inline="always")
def _hash16(low, high):  # type: ignore[no-untyped-def]
    a = (low ^ high) * _MURMUR
    a ^= a >> U(47)
    b = (high ^ a) * _MURMUR
    b ^= b >> U(47)
    return b * _MURMUR


@njit(cache=True, inline="always")
def _mix(word):  # type: ignore[no-untyped-def]
    return word ^ (word >> U(47))


@njit(cache=True)
def crc256(s, seed):  # type: ignore[no-untyped-def]
    """CityHashCrc256.

    Args:
        s: uint64 array, shape (n,), n at least 30: the bytes, eight a word, low byte first.
        seed: 0, or the complement (32 bits) of the number of bytes before zeros were added to 240.

    Returns:
        Four 64-bit words.
    """
    n = len(s)
    size = U(8 * n)
    a = s[7] + _K0
    b = s[12] + _K0
    r0 = _hash16(b, size)
    r1 = s[15] * _K0 + size
    c = r0
    d = r1
    e = s[23] + seed
    f = seed
    g = U(0)
    h = U(0)
    i = U(0)
    j = U(0)
    t = c + d
    rounds = n // 30
    left = n - 30 * rounds
    steps = 6 * rounds + (left + 4) // 5
    for step in range(steps):
        p = 5 * step
        # The last step takes the last 40 bytes, some of them for the second time.
        p = min(p, n - 5)
        # Every other step of a full round is plain.
        plain = step < 6 * rounds and step % 2 == 0
        many = U(1) if plain else _K0
        flip = U(1) if plain else U(0)
        old = a
        a = _turn(b, U(41) ^ flip) * many + s[p]
        b = _turn(c, U(27) ^ flip) * many + s[p + 1]
        c = _turn(d, U(41) ^ flip) * many + s[p + 2]
        d = _turn(e, U(33) ^ flip) * many + s[p + 3]
        e = _turn(t, U(25) ^ flip) * many + s[p + 4]
        t = old
        f = _crc(f, a)
        g = _crc(g, b)
        h = _crc(h, c)
        i = _crc(i, d)
        j = _crc(j, e)
    j += i << U(32)
    a = _hash16(a, j)
    h += g << U(32)
    b += h
    c = _hash16(c, f) + i
    d = _hash16(d, e + r0)
    j += e
    i += _hash16(h, t)
    e = _hash16(a, d) + j
    f = _hash16(b, c) + a
    g = _hash16(j, i) + c
    r0 = e + f + g + h
    a = _mix((a + g) * _K0) * _K0 + b
    r1 += a + r0
    a = _mix(a * _K0) * _K0 + c
    r2 = a + r1
    a = _mix((a + e) * _K0) * _K0
    return r0, r1, r2, a + r2
