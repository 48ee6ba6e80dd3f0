"""One search for all tests of the folder, with and without exact leaves."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from convert.judging.search import front
from convert.judging.search.front import Search


@pytest.fixture(scope="session")
def code() -> Any:
    """The compiled modules."""
    return front._compiled()


@pytest.fixture(scope="session")
def bare(code: Any) -> Search:
    """A search that knows no exact leaves."""
    return Search(leaves=code.sets.nothing())


@pytest.fixture(scope="session")
def full(code: Any, tmp_path_factory: pytest.TempPathFactory) -> Search:
    """A search with all outcomes to four men, from the user's cache if they are there."""
    return Search(leaves=code.sets.four_men())


@pytest.fixture(scope="session")
def state(bare: Search) -> Any:
    """A record with the shipped numbers."""
    worker = front._Worker(bare, 4)
    assert isinstance(worker.line, np.ndarray)
    return worker.state
