"""Where the program keeps what it may throw away."""

from __future__ import annotations

from pathlib import Path


def cache_folder(name: str = "") -> Path:
    """The user's cache folder, or a folder in it; it need not be there."""
    import platformdirs

    return Path(platformdirs.user_cache_path("fullpoint", appauthor=False)) / name
