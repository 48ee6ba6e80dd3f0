"""What the machine has to spare: memory, and room for a file where that is not enough.

None of it decides what is proved; only where the sets lie while it is.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from pathlib import Path
from typing import Final

from tablebases.errors import TablebaseError
from tablebases.folders import cache_folder

__all__ = ["NoRoom", "free_memory", "spill_folder", "to_spare"]

_MOST_OF_FREE: Final = 0.75
"""Share of the free memory that sets may take."""


class NoRoom(TablebaseError):
    """The sets of one step fit neither into the free memory nor on the disk.

    Attributes:
        needed: bytes that the step needs.
        memory: bytes of memory that may be taken.
        folder: where the file would lie.
        reason: why the folder will not do, a phrase.
    """

    def __init__(self, needed: int, memory: int, folder: Path, reason: str) -> None:
        super().__init__(needed, memory, folder, reason)
        self.needed = needed
        self.memory = memory
        self.folder = folder
        self.reason = reason

    def __str__(self) -> str:
        return (
            f"the solver needs {self.needed / 1e9:.1f} GB for its next step: "
            f"{self.memory / 1e9:.1f} GB of memory can be had, and {self.folder} will not do "
            f"instead ({self.reason}); '--effort quick' needs less, '--no-solve' nothing"
        )


def free_memory() -> int | None:
    """Bytes that may be taken without swapping, None where the system does not tell."""
    found = []
    with contextlib.suppress(OSError, ValueError, IndexError):
        for line in Path("/proc/meminfo").read_text(encoding="ascii").splitlines():
            if line.startswith("MemAvailable:"):
                found.append(int(line.split()[1]) * 1024)
    group = Path("/sys/fs/cgroup")
    with contextlib.suppress(OSError, ValueError):
        most = int((group / "memory.max").read_text(encoding="ascii"))
        found.append(most - int((group / "memory.current").read_text(encoding="ascii")))
    if not found:
        with contextlib.suppress(OSError, ValueError, AttributeError):
            found.append(os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE"))
    return max(0, min(found)) if found else None


def to_spare(share: int = 1) -> int:
    """Bytes of memory that one of ``share`` processes may take for its sets just now."""
    free = free_memory()
    return 2**62 if free is None else int(_MOST_OF_FREE * free) // share


def spill_folder(folder: Path | None, needed: int, memory: int) -> Path:
    """A folder with room for a file of ``needed`` bytes, made if it is not there.

    Args:
        folder: the one to use; None for the user's cache folder.
        needed: bytes of the file.
        memory: bytes of memory that may be taken, for the message.

    Raises:
        NoRoom: there is no room, or nothing can be written there.
    """
    if folder is None:
        folder = cache_folder()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        free = shutil.disk_usage(folder).free
    except OSError as err:
        raise NoRoom(needed, memory, folder, err.strerror or "cannot be used") from err
    if needed > free:
        raise NoRoom(needed, memory, folder, f"{free / 1e9:.1f} GB free")
    return folder
