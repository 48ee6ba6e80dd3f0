"""Shared test set-up: a clean environment, hypothesis profiles, gold files."""

from __future__ import annotations

import os
import re
import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import demo_reviews
import pytest
from hypothesis import HealthCheck, settings

from convert.judging.judges import EFFORTS, Bench, EffortName
from tablebases.probing import SyzygyProber, open_tables

GOLD = Path(__file__).parent / "gold"
ACTUAL = Path(__file__).parent / "actual"

settings.register_profile(
    "dev", max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile(
    "ci",
    max_examples=50,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.register_profile(
    "thorough", max_examples=1000, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "dev"))


def pytest_sessionfinish(session: pytest.Session) -> None:
    """The process that hands out the tests ends last."""
    if not hasattr(session.config, "workerinput"):
        demo_reviews.forget()


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--update-gold", action="store_true", help="rewrite tests/gold")


@pytest.fixture(autouse=True)
def _clean_environment(
    monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[None]:
    """No setting of the person who runs the tests reaches them."""
    for name in (
        "NO_COLOR",
        "FORCE_COLOR",
        "COLUMNS",
        "FULLPOINT_TABLES",
        "FULLPOINT_DEBUG",
        "XDG_CACHE_HOME",
        "XDG_DATA_HOME",
    ):
        monkeypatch.delenv(name, raising=False)
    # Solving takes seconds; tests that are about it switch it on.
    monkeypatch.setenv("FULLPOINT_SOLVE", "0")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path_factory.mktemp("config")))
    # A shell that runs the tests in the background has interrupts ignored, nohup the end of its
    # terminal.
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    hang_up = signal.signal(signal.SIGHUP, signal.SIG_DFL)
    yield
    signal.signal(signal.SIGINT, before)
    signal.signal(signal.SIGHUP, hang_up)


@pytest.fixture(scope="session")
def tables() -> SyzygyProber:
    """The built-in tables."""
    return open_tables()


@pytest.fixture
def bench(tables: SyzygyProber) -> Bench:
    """A fresh bench at normal effort."""
    return Bench(tables, effort=EFFORTS[EffortName.NORMAL])


@pytest.fixture
def gold(request: pytest.FixtureRequest) -> Callable[[str, str], None]:
    """``gold(name, text)``: the text equals tests/gold/NAME, version and paths scrubbed."""

    def check(name: str, text: str) -> None:
        text = re.sub(r"fullpoint \d+\.\d+\.\d+", "fullpoint VERSION", text)
        text = text.replace(str(GOLD.parent.parent) + os.sep, "")
        path = GOLD / name
        if request.config.getoption("--update-gold"):
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8")
            return
        expected = path.read_text(encoding="utf-8") if path.is_file() else ""
        if text != expected:
            ACTUAL.mkdir(exist_ok=True)
            (ACTUAL / name).write_text(text, encoding="utf-8")
        assert text == expected, f"differs from {path}; what came is in tests/actual/{name}"

    return check
