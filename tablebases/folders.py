"""Where the program keeps what it may throw away."""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Iterable
from pathlib import Path


def cache_folder(name: str = "") -> Path:
    """The user's cache folder, or a folder in it; it need not be there."""
    import platformdirs

    return Path(platformdirs.user_cache_path("fullpoint", appauthor=False)) / name


def write_whole(path: str, pieces: Iterable[bytes | memoryview]) -> None:
    """Write a file so that ``path`` is at every moment the old file or the whole new one.

    Raises:
        OSError: it could not be written; ``path`` is as before.
    """
    passing = f"{os.path.splitext(path)[0]}.{os.getpid()}-{secrets.token_hex(8)}.part"
    try:
        # No fsync: after a power cut digests tell a torn file, and a cache may lose one.
        with open(passing, "xb") as handle:
            for piece in pieces:
                handle.write(piece)
        os.replace(passing, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(passing)
        raise
