"""Fixtures for the tests of the table package."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tablebases import SyzygyProber, bundled_folder, open_tables


@pytest.fixture(scope="session")
def prober() -> Iterator[SyzygyProber]:
    """The bundled tables; for tests that do not look at the counts."""
    with open_tables() as tables:
        yield tables


@pytest.fixture
def folder_with(tmp_path: Path) -> Callable[..., Path]:
    """Makes a folder with copies of bundled table files, e.g. ``folder_with("KQvK.rtbw")``."""

    def make(*names: str, called: str = "mine") -> Path:
        folder = tmp_path / called
        folder.mkdir(exist_ok=True)
        for name in names:
            shutil.copy(bundled_folder() / name, folder / name)
        return folder

    return make
