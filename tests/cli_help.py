"""The command run in this process, and a short game for it."""

from __future__ import annotations

import io
import sys

import pytest

from convert.cli import main

SHORT = """[Event "Club evening"]
[Site "?"]
[Date "2026.01.09"]
[Round "-"]
[White "A"]
[Black "B"]
[Result "1/2-1/2"]
[SetUp "1"]
[FEN "8/8/8/4k3/8/4K3/4P3/8 w - - 0 1"]

1. Kd3 {holds nothing yet} Kd5 2. e3 Ke5 3. e4 Ke6 4. Kd4 Kd6 5. e5+ Ke6 1/2-1/2
"""


def run(
    args: list[str], capsys: pytest.CaptureFixture[str], stdin: bytes | None = None
) -> tuple[int, str, str]:
    """Exit code, standard output, standard error of one call."""
    old = sys.stdin
    if stdin is not None:
        sys.stdin = io.TextIOWrapper(io.BytesIO(stdin))
    try:
        with pytest.raises(SystemExit) as left:
            main(args)
    finally:
        sys.stdin = old
    out, err = capsys.readouterr()
    code = left.value.code
    return (code if isinstance(code, int) else 0), out, err
