"""What the benchmarks share that hold this version against another."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

_NOW = Path(__file__).resolve().parents[2]


def two_versions() -> dict[str, Path]:
    """The checkouts *before*, which ``FULLPOINT_BEFORE`` names, and *now*; skips without it."""
    before = os.environ.get("FULLPOINT_BEFORE")
    if not before:
        pytest.skip("FULLPOINT_BEFORE names no checkout")
    return {"before": Path(before), "now": _NOW}


def printed(checkout: Path, code: str, *arguments: str, text: str) -> str:
    """What code prints that is run with a checkout's packages; ``text`` is its standard input."""
    return subprocess.run(
        [sys.executable, "-c", code, *arguments],
        cwd=checkout,
        input=text,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
