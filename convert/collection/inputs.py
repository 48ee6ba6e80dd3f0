"""Which files a collection is made from, and how a changed one is known."""

from __future__ import annotations

import glob
import hashlib
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from convert.rim.safe_text import file_text

STDIN = "standard input"
STREAM = "-"
"""Its path."""
ENDINGS = (".pgn", ".pgn.gz", ".pgn.zst")
"""What the names of files end in that are looked for in folders, in small or capital letters."""

_LOOK = 1 << 16


class BadInput(Exception):
    """A path that leads to no file of games; the text is one line."""


@dataclass(frozen=True)
class Input:
    """A file of games.

    Attributes:
        name: as it stands in the rows: the path as given, tidied up, as `file_text` shows it.
        path: absolute path without symbolic links; "-" for standard input.
    """

    name: str
    path: str


@dataclass(frozen=True)
class Print:
    """By what a file is known again without being read.

    Attributes:
        bytes: its size.
        changed: when it was last changed, nanoseconds.
        ends: hash of its first and last bytes; of all of it for standard input.
    """

    bytes: int
    changed: int
    ends: str

    def alike(self, other: Print) -> bool:
        """Probably the same content, if perhaps copied or moved."""
        return (self.bytes, self.ends) == (other.bytes, other.ends)


def find_inputs(paths: Iterable[str], out: Path) -> list[Input]:
    """The files that paths lead to, each once, in the order of the paths.

    Args:
        paths: files, folders (searched to the bottom for `ENDINGS`), patterns with ``*``, ``?``
            or ``[``, or ``-``.
        out: folder of the collection; nothing in it is taken.

    Raises:
        BadInput: a path leads to nothing.
    """
    inputs: dict[str, Input] = {}
    inside = os.path.realpath(out) + os.sep
    for given in paths:
        if given == STREAM:
            inputs.setdefault(STREAM, Input(STDIN, STREAM))
            continue
        if os.path.realpath(given) == os.path.realpath(out):
            raise BadInput(f"{given}: is the folder of the collection; give another with -o")
        any_here = inside_out = False
        for path in files_at(given):
            real = os.path.realpath(path)
            if real.startswith(inside):
                inside_out = True
            else:
                any_here = True
                name = file_text(os.path.normpath(path).replace(os.sep, "/"))
                inputs.setdefault(real, Input(name, real))
        if inside_out and not any_here:
            raise BadInput(f"{given}: lies in the folder of the collection; give another with -o")
        if not any_here:
            raise BadInput(f"{given}: no file that ends in {', '.join(ENDINGS)}")
    return list(inputs.values())


def files_at(given: str) -> Iterator[str]:
    """The files that a path or pattern leads to.

    Raises:
        BadInput: it leads to nothing.
    """
    if os.path.isdir(given):
        for folder, folders, names in os.walk(given, followlinks=False):
            folders[:] = sorted(name for name in folders if not name.startswith("."))
            for name in sorted(names):
                if name.lower().endswith(ENDINGS) and not name.startswith("."):
                    yield os.path.join(folder, name)
    elif os.path.exists(given):
        yield given
    elif glob.has_magic(given) and (matches := sorted(glob.glob(given, recursive=True))):
        for match in matches:
            yield from files_at(match)
    else:
        raise BadInput(f"{given}: no such file or folder")


def print_of(path: str) -> Print:
    """The print of a file.

    Raises:
        OSError: it cannot be read.
    """
    with open(path, "rb", buffering=0) as file:
        about = os.fstat(file.fileno())
        ends = hashlib.blake2b(file.read(_LOOK), digest_size=10)
        if about.st_size > _LOOK:
            file.seek(max(_LOOK, about.st_size - _LOOK))
            ends.update(file.read(_LOOK))
    return Print(about.st_size, about.st_mtime_ns, ends.hexdigest())


def digest_of(path: str | Path) -> str:
    """Hash of a whole file, hexadecimal.

    Raises:
        OSError: it cannot be read.
    """
    with open(path, "rb") as file:
        return hashlib.file_digest(file, lambda: hashlib.blake2b(digest_size=10)).hexdigest()
